"""Quantities whose truth has no rank in a simulation: it is told why."""

from __future__ import annotations

from gaugeglass.judgement.calibration import Simulations
from gaugeglass.language.files import specify

MODEL = {
    "title": "An invented tank",
    "latents": {
        "volume": {"about": "Volume", "unit": "L", "because": "invented",
                   "prior": {"family": "lognormal", "median": "100 L", "sigma": 0.2}},
    },
    "relations": {
        "itself": {"unit": "1", "equals": "volume / volume"},
        "nothing": {"unit": "1", "equals": "log(-(volume / 1 L))"},
    },
    "methods": {"filling": {"about": "Fill it", "measures": "volume", "likelihood": {"family": "normal"}}},
}  # fmt: skip


def test_what_has_no_value_or_never_moves_has_no_rank_and_says_so() -> None:
    observations = [{"id": "a", "method": "filling", "value": "101 ± 2 L"}]
    spec = specify(MODEL, {"dossier": "tank", "subject": "A tank", "observations": observations})
    simulations = Simulations(spec, seed=1)
    told = simulations.do(simulations.prepare(), (0,))
    assert told["unranked"] == {"itself": "settled", "nothing": "no value"}
    assert set(told["ranks"]) == {"volume", "log-likelihood"}
