"""What is handed out of a recorded run: by default its public form, and nothing that says more."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from gaugeglass.errors import StoreError
from gaugeglass.inference.posterior import Progress
from gaugeglass.judgement.joining import Joining, ends, join
from gaugeglass.judgement.results import Assessment
from gaugeglass.language.spec import Spec
from gaugeglass.publication.articles import reproduction
from gaugeglass.publication.figures import leading
from gaugeglass.record import redaction, runs
from gaugeglass.record.leaks import leaks


@dataclass(frozen=True)
class Handout:
    """A run in the form that it is handed out in; ``reproduction`` says how to get its number again.

    ``private`` is the run's own Spec where something of it must not be seen, None where everything may be.
    """

    run: runs.Run
    spec: Spec
    assessment: Assessment
    reproduction: Mapping[str, Any]
    private: Spec | None

    @classmethod
    def of(cls, folder: Path, *, private: bool) -> Self:
        """The run of a folder, with what is private or without.

        Raises
        ------
        StoreError
            If it is no run, or is damaged.
        SpecError
            If a private text also stands in a part that is not private.
        """
        run = runs.read(folder)
        own = run.spec()
        spec = own if private else redaction.public_form(own)
        assessment = run.assessment if private else redaction.public_assessment(run.assessment, own)
        told = run.about if private else runs.public_about(run, spec)
        named = run if private else _published(run)
        of = (told["alternative"] or {}).get("of")
        made = reproduction(spec, runs.facts(told), named.folder.resolve().name, named.digest, of)
        return cls(run, spec, assessment, made, None if private else own)

    def ends(self) -> Joining:
        """What was known before any evidence and after all of it."""
        return ends(self.spec, self.assessment, *self.run.draws(), quantity=self._quantity())

    def steps(self, progress: Progress | None = None) -> Joining:
        """What was known as each piece of the evidence joined, inferred anew between the ends."""
        seed = int(self.run.about["seed"])
        return join(self.spec, self.assessment, *self.run.draws(), quantity=self._quantity(), seed=seed,
                    progress=progress)  # fmt: skip

    def refuse_leaks(self, texts: Mapping[str, str]) -> None:
        """Refuse to hand out texts in which something private is left.

        Raises
        ------
        StoreError
            If there is any.
        """
        found = [name for name, _ in leaks(self.private, texts)] if self.private else []
        if found:
            raise StoreError(f"nothing was written: private text is left in {', '.join(dict.fromkeys(found))}")

    def _quantity(self) -> str:
        """The leading quantity; the first that is no given where the leading ones have a value for each member."""
        summaries = {q.name: q for q in self.assessment.quantities}
        named = [name for name in leading(self.spec) if name in summaries]
        return named[0] if named else next(n for n, q in summaries.items() if q.kind != "given")


def _published(run: runs.Run) -> runs.Run:
    """The public form that stands beside a run, whose digest others can check; the run itself where there is none."""
    beside = run.folder.with_name(f"{run.name}{runs.PUBLIC}")
    return runs.read(beside) if (beside / "run.json").is_file() else run
