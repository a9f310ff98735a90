"""Givens that count something take whole numbers alone, wherever they are stated."""

from __future__ import annotations

from typing import Any

import pytest

from gaugeglass.errors import Fault, SpecError
from gaugeglass.language.alternatives import alter, check_alternative
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Alternative, Spec
from vessel import MODEL, dossier, faults

COUNTED: dict[str, Any] = {
    **MODEL,
    "givens": {
        "axles": {"about": "Axles", "unit": "1", "whole": True},
        "factor": {"about": "A factor", "unit": "1", "default": 1.5},
    },
    "relations": {"load": {"unit": "kg", "equals": "factor * mass / axles"}},
}
ALLOWED = "a whole number, as the model says of this given"


def read(axles: float | str) -> Spec:
    return specify(COUNTED, dossier(givens={"axles": axles}))


@pytest.mark.parametrize("axles", [2, "3", 4.0, 0.5e1])
def test_a_count_is_a_whole_number(axles: float | str) -> None:
    assert read(axles).givens["axles"] == float(axles)


@pytest.mark.parametrize("axles", [6.5, "6.5", "250 %"])
def test_a_count_that_is_none_is_refused(axles: float | str) -> None:
    assert faults(COUNTED, dossier(givens={"axles": axles})) == (
        Fault("dossier", None, "givens.axles", f"'{axles}'", ALLOWED),
    )


def test_what_if_a_count_were_none_is_refused_as_the_file_is() -> None:
    (fault,) = check_alternative(read(2), Alternative(givens={"axles": "6.5"}), as_options=True).faults
    assert (fault.field, fault.found, fault.allowed) == ("--given axles", "'6.5'", ALLOWED)
    with pytest.raises(SpecError, match="a whole number"):
        alter(read(2), givens={"axles": 6.5})
    assert alter(read(2), givens={"axles": 3}).givens["axles"] == 3


def test_what_does_not_count_may_be_any_number() -> None:
    assert alter(read(2), givens={"factor": 2.5}).givens["factor"] == 2.5


@pytest.mark.parametrize(("stated", "field"), [({"default": 2.5}, "default"), ({"whole": "yes"}, "whole")])
def test_the_model_itself_is_held_to_it(stated: dict[str, Any], field: str) -> None:
    axles = {"about": "Axles", "unit": "1", "whole": True, **stated}
    model = {**COUNTED, "givens": {**COUNTED["givens"], "axles": axles}}
    assert [fault.field for fault in faults(model, dossier(givens={"axles": 2}))] == [f"givens.axles.{field}"]
