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
    """Strike processes that record one run after the other; how many left something half written, and how they ended."""
    chance, left, ended = random.Random(1), 0, 0
    for _ in range(TRIALS):
        ready, tell = os.pipe()
        child = forked(lambda tell=tell: writing(write, tell))
        os.read(ready, 1)
        time.sleep(chance.uniform(0, LONGEST))
        os.kill(child, sign)
        while os.waitpid(child, os.WNOHANG) == (0, 0):  # a library may swallow an interrupt, as from a callback
            time.sleep(0.02)
            os.kill(child, sign)
        ended += 1
        left += any(path.name.startswith(".") for path in place.iterdir())
    return {"ended": ended, "left": left}


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
