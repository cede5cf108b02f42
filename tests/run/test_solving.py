"""The joint solution of a run: made by a worker, kept frame by frame, and taken as long as it is true."""

import sqlite3
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path

import pytest

from panopipe.errors import WorkerLost
from panopipe.job import WORKING, open_job
from panopipe.pool.dispatch import Inline
from panopipe.recipe import load_recipe
from panopipe.run.job_run import Options, Summary, run_job
from panopipe.stage import Solution
from panopipe.state.ledger import LEDGER
from tests.run import fakes
from tests.run.conftest import write_frame
from tests.run.test_job_run import ALL, finished, names

pytestmark = pytest.mark.usefixtures("fake_stages")
MakeJob = Callable[..., Path]


class Solving(Inline):
    """Counts the stages that are solved, and loses the worker at some of them or is stopped there."""

    def __init__(self, lost: int = 0, stopped: bool = False) -> None:
        self.stages: list[str] = []
        self.looked = 0
        self.lost, self.stopped = lost, stopped

    def submit(self, fn, /, task):
        self.looked += hasattr(task, "surveys")
        if hasattr(task, "stage"):
            self.stages.append(task.stage)
            if self.stopped:
                raise KeyboardInterrupt
            if len(self.stages) <= self.lost:
                future: Future[object] = Future()
                future.set_exception(WorkerLost("the worker process died (SIGKILL)"))
                return future
        return super().submit(fn, task)


SWAPPED = bytes.maketrans(b"0123456789", b"1032547698")
"""Each digit for its neighbour."""


def run(folder: Path, solving: Inline) -> Summary:
    job = open_job(folder)
    return run_job(job, load_recipe(job), Options(executor=lambda *_: solving))


def test_a_solution_is_taken_until_something_that_it_is_made_of_changes(make_job: MakeJob) -> None:
    folder = make_job()
    for change in (lambda: None, lambda: write_frame(folder / "originals/hall/hall-02.dng", seed=9)):
        change()
        first, again = Solving(), Solving()
        run(folder, first)
        for path in (folder / "finished").rglob("*.raw"):
            path.unlink()
        assert names(run(folder, again).finished) == ALL
        assert (first.stages, again.stages) == (["even"], [])


def test_a_lost_worker_is_replaced_once(make_job: MakeJob) -> None:
    whole, folder = make_job(name="whole"), make_job()
    run(whole, Solving())
    summary = run(folder, losing := Solving(lost=1))
    assert (names(summary.finished), losing.stages) == (ALL, ["even"] * 2)
    assert finished(folder) == finished(whole)


def test_a_worker_that_is_lost_again_costs_the_frames_of_its_stage(make_job: MakeJob) -> None:
    folder = make_job()
    overrides = folder / "overrides/hall/hall-01.toml"
    overrides.parent.mkdir(parents=True)
    overrides.write_text('[pipeline]\norder = ["decode", "gain", "mirror", "raw"]\n')  # without the stage
    summary = run(folder, Solving(lost=2))
    assert (names(summary.finished), names(summary.failed)) == (ALL[:1], ALL[1:])
    assert set(summary.errors.values()) == {"the worker process died (SIGKILL)"}
    assert names(run(folder, Solving()).finished) == ALL[1:]


@pytest.mark.parametrize(
    ("gives", "said"),
    [
        (Solution(data=object()), "object is not plain data"),
        (3.0, "solve gave float for hall/hall-01, not Solution"),
    ],
)
def test_what_is_no_solution_is_told_with_the_name_of_the_stage(
    make_job: MakeJob, monkeypatch: pytest.MonkeyPatch, gives: object, said: str
) -> None:
    monkeypatch.setattr(fakes.Even, "solve", lambda self, observed, job: dict.fromkeys(observed, gives))
    folder = make_job()
    summary = run(folder, Solving())
    assert names(summary.failed) == ALL
    assert all(line.startswith("even: ") and said in line for line in summary.errors.values())
    assert not list((folder / WORKING).glob(".*"))


def test_ctrl_c_while_solving_keeps_what_was_seen(make_job: MakeJob) -> None:
    folder = make_job()
    stopped = run(folder, Solving(stopped=True))
    assert stopped.interrupted
    assert "run again: it goes on from here" in stopped.stopped
    summary = run(folder, going_on := Solving())
    assert names(summary.finished) == ALL
    assert (going_on.looked, going_on.stages) == (0, ["even"])


@pytest.mark.parametrize(
    "spoil", [lambda data: b"1}", lambda data: data.translate(SWAPPED)], ids=["torn", "bits"]
)
def test_an_observation_that_is_not_as_it_was_kept_is_made_again(
    make_job: MakeJob, spoil: Callable[[bytes], bytes]
) -> None:
    """Also where it can still be read, but says something else."""
    folder = make_job()
    run(folder, Solving())
    made = {path: path.read_bytes() for path in (folder / "finished").rglob("*.*")}
    with sqlite3.connect(folder / LEDGER) as base:
        kept, data = base.execute("select fingerprint, data from seen order by fingerprint").fetchone()
        base.execute("update seen set data = ? where fingerprint = ?", (spoil(data), kept))
        base.execute("delete from solution")
        base.execute("delete from frame")
    again = run(folder, going_on := Solving())
    assert (names(again.finished), again.errors, going_on.looked) == (ALL, {}, 1)
    assert made and all(path.read_bytes() == before for path, before in made.items())
