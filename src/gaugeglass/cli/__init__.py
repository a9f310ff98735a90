"""The command line: one function a command. Results go to stdout, progress and warnings to stderr."""

from gaugeglass.cli import (  # noqa: F401 - so that commands join the program
    calibrating,
    comparing,
    editing,
    inferring,
    recorded,
    watching,
)
from gaugeglass.cli.endings import main, run
from gaugeglass.cli.program import EXAMPLES, gaugeglass

__all__ = ["EXAMPLES", "gaugeglass", "main", "run"]
