"""The page's one script: the constants that it has in common with Python, and what is written in its own language."""

from __future__ import annotations

import json
from importlib import resources

from gaugeglass.inference import smoothing
from gaugeglass.judgement import answers, codes, overlaps, pools, results, scalings
from gaugeglass.publication import densities, numbers

SCRIPTS = ("answers.js", "drawings.js", "question.js")
"""What the script is made of, in this order."""
CONSTANTS = {
    "FACTORS": scalings.FACTORS,
    "MOST": codes.MOST,
    "INTERVAL": results.INTERVAL_PROBABILITY,
    "DOUBT": results.DOUBT,
    "NEARLY_SURE": pools.NEARLY_SURE,
    "RIDGE": overlaps.RIDGE,
    "MOST_K": smoothing.MOST_K,
    "FEWEST_IN_TAIL": smoothing.FEWEST_IN_TAIL,
    "PRIOR_K": smoothing.PRIOR_K,
    "PRIOR_SIZE": smoothing.PRIOR_SIZE,
    "FEWEST": answers.FEWEST,
    "FEWEST_OWN": answers.FEWEST_OWN,
    "FEWEST_TOLD": answers.FEWEST_TOLD,
    "FEWEST_OTHERWISE": answers.FEWEST_OTHERWISE,
    "MATTERS": answers.MATTERS,
    "VAGUE": answers.VAGUE,
    "HARDLY_ONE": answers.HARDLY_ONE,
    "NEARLY_ZERO": answers.NEARLY_ZERO,
    "FLAT": answers.FLAT,
    "LITTLE": numbers.LITTLE,
    "PILED": densities.PILED,
    "LEAST_PILED": densities.LEAST_PILED,
    "FINE": densities.FINE,
    "REACH": densities.REACH,
}
"""Numbers by which the page decides as Python does, by the names that they have here and there."""


def script() -> str:
    """The script as it stands in the page."""
    constants = "".join(f"const {name} = {json.dumps(value)};\n" for name, value in CONSTANTS.items())
    return "\n".join([constants, *(own(name) for name in SCRIPTS)])


def own(name: str) -> str:
    """One of the page's own files, as text."""
    return resources.files("gaugeglass.publication").joinpath(name).read_text(encoding="utf-8")
