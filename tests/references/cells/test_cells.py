"""Cells in series and parallel, by the relations of the shipped pack model."""

from __future__ import annotations

import pytest

from references.pack import model, predicted, relate


def test_reference_cell_has_250_watt_hours_a_kilogram() -> None:
    """Common practice, no source: a 21700 cell of about 17.5 Wh and 70 g is 250 Wh/kg. Exact arithmetic."""
    found = relate(cell_energy=17.5, cell_specific_energy=250.0)
    assert found["cell_mass"] == pytest.approx(0.070, rel=1e-12)
    defaults = {g.name: g.value for g in model().givens}
    assert defaults["reference_cell_energy"] == 17.5
    assert defaults["reference_cell_mass"] == 0.070
    assert found["reference_cells"] == pytest.approx(found["cell_count"], rel=1e-12)
    assert found["reference_cells_mass"] == pytest.approx(found["cells_mass"], rel=1e-12)


def test_series_adds_voltage_and_parallel_adds_charge() -> None:
    """Common practice, no source. An invented pack of 96 groups of 46 cells of 3.6 V and 17.5 Wh; exact arithmetic.

    Voltage 96 × 3.6 V = 345.6 V, charge 46 × 17.5/3.6 Ah = 223.61 Ah, energy 96 × 46 × 17.5 Wh = 77.28 kWh, which is
    voltage times charge.
    """
    found = relate(cells_per_group=46, groups_per_module=12, modules=8, cell_energy=17.5, cell_nominal_voltage=3.6)
    assert found["cell_count"] == 4416
    assert found["module_voltage"] == pytest.approx(43.2, rel=1e-12)
    assert found["pack_voltage"] == pytest.approx(345.6, rel=1e-12)
    assert found["pack_charge"] == pytest.approx(46 * 17.5 / 3.6, rel=1e-12)
    assert found["gross"] == pytest.approx(77.28, rel=1e-12)
    assert found["pack_voltage"] * found["pack_charge"] / 1000 == pytest.approx(found["gross"], rel=1e-12)
    assert 8 * found["module_energy"] == pytest.approx(found["gross"], rel=1e-12)


def test_mass_in_running_order_includes_the_driver() -> None:
    """Mass in running order is curb mass and a driver of 75 kg (from memory); curb mass has no driver. Exact."""
    found = relate()
    assert predicted("running_order_mass", found) - found["curb_mass"] == pytest.approx(75, rel=1e-12)
