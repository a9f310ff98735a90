"""What tests of several folders share: a way to their helper modules, and the runs that are too long to repeat."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import settings

TESTS = Path(__file__).parent
sys.path.insert(0, str(TESTS))  # for demo_truth and references.estimates

OBSERVATIONS = TESTS.parent / "observations"

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program itself does, before NumPy is loaded

settings.register_profile("gaugeglass", deadline=None)  # that a machine is busy is no fault, and none to be shrunk
settings.load_profile("gaugeglass")


@pytest.fixture(scope="session")
def gravitation():
    """Posterior of the shipped dossier of values of the constant of gravitation."""
    from gaugeglass.inference.posterior import infer
    from gaugeglass.language.files import load

    return infer(load(OBSERVATIONS / "gravitation.yaml"), seed=1)


@pytest.fixture(scope="session")
def heron():
    """Posterior of the demo dossier."""
    from gaugeglass.inference.posterior import infer
    from gaugeglass.language.files import load

    return infer(load(OBSERVATIONS / "heron-35.yaml"), seed=1)
