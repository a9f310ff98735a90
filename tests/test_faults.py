"""Would a reader understand it? One broken input a folder, the exact message beside it.

A folder holds ``dossier.yaml`` or ``model.yaml``, or a whole workspace with ``observations/tank.yaml``. The folder of
the cases is itself a workspace, so that a dossier finds ``models/tank.yaml`` and ``models/fleet.yaml`` there.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from gaugeglass.errors import SpecError
from gaugeglass.language.files import check

CASES = Path(__file__).parent / "faults"
FILES = ("dossier.yaml", "model.yaml", "observations/tank.yaml")


@pytest.mark.parametrize("case", sorted(p.parent.name for p in CASES.glob("*/expected.txt")))
def test_message_is_what_a_reader_should_see(case: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(CASES / case)
    file = next(name for name in FILES if Path(name).exists())
    message = str(SpecError(check(file).faults))
    assert message + "\n" == Path("expected.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("model", ["tank", "fleet"])
def test_the_models_that_the_cases_share_are_sound(model: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(CASES)
    assert check(f"models/{model}.yaml").faults == ()


def test_every_folder_has_a_message() -> None:
    folders = {p.name for p in CASES.iterdir() if p.is_dir() and p.name != "models"}
    assert folders == {p.parent.name for p in CASES.glob("*/expected.txt")}
