"""How the leading verdict is said in one sentence."""

from __future__ import annotations

import dataclasses

import pytest

from gaugeglass.judgement.verdicts import _sentence
from publication import water_tank


@pytest.mark.parametrize(
    ("lowest", "highest", "said"),
    [
        (0.21, 0.9, "21 % to 90 % over the prior widths tried"),
        (0.9993, 0.9999, "above 99.9 % over all prior widths tried"),
        (0.9961, 0.9964, "99.6 % over all prior widths tried"),
    ],
)
def test_a_range_whose_ends_read_alike_is_said_once(lowest: float, highest: float, said: str) -> None:
    verdict = dataclasses.replace(water_tank.assessment().verdicts[0], lowest=lowest, highest=highest)
    told = _sentence("A tank", verdict, badly=False)
    assert f"; {said})" in told or f" ({said})" in told
