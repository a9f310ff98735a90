"""What a posterior says of itself."""

from __future__ import annotations

from gaugeglass.inference.posterior import infer
from gaugeglass.language.files import specify


def test_draws_without_a_value_are_told_of() -> None:
    """The root of a normal quantity of mean 1 and sd 1 has no value where that is below 0: 15.9 % of the prior."""
    latent = {"about": "A length", "unit": "m", "because": "Invented"}
    model = {
        "title": "A root",
        "latents": {"b": latent | {"prior": {"family": "normal", "mean": "1 m", "sd": "1 m"}}},
        "relations": {"root": {"unit": "1", "equals": "sqrt(b / 1 [m])"}},
        "methods": {"tape": {"about": "A tape", "measures": "b", "likelihood": {"family": "normal"}}},
        "claims": {"long": {"says": "Its root is above 1", "holds": "root > 1"}},
    }
    read = {"id": "r", "method": "tape", "value": "1.0 ± 2 m"}
    posterior = infer(specify(model, {"dossier": "d", "subject": "A root", "observations": [read]}), seed=1)
    assert posterior.note.startswith("root has no value in 15.") or posterior.note.startswith(
        "root has no value in 16."
    )
    assert posterior.note.endswith("verdicts say what that leaves open, and intervals leave them out")


def test_where_all_have_values_nothing_is_told(gravitation) -> None:
    assert gravitation.note == ""
