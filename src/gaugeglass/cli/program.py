"""The program itself, to which each command joins itself, and the options that several commands have."""

from __future__ import annotations

from pathlib import Path

import click

from gaugeglass.cli.printing import writable_folder

DONE, BUG, USAGE, FAULTY, REFUSED, STORE, INTERRUPTED = 0, 1, 2, 3, 4, 5, 130
"""Exit statuses."""

EXAMPLES = """\b
Examples:
  gaugeglass demo                                 the whole job, on an invented van
  gaugeglass new my-work                          lay out a workspace of your own
  gaugeglass check observations/heron-35.yaml     say everything that is wrong with a file
  gaugeglass assess observations/heron-35.yaml    infer, judge, audit, write the page, record
  gaugeglass audit observations/heron-35.yaml     what carries the verdict, and what would overturn it
  gaugeglass next observations/heron-35.yaml      which observation to make next
  gaugeglass calibrate observations/heron-35.yaml whether the engine is right as often as it says
  gaugeglass report heron-35                      show the latest run of a dossier again
  gaugeglass runs heron-35                        every verdict through time, and what came in between
  gaugeglass compare heron-35@latest~1 heron-35   which input moved which verdict by how much
  gaugeglass score                                what was claimed against the truth, once it is known
  gaugeglass publish heron-35                     make the form that shows nothing private
  gaugeglass add observations/heron-35.yaml       append an observation; it asks for what it needs
  gaugeglass watch observations/heron-35.yaml     say after each save what it moved

Infers hidden quantities from scattered observations, weighs rival explanations and says how probable each claim is.

\b
Exit status: 0 done, 1 a bug of ours or a run that is not reproduced, 2 wrong usage, 3 the input is at fault, 4 the
inference was refused, 5 a dossier or the store of runs cannot be written, or the store is damaged, 130 interrupted.

\b
Completion of commands and options, in bash (zsh and fish likewise):
  eval "$(_GAUGEGLASS_COMPLETE=bash_source gaugeglass)"
"""

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
seed_option = click.option(
    "--seed", default=1, show_default=True, type=click.IntRange(0, 2**31 - 1), help="Decides every draw."
)
draws_option = click.option(
    "--draws", default=1000, show_default=True, type=click.IntRange(100, 100_000),
    help="Draws a chain, doubled while a claim's Monte Carlo error is above 0.01.",
)  # fmt: skip
reports_option = click.option(
    "--reports", type=click.Path(file_okay=False, path_type=Path),
    help="Where runs are kept.  [default: reports/ of the dossier's workspace]",
)  # fmt: skip
figures_option = click.option(
    "--figures", metavar="FOLDER", type=click.Path(file_okay=False, path_type=Path), callback=writable_folder,
    help="Draw the pictures into this folder too, as SVG and PNG with their numbers; nothing there is overwritten.",
)  # fmt: skip
file_argument = click.argument("file", type=click.Path())


@click.group(help=EXAMPLES, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 120})
@click.version_option(package_name="gaugeglass")
@click.option("--traceback", is_flag=True, help="Show where in the program a bug struck.")
def gaugeglass(traceback: bool) -> None:
    """All commands; what help shows is ``EXAMPLES``, and ``--traceback`` is read by ``run``."""
