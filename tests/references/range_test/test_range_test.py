"""The range test and its label, by the relations of the shipped pack model."""

from __future__ import annotations

import pytest

from gaugeglass.language.expressions import constant
from gaugeglass.language.units import parse_unit
from references.pack import relate

MILE = 1.609344  # km, exact by definition


def of_case() -> dict[str, float]:
    """The invented case: 75 kWh DC, 84 kWh AC, 210 and 230 Wh/mi, factor 0.7, no reserve."""
    return relate(
        cells_per_group=1, groups_per_module=1, modules=1, cell_energy=75_000.0, buffer=0.0, held_back=0.0,
        discharge_efficiency=1.0, charge_efficiency=75 / 84, city_consumption=210 / MILE, highway_ratio=230 / 210,
        label_factor=0.7,
    )  # fmt: skip


def test_label_of_an_invented_case_follows_from_40_cfr_600() -> None:
    """SAE J1634 as used by 40 CFR 600.116-12, relations partly from a text that quotes them, partly from memory.

    Invented case (recomputed): 75.000 kWh DC and 84.000 kWh AC give the recharge allocation factor 1.12; 210 and
    230 Wh/mi give 357.14 and 326.09 mi, times 0.7 250.00 and 228.26 mi, combined 55 to 45 240.2 mi; consumption 350.40
    Wh/mi. Exact arithmetic: half the last digit is the tolerance.
    """
    found = of_case()
    assert found["usable"] == pytest.approx(75, rel=1e-12)
    assert found["wall_energy"] == pytest.approx(84, rel=1e-12)
    assert pytest.approx(357.14, abs=0.005) == 1 / 0.21 * 75
    assert found["usable"] / found["city_consumption"] * 1000 / MILE == pytest.approx(357.14, abs=0.005)
    assert found["usable"] / found["highway_consumption"] * 1000 / MILE == pytest.approx(326.09, abs=0.005)
    assert found["cycle_range"] / MILE == pytest.approx(0.55 * 357.1429 + 0.45 * 326.0870, abs=0.0005)
    assert found["label_range"] / MILE == pytest.approx(240.2, abs=0.05)
    assert 1000 * found["label_consumption"] * MILE == pytest.approx(350.40, abs=0.005)


def test_harmonic_range_times_label_consumption_is_the_wall_energy() -> None:
    """The same case: harmonic range × label consumption = 84.000 kWh exactly; rounded labels give it to 1.6 %.

    A range rounded to a mile and a consumption rounded to 1 kWh/100 mi are off by at most 0.5/240 + 0.5/35 = 1.64 %.
    Taking the label's consumption for battery energy is wrong by the allocation factor, 12 %.
    """
    found = of_case()
    harmonic = 0.7 * found["usable"] / found["combined_consumption"] * 1000  # km
    assert harmonic * found["label_consumption"] == pytest.approx(84, rel=1e-12)
    rounded = round(harmonic / MILE) * round(100 * found["label_consumption"] * MILE) / 100
    assert rounded == pytest.approx(84, rel=0.5 / 240 + 0.5 / 35)
    assert harmonic * found["label_consumption"] / found["usable"] == pytest.approx(1.12, rel=1e-12)


def test_two_gallons_differ_as_in_10_cfr_474() -> None:
    """10 CFR Part 474, appendix, sample calculation.

    Published: 265 and 220 Wh/mi weighted 0.55 and 0.45 are 244.75 Wh/mi; at 82,049 Wh/gal 335.24 mpg; at 73,844 Wh/gal
    301.71 mpg. On the label's basis of 33,705 Wh/gal the same consumption is 137.71 (recomputed): the basis is a factor
    of 2.43. Half the last digit is the tolerance.
    """
    found = relate(city_consumption=265 / MILE, highway_ratio=220 / 265, charge_efficiency=1.0, label_factor=1.0)
    assert found["combined_consumption"] * MILE == pytest.approx(244.75, abs=0.005)
    for basis, published in ((82_049, 335.24), (73_844, 301.71)):
        economy = constant(f"{basis} [Wh/US_gal] / (244.75 [Wh/mi])", parse_unit("mi/US_gal"))
        assert economy == pytest.approx(published, abs=0.005)
    assert found["label_economy"] == pytest.approx(137.71, abs=0.005)
    assert 335.24 / found["label_economy"] == pytest.approx(2.43, abs=0.005)
