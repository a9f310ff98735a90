"""The page of a calibration by itself: one HTML file that needs no network."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import PurePath

from gaugeglass.language.spec import Spec
from gaugeglass.publication import numbers, page
from gaugeglass.publication.calibrations import calibration_section
from gaugeglass.publication.sheet import Picture
from gaugeglass.record.calibrations import Recorded
from gaugeglass.record.redaction import public_calibration

_MOST_ROWS = 16
"""Quantities from which their table is folded away."""


def calibration_page(spec: Spec, made: Recorded, pictures: Sequence[Picture]) -> str:
    """A calibration as one HTML text, in which nothing is private.

    Parameters
    ----------
    spec
        What was calibrated on.
    pictures
        As `gaugeglass.publication.reckonings.calibration_pictures` draws them.
    """
    return page.environment().get_template("calibration_page.html.j2").render(
        subject=spec.dossier.subject, style=page.style(), fixed_caution=page.FIXED_CAUTION,
        cautions=page.cautions(spec), c=calibration_section(public_calibration(made, spec), spec),
        quantity_pictures=[p for p in pictures if not p.name.endswith("chances")],
        chance_pictures=[p for p in pictures if p.name.endswith("chances")],
        command=command(spec, made), facts=_facts(made), most_rows=_MOST_ROWS,
    )  # fmt: skip


def command(spec: Spec, made: Recorded) -> str:
    """The command that calibrates in the same way again."""
    found = made.found
    file = shlex.quote(f"observations/{PurePath(spec.dossier.file).name or f'{found.dossier}.yaml'}")
    truths = "" if found.truths == "prior" else f" --truths {found.truths}"
    return f"gaugeglass calibrate {file} --simulations {found.simulations}{truths} --seed {found.seed}"


def _facts(made: Recorded) -> list[tuple[str, str]]:
    found = made.found
    return [
        ("Simulations", f"{numbers.fixed(found.simulations, 0)}, with truths of the {found.truths}"),
        ("Seed", str(found.seed)),
        ("Versions", ", ".join(f"{name} {number}" for name, number in made.versions.items())),
    ]
