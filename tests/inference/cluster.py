"""A real cluster on this machine, for tests: a scheduler and workers, each a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest


class Cluster:
    """A scheduler and workers, each a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.file = folder, folder / "scheduler.json"
        self.scheduler = self._start("scheduler", "--port", "0", "--no-dashboard", "--scheduler-file", str(self.file))
        self.workers = [self.start_worker() for _ in range(2)]

    def _start(self, kind: str, *more: str) -> subprocess.Popen[bytes]:
        code = f"import sys; from distributed.cli import dask_{kind} as it; sys.exit(it.main())"
        env = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
        host = ("--host", "127.0.0.1")
        return subprocess.Popen(
            [sys.executable, "-c", code, *host, *more], cwd=self.folder, env=env,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def start_worker(self) -> subprocess.Popen[bytes]:
        return self._start(
            "worker", "--scheduler-file", str(self.file), "--no-nanny", "--no-dashboard", "--nthreads", "1"
        )

    @property
    def address(self) -> str:
        for _ in range(600):
            if self.file.is_file() and (text := self.file.read_text()).strip().endswith("}"):
                return str(json.loads(text)["address"])
            time.sleep(0.1)
        raise AssertionError("the scheduler did not start")

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    (tmp_path / "cluster").mkdir()
    made = Cluster(tmp_path / "cluster")
    yield made
    made.close()
