"""The files of an invented tank: one quantity, one method, one claim."""

from __future__ import annotations

from pathlib import Path

MODEL = """\
format: 1
title: A tank
latents:
  volume:
    about: Volume of the tank
    unit: L
    prior: {family: lognormal, median: 100 L, sigma: 0.2}
    because: Tanks of this kind
methods:
  filling: {about: Fill it and count, measures: volume, likelihood: {family: normal}}
claims:
  large: {says: The tank holds more than 100 L, holds: volume > 100 L}
"""
DOSSIER = """\
format: 1
dossier: tank
model: tank
subject: An invented tank
observations:
"""


def lay_out(place: Path, observations: str, *, model: str = MODEL) -> Path:
    """Write a workspace whose dossier has these observations, by this model or by another; the dossier's file."""
    for kind, text in (("models", model), ("observations", DOSSIER + observations)):
        (place / kind).mkdir()
        (place / kind / "tank.yaml").write_text(text)
    return place / "observations" / "tank.yaml"
