"""Worker processes: what one of them does to itself costs only its own task."""

import errno
import os
import re
import signal
import time
from concurrent.futures import Future
from multiprocessing.context import SpawnProcess

import pytest

from panopipe.errors import WorkerHung, WorkerLost
from panopipe.pool.worker_pool import WorkerPool


def double(number: int) -> int:
    return 2 * number


def who() -> int:
    return os.getpid()


def fail(text: str) -> None:
    raise ValueError(text)


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def sleep_long() -> None:
    time.sleep(600)


class Unpicklable(Exception):  # noqa: N818
    def __init__(self, one: int, two: int) -> None:
        super().__init__(f"{one} and {two}")


def fail_oddly() -> None:
    raise Unpicklable(1, 2)


@pytest.fixture(scope="module")
def crew():
    with WorkerPool(1, limit_s=20) as one:
        yield one


def test_results_and_errors_come_home(crew: WorkerPool) -> None:
    results = [crew.submit(double, number) for number in range(3)]
    wrong = crew.submit(fail, "not so")
    odd = crew.submit(fail_oddly)
    assert [future.result() for future in results] == [0, 2, 4]
    with pytest.raises(ValueError, match="not so"):
        wrong.result()
    with pytest.raises(RuntimeError, match="1 and 2"):
        odd.result()
    assert crew.submit(who).result() != os.getpid()


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is of POSIX")
def test_a_worker_that_dies_costs_its_own_task(crew: WorkerPool) -> None:
    lost, after = crew.submit(die), crew.submit(double, 4)
    with pytest.raises(WorkerLost, match="SIGKILL"):
        lost.result()
    assert after.result() == 8


def test_a_worker_that_hangs_is_ended() -> None:
    with WorkerPool(1, limit_s=0.5) as crew:
        hung, after = crew.submit(sleep_long), crew.submit(double, 5)
        with pytest.raises(WorkerHung, match=r"longer than 0\.5 s"):
            hung.result()
        after.cancel()


def test_a_worker_that_cannot_be_started_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    # Once, the thread that serves a worker died of this, and whoever waited for its result waited for ever.
    def no_more_processes(_: SpawnProcess) -> None:
        raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    with WorkerPool(1, limit_s=20) as crew:
        with monkeypatch.context() as patch:
            patch.setattr(SpawnProcess, "start", no_more_processes)
            with pytest.raises(WorkerLost, match=re.escape(os.strerror(errno.EAGAIN))):
                crew.submit(double, 1).result(timeout=20)
        assert crew.submit(double, 6).result(timeout=20) == 12


def test_a_crew_that_is_killed_leaves_nothing_running() -> None:
    crew = WorkerPool(1)
    running: Future[None] = crew.submit(sleep_long)
    queued = crew.submit(double, 1)
    while not running.running():
        time.sleep(0.01)
    crew.kill()
    assert queued.cancelled()
    with pytest.raises(WorkerLost):
        running.result()
    with pytest.raises(RuntimeError, match="is shut down"):
        crew.submit(double, 1)
