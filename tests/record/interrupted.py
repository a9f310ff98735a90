"""A process that lets others record runs, and kills, interrupts or starves them, or lets several of them work at once.

``python interrupted.py HOW PICKLE REPORTS`` with what is to be recorded in a pickle. It has one thread, so that forking
it is safe whatever the tests have started, and prints what it saw as JSON.
"""

from __future__ import annotations

import json
import os
import pickle
import random
import resource
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from gaugeglass.errors import StoreError
from gaugeglass.record import runs
from gaugeglass.record.store import HIDDEN

TRIALS, LONGEST = 12, 0.05
"""How many processes are struck, and how long one is left alone at most. [s]"""
PROCESSES, RUNS = 4, 5

type Writer = Callable[[], object]


def forked(work: Callable[[], int]) -> int:
    """The number of a process that does some work and ends with its status."""
    child = os.fork()
    if child == 0:
        os._exit(work())
    return child


def striking(write: Writer, sign: int, place: Path) -> dict[str, int]:
    """Strike processes that record one run after the other; how many ended, and how much they left half written.

    Every second one is struck while a run is being written, however busy the machine is; the others at any moment.
    """
    chance, ended, left = random.Random(1), 0, 0
    for trial in range(TRIALS):
        before = half(place)
        ready, tell = os.pipe()
        child = forked(lambda tell=tell: writing(write, tell))
        os.read(ready, 1)
        time.sleep(chance.uniform(0, LONGEST))
        if trial % 2:
            halt_while_writing(child, place, before)
        whole = count(place)
        os.kill(child, sign)
        os.kill(child, signal.SIGCONT)
        while os.waitpid(child, os.WNOHANG) == (0, 0):
            if count(place) > whole + 1:  # it goes on: a library may swallow an interrupt, as from a callback
                whole = count(place)
                os.kill(child, sign)
            time.sleep(0.001)
        ended += 1
        left += len(half(place) - before)
    return {"ended": ended, "left": left}


def halt_while_writing(child: int, place: Path, before: set[Path]) -> None:
    """Halt a process at a moment when more is half written than was before."""
    while True:
        if half(place) - before:
            os.kill(child, signal.SIGSTOP)
            os.waitpid(child, os.WUNTRACED)
            if half(place) - before:
                return
            os.kill(child, signal.SIGCONT)
        time.sleep(0.001)


def half(place: Path) -> set[Path]:
    """What is there of runs that are not written to the end."""
    return {path for path in place.iterdir() if path.name.startswith(HIDDEN)} if place.exists() else set()


def count(place: Path) -> int:
    """How many runs are there whole."""
    return sum(not path.name.startswith(HIDDEN) for path in place.iterdir())


def writing(write: Writer, tell: int) -> int:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    write()
    os.write(tell, b"!")
    try:
        while True:
            write()
    except KeyboardInterrupt:
        return 0


def at_once(write: Writer) -> dict[str, list[int]]:
    """Several processes that record runs at the same time; how they ended."""
    children = [forked(lambda: [write() for _ in range(RUNS)] and 0) for _ in range(PROCESSES)]
    return {"statuses": [os.waitpid(child, 0)[1] for child in children]}


def starving(write: Writer, room: int) -> dict[str, str]:
    """Record a run where no file may grow beyond so many bytes; what is said."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))
    try:
        write()
    except StoreError as problem:
        return {"refused": str(problem)}
    return {}


def main(how: str, file: str, reports: str) -> None:
    posterior, assessment, picture = pickle.loads(Path(file).read_bytes())  # noqa: S301 - of the test itself
    place = Path(reports) / "tank"

    def write() -> object:
        return runs.write(posterior, assessment, [picture], "<html></html>", Path(reports))

    if how == "at once":
        found: object = at_once(write)
    elif how.isdigit():
        found = starving(write, int(how))
    else:
        found = striking(write, signal.Signals[how], place)
    sys.stdout.write(json.dumps(found))


if __name__ == "__main__":
    main(*sys.argv[1:])
