"""Fan-out: the same results wherever jobs are done, and all of them, whoever dies."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from gaugeglass.errors import InferenceError
from gaugeglass.inference.fanout import HERE, Place, fan_out, key_of
from inference.cluster import Cluster, cluster
from inference.fanned import Faulty, Powers

__all__ = ["cluster"]  # a fixture

JOBS = list(range(12))
TWO = Place(processes=2)


def powers(base: float) -> list[dict[str, float]]:
    return [{"power": base**job, "third": base / 3} for job in JOBS]


@pytest.mark.parametrize("place", [HERE, TWO, Place(processes=1)], ids=["threads", "processes", "one process"])
def test_results_are_in_the_order_of_the_jobs_and_the_same_everywhere(place: Place) -> None:
    told: list[tuple[int, int]] = []
    assert fan_out(Powers(0.1), JOBS, place, advance=lambda done, of: told.append((done, of))) == powers(0.1)
    assert told == [(done, 12) for done in range(13)]


def test_a_worker_prepares_once_and_no_more_start_than_there_are_jobs(tmp_path: Path) -> None:
    fan_out(Powers(2.0, str(tmp_path), seconds=0.02), JOBS, TWO)
    prepared = {p.name for p in tmp_path.glob("prepared-*")}
    assert 1 <= len(prepared) <= 2
    assert f"prepared-{os.getpid()}" not in prepared
    (tmp_path / "one").mkdir()
    fan_out(Powers(2.0, str(tmp_path / "one")), [3], Place(processes=5))
    assert len(list((tmp_path / "one").glob("prepared-*"))) == 1


def test_a_worker_that_dies_is_replaced_and_its_job_done_again(tmp_path: Path) -> None:
    assert fan_out(Powers(2.0, str(tmp_path), deadly=(0, 5)), JOBS, TWO) == powers(2.0)
    done = sorted(map(int, (tmp_path / "done").read_text().split()))
    assert done == sorted([*JOBS, 0, 5])


def test_a_worker_that_is_killed_from_outside_is_replaced(tmp_path: Path) -> None:
    def kill_one() -> None:
        while not (found := list(tmp_path.glob("prepared-*"))):
            time.sleep(0.01)
        os.kill(int(found[0].name.partition("-")[2]), signal.SIGKILL)

    killer = threading.Thread(target=kill_one)
    killer.start()
    assert fan_out(Powers(2.0, str(tmp_path), seconds=0.05), JOBS, TWO) == powers(2.0)
    killer.join()
    assert len(list(tmp_path.glob("prepared-*"))) == 3


def test_a_job_that_ends_every_worker_is_given_up_and_leaves_no_process(tmp_path: Path) -> None:
    with pytest.raises(InferenceError, match="job 5 was given up: 3 workers died over it"):
        fan_out(Powers(2.0, str(tmp_path), deadly=(5,), always=True, seconds=0.01), JOBS, TWO)
    for name in tmp_path.glob("prepared-*"):
        with pytest.raises(ProcessLookupError):
            os.kill(int(name.name.partition("-")[2]), 0)


@pytest.mark.parametrize("place", [HERE, TWO], ids=["threads", "processes"])
def test_what_a_job_raises_is_raised(place: Place) -> None:
    with pytest.raises(LookupError, match="job"):
        fan_out(Faulty(travels=True), JOBS, place)


def test_an_error_that_does_not_travel_is_told_in_words() -> None:
    with pytest.raises(InferenceError, match="SpecError: 1 fault"):
        fan_out(Faulty(travels=False), JOBS, TWO)


class Memory:
    """Results kept in a dictionary."""

    def __init__(self, known: dict[str, Any]) -> None:
        self.known = known

    def add(self, key: str, result: Any) -> None:
        self.known[key] = result


@pytest.mark.parametrize("place", [HERE, TWO], ids=["threads", "processes"])
def test_results_that_are_kept_are_not_done_again(place: Place, tmp_path: Path) -> None:
    kept = Memory({key_of(job): {"kept": job} for job in (2, 7)})
    found = fan_out(Powers(2.0, str(tmp_path)), JOBS, place, kept=kept)
    assert [found[2], found[7]] == [{"kept": 2}, {"kept": 7}]
    assert sorted(map(int, (tmp_path / "done").read_text().split())) == [j for j in JOBS if j not in (2, 7)]
    assert kept.known[key_of(3)] == found[3] == {"power": 8.0, "third": 2 / 3}
    assert len(kept.known) == 12


def test_two_places_at_once_or_no_process_are_refused() -> None:
    with pytest.raises(ValueError, match="not both"):
        Place(processes=2, cluster="tcp://127.0.0.1:1")
    with pytest.raises(ValueError, match="found 0 processes"):
        Place(processes=0)


# --- a cluster ----------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_cluster_gives_the_same_results_though_a_worker_is_killed(cluster: Cluster, tmp_path: Path) -> None:
    place, jobs = Place(cluster=cluster.address), list(range(40))

    def kill_one() -> None:
        done = tmp_path / "done"
        while not done.exists() or len(done.read_text().split()) < 8:
            time.sleep(0.01)
        cluster.workers[0].kill()

    killer = threading.Thread(target=kill_one)
    killer.start()
    found = fan_out(Powers(0.1, str(tmp_path), seconds=0.1), jobs, place)
    killer.join()
    assert found == [{"power": 0.1**job, "third": 0.1 / 3} for job in jobs]
    assert cluster.workers[0].wait() == -signal.SIGKILL
    assert len((tmp_path / "done").read_text().split()) > len(jobs)  # what the dead one held was done again


@pytest.mark.slow
def test_a_job_that_ends_every_worker_of_a_cluster_is_given_up(cluster: Cluster, tmp_path: Path) -> None:
    for _ in range(3):
        cluster.workers.append(cluster.start_worker())
    with pytest.raises(InferenceError, match="a job was given up"):
        fan_out(Powers(2.0, str(tmp_path), deadly=(1,), always=True), [1], Place(cluster=cluster.address))


@pytest.mark.slow
def test_what_a_job_raises_on_a_cluster_is_raised(cluster: Cluster) -> None:
    with pytest.raises(LookupError, match="job"):
        fan_out(Faulty(travels=True), JOBS, Place(cluster=cluster.address))


def test_an_address_without_a_cluster_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gaugeglass.inference.fanout._PATIENCE", "1s")
    with pytest.raises(InferenceError, match=r"no cluster answers at tcp://127\.0\.0\.1:9"):
        fan_out(Powers(2.0), JOBS, Place(cluster="tcp://127.0.0.1:9"))


def test_a_cluster_without_its_library_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InferenceError, match=r"the extra 'cluster'.*gaugeglass\[cluster\]"):
        fan_out(Powers(2.0), JOBS, Place(cluster="tcp://127.0.0.1:8786"))
