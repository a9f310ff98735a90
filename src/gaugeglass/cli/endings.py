"""How the program ends: by its exit status, and in plain words."""

from __future__ import annotations

import errno
import io
import os
import sys
import traceback
from collections.abc import Sequence

import click

from gaugeglass.cli.printing import fault_rows, print_json, say
from gaugeglass.cli.program import BUG, DONE, FAULTY, INTERRUPTED, REFUSED, STORE, USAGE, gaugeglass
from gaugeglass.errors import InferenceError, SpecError, StoreError

_COMPLETING = "_GAUGEGLASS_COMPLETE"
"""Set in the environment by a shell that asks for completions."""
_LONGEST = 60


def main() -> None:
    """Run the command line and leave with its exit status."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # matrices are small here, and threads work on many of them
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit status; nothing but that tells how it ended."""
    try:
        status = gaugeglass.main(list(arguments), prog_name="gaugeglass", standalone_mode=False)
        if sys.stdout is not None:  # as it is where it was closed before
            sys.stdout.flush()
    except click.ClickException as problem:
        problem.show()
        return USAGE
    except (click.Abort, KeyboardInterrupt) as problem:
        say("\n".join(["interrupted", *getattr(problem.__cause__ or problem, "__notes__", ())]))  # Abort is click's
        return INTERRUPTED
    except (BrokenPipeError, SystemExit):  # click leaves by itself where stdout was closed, and after completing a word
        if _COMPLETING in os.environ:
            raise
        return _without_stdout()
    except (SpecError, InferenceError, StoreError) as problem:
        return _failed(problem, as_json="--json" in arguments)
    except Exception as problem:  # the last resort, which says that it is a bug
        return _bug(problem, with_traceback="--traceback" in arguments)
    return int(status or DONE)


def _failed(problem: SpecError | InferenceError | StoreError, *, as_json: bool) -> int:
    if as_json and isinstance(problem, SpecError):
        print_json({"format": "gaugeglass.check/1", "files": [], "faults": fault_rows(problem.faults), "warnings": []})
    elif as_json:
        print_json({"format": "gaugeglass.failure/1", "message": str(problem)})
    say("\n".join([str(problem), *getattr(problem, "__notes__", ())]))
    if isinstance(problem, SpecError):
        return FAULTY
    return REFUSED if isinstance(problem, InferenceError) else STORE


def _bug(problem: Exception, *, with_traceback: bool) -> int:
    if isinstance(problem, OSError) and problem.errno == errno.ENAMETOOLONG:  # which nothing else has to ask about
        say(f"{str(problem.filename)[:_LONGEST]}…: a name that is too long for a file")
        return USAGE
    if isinstance(problem, OSError) and problem.errno == errno.ENOSPC:  # of stdout: a store says it of itself
        say(f"not all could be printed: {problem.strerror}")
        _without_stdout()
        return STORE
    if with_traceback:
        traceback.print_exception(problem)
    else:
        say(f"a bug of gaugeglass: {type(problem).__name__}: {problem}")
        say("'gaugeglass --traceback COMMAND' shows where it struck")
    return BUG


def _without_stdout() -> int:
    """End quietly when whoever read stdout has left; what Python still wants to flush goes nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return DONE
