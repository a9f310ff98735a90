"""Fan-out: many jobs of one task in this process, in processes of this machine, or on a cluster given by its address.

A job's result depends on the task and the job alone, so that all three give the same numbers, and so that a job whose
worker died is simply done again. A worker is handed the task once and prepares it for itself: it compiles its own
density, for no machine code travels.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import subprocess
import sys
import threading
import zlib
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.metadata import version
from typing import Any, Protocol

from gaugeglass.errors import InferenceError

_MOST_DEATHS = 3
"""Workers that one job may outlive before it is given up. [1]"""
_PATIENCE = "30s"
"""How long a cluster may take to answer, and to have a worker."""
_AHEAD = 2
"""Jobs that a cluster holds for each of its threads. [1]"""
_TASKS_HELD = 2
"""Tasks that a worker of a cluster keeps prepared. [1]"""
_LETTERS = 32  # of a key, 16 bytes: enough to tell jobs apart


class Task(Protocol):
    """What is done of many jobs; it travels to workers, so it is made of plain data."""

    def prepare(self) -> Any:
        """What all jobs need and what does not travel, made once a process."""

    def do(self, prepared: Any, job: Any) -> Any:
        """One job's result, of types that JSON has; it may raise what ends everything."""


class Kept(Protocol):
    """Results that outlive an interruption."""

    @property
    def known(self) -> Mapping[str, Any]:
        """Results that are there, by the key of their job."""

    def add(self, key: str, result: Any) -> None:
        """Keep one more; called by one thread at a time."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where jobs are done: on a ``cluster`` (``tcp://HOST:PORT``), in so many ``processes``, else in threads here."""

    processes: int | None = None
    cluster: str | None = None

    def __post_init__(self) -> None:
        if self.processes is not None and self.cluster is not None:
            raise ValueError("processes of this machine or a cluster, not both")
        if self.processes is not None and self.processes < 1:
            raise ValueError(f"found {self.processes} processes where 1 or more are needed")

    def or_every_core(self) -> Place:
        """The same; a process for each core of this machine where neither was asked for.

        Threads of one process wait for each other's Python about half of the time.
        """
        return Place(processes=os.process_cpu_count() or 1) if self == HERE else self


HERE = Place()


def fan_out(
    task: Task, jobs: Sequence[Any], place: Place = HERE, *, kept: Kept | None = None,
    advance: Callable[[int, int], None] = lambda done, of: None,
) -> list[Any]:  # fmt: skip
    """The result of every job, in the order of the jobs.

    Parameters
    ----------
    jobs
        Plain data; equal jobs have equal results.
    kept
        Where results are kept as they come; what is there is not done again.
    advance
        Called after each result with how many there are, and of how many.

    Raises
    ------
    InferenceError
        If a cluster does not answer, or a job ends one worker after another.
    """
    keys = [key_of(job) for job in jobs]
    known = {} if kept is None else kept.known
    results = {k: known[key] for k, key in enumerate(keys) if key in known}
    advance(len(results), len(jobs))
    lock = threading.Lock()

    def report(k: int, result: Any) -> None:
        with lock:
            results[k] = result
            if kept is not None:
                kept.add(keys[k], result)
            advance(len(results), len(jobs))

    open_jobs = [(k, job) for k, job in enumerate(jobs) if k not in results]
    if open_jobs and place.cluster is not None:
        _on_cluster(task, open_jobs, place.cluster, report)
    elif open_jobs and place.processes is not None:
        _in_processes(task, open_jobs, min(place.processes, len(open_jobs)), report)
    elif open_jobs:
        _in_threads(task, open_jobs, report)
    return [results[k] for k in range(len(jobs))]


def key_of(job: Any) -> str:
    """What a job is known by from one process to the next."""
    return hashlib.sha256(repr(job).encode()).hexdigest()[:_LETTERS]


# --- here ---------------------------------------------------------------------------------------------------

type _Report = Callable[[int, Any], None]
type _Jobs = Sequence[tuple[int, Any]]


def _in_threads(task: Task, jobs: _Jobs, report: _Report) -> None:
    prepared = task.prepare()
    _tend(jobs, os.process_cpu_count() or 1, lambda: _Here(task, prepared), report)


class _Worker(Protocol):
    """What does jobs, one at a time."""

    def do(self, job: Any) -> Any:
        """A job's result; ``_Died`` where the worker is gone."""

    def end(self) -> None:
        """Leave nothing behind, at once."""


class _Died(Exception):
    """A worker is gone."""


@dataclass(frozen=True, eq=False)
class _Here:
    """A worker that is no other process."""

    task: Task
    prepared: Any

    def do(self, job: Any) -> Any:
        return self.task.do(self.prepared, job)

    def end(self) -> None:
        """Nothing is held."""


def _tend(jobs: _Jobs, count: int, make: Callable[[], _Worker], report: _Report) -> None:
    """Threads that take one job after another, each to a worker of its own; where one fails, all stop."""
    bench = _Bench(deque(jobs), make, report)
    with ThreadPoolExecutor(count) as pool:
        try:
            done, _ = wait([pool.submit(bench.tend) for _ in range(count)], return_when=FIRST_EXCEPTION)
        finally:
            bench.close()
    for future in done:
        future.result()


@dataclass(frozen=True)
class _Bench:
    """Jobs that wait, and the workers that they are taken to."""

    waiting: deque[tuple[int, Any]]
    make: Callable[[], _Worker]
    report: _Report
    stop: threading.Event = field(default_factory=threading.Event)
    workers: list[_Worker] = field(default_factory=list)

    def tend(self) -> None:
        """Take jobs to one worker until none is left; to another where it dies."""
        worker = self._another()
        while not self.stop.is_set():
            try:
                k, job = self.waiting.popleft()
            except IndexError:
                return
            for _ in range(_MOST_DEATHS):
                with contextlib.suppress(_Died):
                    self.report(k, worker.do(job))
                    break
                if self.stop.is_set():
                    return
                worker.end()
                worker = self._another()
            else:
                raise InferenceError(f"job {k} was given up: {_MOST_DEATHS} workers died over it")

    def _another(self) -> _Worker:
        worker = self.make()
        self.workers.append(worker)
        return worker

    def close(self) -> None:
        """End all workers, those at work too."""
        self.stop.set()
        for worker in self.workers:
            worker.end()


# --- processes of this machine ------------------------------------------------------------------------------


def _in_processes(task: Task, jobs: _Jobs, count: int, report: _Report) -> None:
    packed = _packed(task)
    _tend(jobs, count, lambda: _Process(packed), report)


class _Process:
    """A process that does jobs; it ends when it is told to, or when this one does."""

    def __init__(self, packed: bytes) -> None:
        paths = os.pathsep.join(path for path in sys.path if path)
        self._process = subprocess.Popen(  # noqa: S603 - this program itself
            [sys.executable, "-P", "-c", f"from {__name__} import serve; serve()"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": paths},
            start_new_session=True,  # an interrupt is for this process, which then ends that one
        )  # fmt: skip
        self._packed: bytes | None = packed

    @property
    def pid(self) -> int:
        return self._process.pid

    def do(self, job: Any) -> Any:
        inward, outward = self._process.stdin, self._process.stdout
        if inward is None or outward is None:
            raise _Died
        try:
            if self._packed is not None:
                pickle.dump(self._packed, inward)
                self._packed = None
            pickle.dump(job, inward)
            inward.flush()
            problem, result = pickle.load(outward)  # noqa: S301 - of a process of our own
        except (EOFError, OSError, ValueError, pickle.UnpicklingError) as gone:
            raise _Died from gone
        if problem is not None:
            raise problem
        return result

    def end(self) -> None:
        self._process.kill()
        self._process.wait()


def serve() -> None:
    """Do jobs as they come in by stdin, until it is closed; whatever else writes to stdout goes to stderr."""
    inward, outward = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    packed = pickle.load(inward)  # noqa: S301 - of the process that started this one
    with contextlib.suppress(EOFError, BrokenPipeError):
        while True:
            job = pickle.load(inward)  # noqa: S301 - as above
            pickle.dump(_answer(packed, job), outward)
            outward.flush()


def _answer(packed: bytes, job: Any) -> tuple[Exception | None, Any]:
    """What went wrong, or the result."""
    try:
        return None, _do_there(packed, job)
    except Exception as problem:  # handed on, whatever it is
        return _portable(problem), None


def _portable(problem: Exception) -> Exception:
    """An exception that travels as it is, or its words."""
    try:
        pickle.loads(pickle.dumps(problem))  # noqa: S301 - just made
    except Exception:  # each type fails in its own way
        return InferenceError(f"{type(problem).__name__}: {problem}")
    return problem


def _packed(task: Task) -> bytes:
    return zlib.compress(pickle.dumps((version("gaugeglass"), task)))


def _do_there(packed: bytes, job: Any) -> Any:
    """One job in a process that was handed the task as bytes."""
    with _PREPARING:
        task, prepared = _prepared(packed)
    return task.do(prepared, job)


_PREPARING = threading.Lock()


@lru_cache(_TASKS_HELD)
def _prepared(packed: bytes) -> tuple[Task, Any]:
    own, task = pickle.loads(zlib.decompress(packed))  # noqa: S301 - of whoever runs this cluster
    if own != version("gaugeglass"):
        raise InferenceError(f"found gaugeglass {version('gaugeglass')} on a worker where {own} is needed")
    return task, task.prepare()


# --- a cluster ----------------------------------------------------------------------------------------------


def _on_cluster(task: Task, jobs: _Jobs, address: str, report: _Report) -> None:
    """Hand jobs to a cluster, a few for each of its threads at a time; it does again what its dead workers held."""
    try:
        import distributed
    except ImportError as problem:
        raise InferenceError("a cluster needs the extra 'cluster': pip install 'gaugeglass[cluster]'") from problem
    packed, waiting = _packed(task), deque(jobs)
    with _client(distributed, address) as client:
        places: dict[Any, int] = {}
        ended = distributed.as_completed(loop=client.loop)

        def hand_over() -> None:
            while waiting and len(places) < _AHEAD * max(sum(client.ncores().values()), 1):
                k, job = waiting.popleft()
                future = client.submit(_do_on_cluster, packed, job, pure=False)
                places[future] = k
                ended.add(future)

        hand_over()
        for future in ended:
            try:
                report(places.pop(future), future.result())
            except distributed.KilledWorker as problem:
                raise InferenceError(f"a job was given up: {problem}") from problem
            hand_over()


def _do_on_cluster(packed: bytes, job: Any) -> Any:
    """One job on a worker of a cluster, where libraries that know Dask must not take the job for work of their own."""
    import dask

    with dask.config.set(scheduler="synchronous"):
        return _do_there(packed, job)


@contextlib.contextmanager
def _client(distributed: Any, address: str) -> Iterator[Any]:
    try:
        client = distributed.Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError) as problem:
        raise InferenceError(f"no cluster answers at {address}: {problem}") from problem
    with client:
        try:
            client.wait_for_workers(1, timeout=_PATIENCE)
        except TimeoutError as problem:
            raise InferenceError(f"the cluster at {address} has no worker") from problem
        yield client
