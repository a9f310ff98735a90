"""The command that calibrates, and the options that say where much work is done."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.cli.printing import colored, load_dossier, print_json, progress, refuse_taken, save_pictures, width
from gaugeglass.cli.program import (
    figures_option,
    file_argument,
    gaugeglass,
    json_option,
    reports_option,
    seed_option,
)
from gaugeglass.cli.recorded import reports_of
from gaugeglass.errors import StoreError

if TYPE_CHECKING:
    from gaugeglass.inference.fanout import Place
    from gaugeglass.judgement.calibration import Truths
    from gaugeglass.language.spec import Spec


def place_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say where much work is done; it is handed their ``place``."""

    @functools.wraps(command)
    def placed(*, processes: int | None, cluster: str | None, **rest: Any) -> Any:
        from gaugeglass.inference.fanout import Place

        if processes is not None and cluster is not None:
            raise click.UsageError("--processes or --cluster, not both")
        return command(place=Place(processes, cluster), **rest)

    for option in (
        click.option(
            "--cluster", metavar="tcp://HOST:PORT",
            help="Work on the Dask cluster at this address, which needs the extra 'cluster'.",
        ),
        click.option(
            "--processes", metavar="NUMBER", type=click.IntRange(1, 1024),
            help="Work in so many processes of this machine.  [default: as many as it has cores]",
        ),
    ):  # fmt: skip
        placed = option(placed)
    return placed


@gaugeglass.command()
@file_argument
@click.option(
    "--simulations", metavar="NUMBER", default=200, show_default=True, type=click.IntRange(10, 1_000_000),
    help="How many truths are drawn.",
)  # fmt: skip
@click.option(
    "--truths", type=click.Choice(["prior", "posterior"]), default="prior", show_default=True,
    help="Where they are drawn from: all that the model thinks possible, or where the evidence leads.",
)  # fmt: skip
@seed_option
@click.option(
    "--keep", metavar="FOLDER", type=click.Path(file_okay=False, path_type=Path),
    help="Keep simulations here as they are done, and go on with those that are there.",
)  # fmt: skip
@place_options
@json_option
@reports_option
@figures_option
def calibrate(
    file: str, *, simulations: int, truths: Truths, seed: int, keep: Path | None, place: Place, as_json: bool,
    reports: Path | None, figures: Path | None,
) -> None:  # fmt: skip
    """Say whether the engine is right as often as it says, on the evidence that the dossier FILE has.

    \b
      gaugeglass calibrate observations/heron-35.yaml
      gaugeglass calibrate observations/heron-35.yaml --truths posterior --keep half-done
      gaugeglass calibrate observations/heron-35.yaml --simulations 2000 --cluster tcp://127.0.0.1:8786

    Truths are drawn, evidence like the dossier's is simulated from each, and all is inferred again under every
    hypothesis: 90 % intervals should hold nine truths in ten, and what is given 30 % come true three times in ten.
    It tests the inference, not the model. It is recorded beside the runs of the dossier, with a page of its own, and
    pages that are made of the same files after it show it.
    """  # noqa: D301 - click takes the sign for a paragraph to be left as it is
    spec = load_dossier(file)
    if not spec.evidence:
        raise click.UsageError(f"no observation of {file} counts, so there is nothing to simulate")
    refuse_taken(figures, (f"calibration-{truths}-{what}" for what in ("ranks", "inside", "chances")))
    with progress() as tell:
        tell("starting", 0.0)
        from gaugeglass import calibrate as calibrate_spec
        from gaugeglass import record_calibration

        place = place.or_every_core()
        try:
            found = calibrate_spec(
                spec, simulations=simulations, truths=truths, seed=seed, processes=place.processes,
                cluster=place.cluster, keep=keep, progress=tell,
            )  # fmt: skip
        except KeyboardInterrupt as problem:
            problem.add_note(_what_is_kept(keep))
            raise
        tell("drawing pictures", 1.0)
        folder = record_calibration(found, spec, reports=reports or reports_of(file))
    from gaugeglass.publication.calibrations import calibration_document, calibration_text

    if figures is not None:
        from gaugeglass.publication.reckonings import calibration_pictures

        save_pictures(calibration_pictures(found, spec), figures)
    if as_json:
        print_json({**calibration_document(found, spec), "folder": str(folder)})
        return
    click.echo(calibration_text(found, spec, width(), color=colored()))
    click.echo(f"\nfolder  {folder}\npage    {folder / 'report.html'}")
    click.echo(f"shown   {_shown_by(spec, file, folder.parents[2])}")


def _what_is_kept(keep: Path | None) -> str:
    """What is left of a calibration that was interrupted."""
    from gaugeglass.record.partials import count_kept

    if keep is None:
        return "nothing is kept; with --keep FOLDER what is done would be"
    done = count_kept(keep)
    if not done:
        return f"no simulation is kept in {keep} yet"
    what = "1 simulation is" if done == 1 else f"{done} simulations are"
    return f"{what} kept in {keep}; the same command goes on from there"


def _shown_by(spec: Spec, file: str, reports: Path) -> str:
    """Which command makes the page of a run that shows a calibration on the same files."""
    from gaugeglass.record import runs

    try:
        run = runs.of_same_files(runs.input_digests(spec), reports, spec.dossier.name)
    except StoreError:
        run = None
    if run is None or (run / "report.html").is_file():
        return f"by the next 'gaugeglass assess {file}'"
    return f"by 'gaugeglass report {run}', which makes the page of a run of the same files"
