"""The command that answers each save."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gaugeglass.cli.printing import colored, progress, say, warn, width
from gaugeglass.cli.program import INTERRUPTED, draws_option, file_argument, gaugeglass, json_option, seed_option
from gaugeglass.errors import Fault, InferenceError

if TYPE_CHECKING:
    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.judgement.moves import Standing
    from gaugeglass.language.files import Checked
    from gaugeglass.language.spec import Spec
    from gaugeglass.language.watching import Save
    from gaugeglass.publication.moves import Answer


@gaugeglass.command()
@file_argument
@seed_option
@draws_option
@json_option
def watch(file: str, seed: int, draws: int, as_json: bool) -> None:
    """Answer each save of the dossier FILE, of its model and of its tables with what it moved, until Ctrl-C.

    After the first inference, an answer says what changed in the files and sets each verdict and each leading quantity
    beside what it was. Faults are shown as 'check' shows them, and the last state without any is held. Nothing is
    recorded. With --json each answer is one line.
    """
    from gaugeglass.language.watching import saves

    watched = Watch(file, seed=seed, draws=draws, as_json=as_json)
    saved = saves(lambda: watched.files)
    try:
        watched.open()
        for save in saved:
            watched.answer(save)
    except KeyboardInterrupt:
        raise click.exceptions.Exit(INTERRUPTED) from None


class Watch:
    """A dossier that is being edited, and what was last held of it."""

    def __init__(self, file: str, *, seed: int, draws: int, as_json: bool) -> None:
        self.file, self.seed, self.draws, self.as_json = file, seed, draws, as_json
        self.files: tuple[str, ...] = (file,)
        self.checked: Checked | None = None
        self.posterior: Posterior | None = None
        self.spec: Spec | None = None  # the posterior's, or one that is inferred alike
        self.held: Standing | None = None

    def open(self) -> None:
        """The first answer; faults may be mended under watch, but a dossier has to be there."""
        from gaugeglass.language.files import load

        seconds: dict[str, float] = {}
        found = self._check(seconds)
        if found.spec is None and (not found.faults or not Path(self.file).is_file()):
            load(self.file)  # which refuses
        self._print(self._answer((self.file,), found, seconds), None)
        say(f"watching {', '.join(self.files)}; Ctrl-C ends it")

    def answer(self, save: Save) -> None:
        """What a save moved; nothing where all that is read is as it was."""
        seconds, before = {"waiting": time.time() - save.at}, self.checked
        found = self._check(seconds)
        if not _is_news(save, found, before):
            return
        self._print(self._answer(save.files, found, seconds), save.at)

    def _check(self, seconds: dict[str, float]) -> Checked:
        from gaugeglass.language.files import check as check_file
        from gaugeglass.language.watching import sources

        began = time.perf_counter()
        found = check_file(self.file)
        seconds["checking"] = time.perf_counter() - began
        warn([w for w in found.warnings if self.checked is None or w not in self.checked.warnings])
        self.checked, self.files = found, sources(found, self.file)
        return found

    def _answer(self, files: tuple[str, ...], found: Checked, seconds: dict[str, float]) -> Answer:
        from gaugeglass.publication.moves import Answer

        if found.spec is None:
            faults = found.faults or (Fault(self.file, None, "", "a model file", "a dossier, which names its model"),)
            return Answer("faults found", files, seconds, faults=faults, message=self._what_is_held())
        try:
            return self._follow(files, found.spec, seconds)
        except InferenceError as problem:
            return Answer("refused", files, seconds, message="\n".join([str(problem), self._what_is_held()]).strip())

    def _what_is_held(self) -> str:
        return "What was inferred last is held." if self.posterior else ""

    def _follow(self, files: tuple[str, ...], spec: Spec, seconds: dict[str, float]) -> Answer:
        """Infer what there is to infer, and hold it from now on."""
        from gaugeglass.inference.posterior import infer as infer_spec
        from gaugeglass.inference.posterior import reinfer
        from gaugeglass.judgement.moves import changes, infers_alike, moves, prior_standing, standing
        from gaugeglass.publication.moves import Answer

        before, was = self.posterior, self.spec
        changed = changes(was, spec) if was else ()
        self.spec = spec
        if was and infers_alike(was, spec):
            return Answer("nothing moved", files, seconds, changed)
        try:
            with progress() as tell:
                now = (
                    reinfer(before, spec, progress=tell)
                    if before
                    else infer_spec(spec, seed=self.seed, draws=self.draws, progress=tell)
                )
        except InferenceError:
            self.spec = was
            raise
        began = time.perf_counter()
        held = standing(now)
        moved = moves(self.held or prior_standing(now), held)
        self.posterior, self.held = now, held
        seconds |= {**now.seconds, "judging": time.perf_counter() - began}
        return Answer("inferred again" if before else "inferred", files, seconds, changed, moved, message=now.note)

    def _print(self, answer: Answer, saved_at: float | None) -> None:
        from gaugeglass.publication.moves import answer_document, answer_text, seconds_text

        if self.as_json:
            document = answer_document(answer)
            if saved_at is not None:
                document["seconds"] = {"from_save": time.time() - saved_at, **document["seconds"]}
            click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
            return
        subject = self.spec.dossier.subject if self.spec else self.file
        text = answer_text(answer, subject, time.strftime("%H:%M:%S"), width(), color=colored())
        if saved_at is not None:
            text += ("\n\n" if answer.moves else "\n") + seconds_text(time.time() - saved_at, answer.seconds, width())
        click.echo(text + "\n")


def _is_news(save: Save, found: Checked, before: Checked | None) -> bool:
    """Whether a save is to be answered: not where only the names in a folder changed, or nothing that is read did."""
    if before is None or (found.spec is None) != (before.spec is None):
        return True
    if found.spec is None or before.spec is None:
        return found != before or not all(Path(file).is_dir() for file in save.files)
    return found.spec.texts != before.spec.texts
