"""Inference from public scraps: hidden quantities, rival explanations, honest verdicts.

``load`` reads a dossier, ``infer`` weighs its evidence, ``judge`` says what follows, ``publish`` records it. Nothing
slow is imported before it is used.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gaugeglass.errors import Fault, InferenceError, SpecError, StoreError
    from gaugeglass.inference.posterior import Posterior, infer
    from gaugeglass.judgement.audit import audit
    from gaugeglass.judgement.candidates import rank_candidates
    from gaugeglass.judgement.findings import Audit
    from gaugeglass.judgement.results import Assessment
    from gaugeglass.judgement.verdicts import judge
    from gaugeglass.language.files import check, load, specify
    from gaugeglass.language.spec import Spec
    from gaugeglass.language.writing import add, withdraw

__all__ = [
    "Assessment",
    "Audit",
    "Fault",
    "InferenceError",
    "Posterior",
    "Spec",
    "SpecError",
    "StoreError",
    "add",
    "audit",
    "check",
    "infer",
    "judge",
    "load",
    "make_public",
    "publish",
    "rank_candidates",
    "record_run",
    "specify",
    "withdraw",
]

_HOMES = {
    "Assessment": "judgement.results",
    "Audit": "judgement.findings",
    "Fault": "errors",
    "InferenceError": "errors",
    "Posterior": "inference.posterior",
    "Spec": "language.spec",
    "SpecError": "errors",
    "StoreError": "errors",
    "add": "language.writing",
    "audit": "judgement.audit",
    "check": "language.files",
    "infer": "inference.posterior",
    "judge": "judgement.verdicts",
    "load": "language.files",
    "rank_candidates": "judgement.candidates",
    "specify": "language.files",
    "withdraw": "language.writing",
}


def publish(posterior: Posterior, assessment: Assessment, *, reports: str | Path = "reports") -> Path:
    """Record the run, and beside it the public form, in which whatever is private is redacted.

    Parameters are those of ``record_run``, and so is what it raises; SpecError where a private text also stands in a
    part that is not private.

    Returns
    -------
    Path
        The folder of the public form; the page in it is ``report.html``.
    """
    return make_public(record_run(posterior, assessment, reports=reports))


def make_public(run: str | Path) -> Path:
    """Make the public form of the run in a folder, beside it, from what was recorded; its folder is returned."""
    from gaugeglass.publication.figures import pictures
    from gaugeglass.publication.page import page
    from gaugeglass.record import redaction, runs

    own = runs.read(Path(run))
    private = own.spec()
    spec, assessment = redaction.public_form(private), redaction.public_assessment(own.assessment, private)
    drawn = pictures(spec, assessment, *own.draws())
    return runs.write_public(own, spec, assessment, drawn, page(spec, assessment, drawn, runs.facts(own.about)))


def record_run(posterior: Posterior, assessment: Assessment, *, reports: str | Path = "reports") -> Path:
    """Draw the pictures, write the page and record the run, private parts and all.

    Parameters
    ----------
    posterior, assessment
        What ``infer`` and ``judge`` gave.
    reports
        The folder of reports, in which the run gets a folder of its own.

    Returns
    -------
    Path
        The run's folder; the page in it is ``report.html``.

    Raises
    ------
    StoreError
        If the run cannot be written.
    """
    from gaugeglass.publication.figures import pictures
    from gaugeglass.publication.page import page
    from gaugeglass.record import runs

    spec = posterior.spec
    drawn = pictures(spec, assessment, posterior.prior_mixture, posterior.mixture)
    text = page(spec, assessment, drawn, runs.facts(runs.about(posterior)))
    return runs.write(posterior, assessment, drawn, text, Path(reports))


def _represent() -> None:
    """Let results show themselves in a notebook; only here is there someone who knows both results and tables."""
    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.judgement.results import Assessment

    Assessment._repr_html_ = _shown("assessment_html")  # type: ignore[attr-defined]
    Posterior._repr_html_ = _shown("posterior_html")  # type: ignore[attr-defined]


def _shown(table: str) -> Callable[[object], str]:
    def show(result: object) -> str:
        from gaugeglass.publication import tables

        html: str = getattr(tables, table)(result)
        return html

    return show


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'gaugeglass' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"gaugeglass.{_HOMES[name]}"), name)
    globals()[name] = value
    if name in ("infer", "judge"):
        _represent()
    return value


def __dir__() -> list[str]:
    return sorted({*__all__, *globals()})
