"""Which worker gets which task, and what happens when workers, the scheduler or the job folder go away."""

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

from panopipe.cluster import examination, roster
from panopipe.cluster.examination import Examination
from panopipe.cluster.executor import LOSSES, ClusterExecutor
from panopipe.errors import FrameFault, WorkerHung, WorkerLost, WorkersGone
from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.pool.call import answered, read_answer
from panopipe.run.tasks import FrameFiles, SurveyTask
from panopipe.state.folders import ARRIVING, ensure_folders
from tests.cluster.machines import GB, Machine, Machines

TOKEN = "ab" * 16
EXAMINED = examination.examined.__name__.encode()


@pytest.fixture(autouse=True)
def in_no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(roster, "WATCH_S", 0.02)
    monkeypatch.setattr(examination, "_SIGHT_S", 0.0)
    monkeypatch.setattr(examination, "keep_freed_memory", lambda: None)


class Started:
    """An executor over machines of our own, and what it said."""

    def __init__(self, folder: Path, machines: dict[str, Machine], readers: dict[FrameKey, str]) -> None:
        ensure_folders(folder)
        write_below(folder, f"{ARRIVING}/{TOKEN}", TOKEN.encode())
        self.folder, self.machines, self.said = folder, Machines(machines), list[str]()
        asked = Examination(str(folder), TOKEN, ())
        self.executor = ClusterExecutor(
            self.machines,  # type: ignore[arg-type]
            asked,
            limit_s=60,
            say=self.said.append,
            readers=readers,
        )

    def frame(self, name: str, pixels: int = 0) -> Future[Any]:
        files = FrameFiles(str(self.folder), FrameKey("hall", name), ())
        return self.executor.submit(name_of, SurveyTask(files, ("decode", None), (), {}, pixels=pixels))


Start = Callable[..., Started]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    begun: list[Started] = []

    def make(readers: dict[FrameKey, str] | None = None, **machines: Machine) -> Started:
        begun.append(Started(tmp_path, machines, readers or {}))
        return begun[-1]

    yield make
    for one in begun:
        one.executor.kill()
        one.machines.close()


def name_of(task: SurveyTask) -> str:
    return task.files.key.name


def is_frame(call: bytes) -> bool:
    return EXAMINED not in call


def frames_of(machine: Machine) -> list[str]:
    """Frames that a machine was handed, in that order."""
    return [read_answer(answered(call))[1] for call in machine.calls if is_frame(call)]


def soon(is_so: Callable[[], bool]) -> bool:
    """Whether something comes true before long: it happens in another thread."""
    until = time.monotonic() + 10
    while not is_so() and time.monotonic() < until:
        time.sleep(0.01)
    return is_so()


def lost(*_: object) -> None:
    raise WorkerLost("it went away")


def test_all_tasks_come_home(start: Start) -> None:
    started = start(a=Machine(), b=Machine())
    futures = [started.frame(f"hall-{number:02d}") for number in range(20)]
    assert [future.result(10) for future in futures] == [f"hall-{number:02d}" for number in range(20)]
    assert started.said == []


def test_a_frame_goes_to_the_machine_that_has_read_it(start: Start) -> None:
    gate = threading.Event()
    readers = {FrameKey("hall", f"hall-{n}"): "one" if n % 2 else "two" for n in range(8)}
    a, b = (Machine(host, before=lambda _: gate.wait(10) and None) for host in ("one", "two"))
    started = start(readers, a=a, b=b)
    futures = [started.frame(f"hall-{number}") for number in range(8)]
    gate.set()
    for future in futures:
        future.result(10)
    assert sorted(frames_of(a) + frames_of(b)) == [f"hall-{number}" for number in range(8)]
    assert (frames_of(a)[0], frames_of(b)[0]) == ("hall-1", "hall-0")


def test_a_task_whose_worker_is_lost_is_done_by_another(start: Start) -> None:
    def go(call: bytes) -> None:
        if is_frame(call):
            started.machines.there.pop("a", None)
            lost()

    started = start(a=Machine(before=go))
    future = started.frame("hall-01")
    time.sleep(0.2)
    started.machines.there["b"] = Machine()
    assert future.result(10) == "hall-01"
    assert not [line for line in started.said if "not used" in line]


def test_a_task_that_loses_every_worker_fails(start: Start) -> None:
    def go(call: bytes) -> None:
        if is_frame(call):
            lost()

    started = start(**{f"w{number}": Machine(before=go) for number in range(LOSSES + 2)})
    with pytest.raises(WorkerLost, match=f"{LOSSES} workers were lost over it"):
        started.frame("hall-01").result(10)


def test_a_worker_that_hangs_is_ended(start: Start) -> None:
    def hang(call: bytes) -> None:
        if is_frame(call):
            raise WorkerHung("took longer than 60 s and was ended")

    started = start(a=Machine(before=hang))
    with pytest.raises(WorkerHung):
        started.frame("hall-01").result(10)
    assert soon(lambda: started.machines.restarted == ["a"])


def test_a_lost_scheduler_ends_the_run_with_one_line(start: Start) -> None:
    gate = threading.Event()
    started = start(a=Machine(before=lambda _: gate.wait(10) and None))
    futures = [started.frame("hall-01"), started.frame("hall-02")]
    started.machines.scheduler_is_there = False
    for future in futures:
        with pytest.raises(WorkersGone, match="the scheduler at tcp://there:8786 has gone"):
            future.result(10)
    gate.set()
    with pytest.raises(WorkersGone):
        started.frame("hall-03").result(10)


def other_version(call: bytes) -> None:
    if not is_frame(call):
        raise ModuleNotFoundError("No module named 'panopipe'", name="panopipe")


def test_a_worker_that_is_not_fit_is_told_and_others_go_on(start: Start) -> None:
    bad, good = Machine(before=other_version), Machine()
    started = start(bad=bad, good=good)
    futures = [started.frame(f"hall-{number}") for number in range(4)]
    assert [future.result(10) for future in futures] == [f"hall-{number}" for number in range(4)]
    assert soon(lambda: len(started.said) == 1)
    assert started.said[0].startswith("the worker bad is not used: panopipe is not installed there")
    assert frames_of(bad) == []


def test_where_no_worker_is_fit_the_run_ends_with_one_line(start: Start) -> None:
    started = start(a=Machine(before=other_version), b=Machine(before=other_version))
    with pytest.raises(WorkersGone, match=r"no worker of tcp://there:8786 can be used \(.*, and 1 more\)"):
        started.frame("hall-01").result(10)


def test_where_no_worker_comes_the_run_ends(start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(roster, "WAIT_S", 0.2)
    started = start()
    with pytest.raises(WorkersGone, match="no worker came"):
        started.frame("hall-01").result(10)
    assert len(started.said) == 1
    assert started.said[0].startswith("no worker at tcp://there:8786; waiting")


def test_a_worker_that_comes_later_is_used(start: Start) -> None:
    started = start()
    future = started.frame("hall-01")
    time.sleep(0.1)
    started.machines.there["late"] = Machine()
    assert future.result(10) == "hall-01"


def test_a_frame_goes_where_there_is_memory(start: Start) -> None:
    small, large = Machine(memory=1 * GB), Machine(memory=4 * GB)
    started = start(small=small, large=large)
    assert started.frame("hall-01", pixels=100_000_000).result(10) == "hall-01"
    assert (frames_of(small), frames_of(large)) == ([], ["hall-01"])
    with pytest.raises(FrameFault, match=r"wants 22\.3 GB of memory, the largest worker has 4\.0 GB"):
        started.frame("hall-02", pixels=1_000_000_000).result(10)


def fail(task: SurveyTask) -> str:
    raise OSError(5, "Input/output error", task.files.key.name)


def test_a_worker_that_lost_the_job_folder_gets_no_other_frame(start: Start) -> None:
    machine = Machine()
    started = start(a=machine)
    assert started.frame("hall-01").result(10) == "hall-01"
    (started.folder / ARRIVING / TOKEN).unlink()
    files = FrameFiles(str(started.folder), FrameKey("hall", "hall-02"), ())
    with pytest.raises(OSError, match="Input/output error"):
        started.executor.submit(fail, SurveyTask(files, ("decode", None), (), {})).result(10)
    with pytest.raises(WorkersGone, match="is another folder there"):
        started.frame("hall-03").result(10)


def test_when_it_is_killed_nothing_waits_any_longer(start: Start) -> None:
    gate = threading.Event()
    started = start(a=Machine(before=lambda _: gate.wait(10) and None))
    futures = [started.frame("hall-01"), started.frame("hall-02")]
    started.executor.kill()
    for future in futures:
        with pytest.raises(WorkerLost, match="stopped"):
            future.result(10)
    gate.set()


def test_what_cannot_be_sent_fails_alone(start: Start) -> None:
    started = start(a=Machine())
    with pytest.raises(Exception, match="pickle"):
        started.executor.submit(lambda: None).result(10)
    assert started.frame("hall-01").result(10) == "hall-01"
