"""What cannot be sampled is refused in plain words, before or instead of what the sampler would say."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from gaugeglass.errors import InferenceError
from gaugeglass.inference import nuts
from gaugeglass.inference.density import compile_density
from gaugeglass.inference.sampling import Settings, fit
from gaugeglass.language.files import specify
from gaugeglass.language.spec import Spec

MODEL: dict[str, Any] = {
    "title": "A square lid",
    "givens": {"area": {"about": "Area of the lid", "unit": "m**2", "default": "4 m**2"}},
    "latents": {
        "stretch": {"about": "How far the tape has stretched", "unit": "1", "because": "Invented",
                    "prior": {"family": "lognormal", "median": 1, "sigma": 0.1}},
    },
    "methods": {"tape": {"about": "A tape along one side", "measures": "sqrt(area) * stretch", "unit": "m",
                         "likelihood": {"family": "normal"}}},
    "claims": {"long": {"says": "The tape is stretched", "holds": "stretch > 1"}},
}  # fmt: skip


def lid(value: str, **sections: Any) -> Spec:
    observations = [{"id": "side", "method": "tape", "value": value}]
    return specify(MODEL, {"dossier": "lid", "subject": "A lid", "observations": observations, **sections})


def refused(spec: Spec) -> str:
    density = compile_density(spec)
    with pytest.raises(InferenceError) as refusal:
        fit(density, density.dials(spec.hypotheses[0].name), Settings(seed=1, draws=100))
    return str(refusal.value)


def test_evidence_that_is_impossible_wherever_chains_could_start_is_refused_before_they_do() -> None:
    said = refused(lid("2.1 ± 0.1 m", givens={"area": "-4 m**2"}))
    assert said.startswith("the evidence is impossible, or too improbable to compute, wherever chains could start")


class PanicException(BaseException):
    """What a panic in the sampler becomes."""


def test_a_panic_of_the_sampler_is_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is no Exception of Python, so that nothing else would catch it."""

    def wait(timeout: float | None) -> None:
        raise PanicException("called `unwrap()` on an `Err` value\n\nStack backtrace:\n   0: <unknown>")

    library = nuts._library()
    panicking = SimpleNamespace(**{name: getattr(library, name) for name in dir(library) if name.startswith("Py")})
    panicking.LogpFunc, panicking.ExpandFunc, panicking.ProgressType = (
        library.LogpFunc,
        library.ExpandFunc,
        library.ProgressType,
    )
    panicking.PySampler = SimpleNamespace(from_pymc=lambda *rest: SimpleNamespace(wait=wait))
    monkeypatch.setattr(nuts, "_library", lambda: panicking)
    said = refused(lid("2.1 ± 0.1 m"))
    assert said.splitlines()[0] == "the sampler stopped: called `unwrap()` on an `Err` value"
    assert "wrong by powers of ten" in said


def test_a_model_without_anything_unknown_is_refused() -> None:
    sure = {key: part for key, part in MODEL.items() if key not in ("latents", "claims")}
    sure["methods"] = {"tape": MODEL["methods"]["tape"] | {"measures": "sqrt(area)"}}
    observations = [{"id": "side", "method": "tape", "value": "2.1 ± 0.1 m"}]
    spec = specify(sure, {"dossier": "lid", "subject": "A lid", "observations": observations})
    with pytest.raises(InferenceError, match="no latent, so that there is nothing to infer"):
        compile_density(spec)
