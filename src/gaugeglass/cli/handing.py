"""What 'report' hands out of a run for an article or a video."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.cli.printing import print_json, progress, refuse_files, say

if TYPE_CHECKING:
    from gaugeglass.record.runs import Run

FORMS = ("html", "md", "png")
_SUFFIX = "-article"


def handing_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say in which form a run is handed out, and where to."""
    for option in (
        click.option("--private", is_flag=True, help="Show in md and png what is private, too; else it is redacted."),
        click.option(
            "--into", metavar="FOLDER", type=click.Path(file_okay=False, path_type=Path),
            help="Where md and png are written; nothing there is overwritten.  [default: the run's name and -article]",
        ),
        click.option(
            "--format", "form", type=click.Choice(FORMS), default="html", show_default=True,
            help="The page, an article in Markdown, or figures and frames for a screen.",
        ),
    ):  # fmt: skip
        command = option(command)
    return command


def refuse_options_of_handouts(form: str, into: Path | None, *, private: bool) -> None:
    """Refuse what means nothing for the page, which stands in the run's own folder."""
    if form == "html" and (into is not None or private):
        raise click.UsageError("--into and --private go with --format md or png; the page is in the run's folder")


def hand_out(run: Run, form: str, into: Path | None, *, private: bool, as_json: bool) -> None:
    """Write an article or pictures of a run, and print where they are."""
    from gaugeglass import write_article, write_frames
    from gaugeglass.publication.articles import FILE, PICTURE

    folder = into or Path(f"{run.folder.resolve().name}{_SUFFIX}")
    names = (FILE, PICTURE) if form == "md" else ("frames.json", "figures", "frames")
    refuse_files(folder, names)
    with progress() as tell:
        if form == "md":
            written = write_article(run.folder, folder, private=private)
        else:
            written = write_frames(run.folder, folder, private=private, progress=tell)
    if as_json:
        found = (path for name in names for path in (folder / name, *sorted((folder / name).rglob("*"))))
        files = [path.relative_to(folder).as_posix() for path in found if path.is_file()]
        told = {"folder": str(folder), "file": str(written), "files": files, "private": private}
        print_json({"format": "gaugeglass.handout/1", **told})
        return
    click.echo(run.assessment.sentence)
    if form == "md":
        click.echo(f"\narticle  {written}\npicture  {folder / PICTURE}")
    else:
        click.echo(f"\nfigures  {folder / 'figures'}\nframes   {folder / 'frames'}\nwords    {written}")
    if private and any(row.private for row in run.assessment.ledger):
        say("what is private is shown in it")
