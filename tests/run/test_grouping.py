"""Files that are one frame: through the job file, the check and a run, to ledger, page and proof."""

from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from panopipe.errors import JobError
from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.pool.dispatch import Inline
from panopipe.recipe import load_recipe
from panopipe.run.grouping import recognised
from panopipe.run.job_run import run_job
from panopipe.run.remarks import group_lines
from panopipe.run.session import Options
from panopipe.state.ledger import read_records
from panopipe.state.run_log import SilentReporter
from tests.makers.bracket import room_light, write_bracket

HALL = FrameKey("hall", "hall-01")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    write_bracket(tmp_path / "originals" / "hall", room_light(128), (0, -2, 2))
    write_bracket(tmp_path / "originals" / "lounge", room_light(128, seed=4), (0,), name="lounge")
    (tmp_path / "recipe.toml").write_text('[pipeline]\norder = ["decode", "export"]\n')
    return tmp_path


def names(folder: Path, table: str) -> list[str]:
    (folder / "job.toml").write_text(table)
    return [str(key) for key in open_job(folder).frames]


def test_the_job_file_puts_files_together_and_keeps_them_apart(job: Path) -> None:
    assert names(job, "") == ["hall/hall-01", "hall/hall-02", "hall/hall-03", "lounge/lounge-01"]
    assert names(job, '[exposures]\n"hall/hall-02" = ["hall-*"]\n') == ["hall/hall-02", "lounge/lounge-01"]
    entry = open_job(job).frames[FrameKey("hall", "hall-02")]
    assert [file.path for file in entry.files] == [f"originals/hall/hall-0{n}.dng" for n in (2, 1, 3)]
    assert open_job(job).key("hall-03") == FrameKey("hall", "hall-02")


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ('[exposures]\n"hall/hall-09" = ["hall-*"]\n', "no frame hall/hall-09"),
        ('[exposures]\n"hall/hall-01" = ["halls-*"]\n', 'no frame is named "halls-*"'),
        ('[exposures]\n"hall/hall-01" = "hall-*"\n', "must be a list of its files"),
        ('[exposures]\n"hall/hall-01" = ["hall-01"]\n', "names no file besides"),
        ('[exposures]\n"hall/hall-01" = ["*-01"]\n', "of another room"),
        ('[exposures]\n"hall-01" = ["hall-02"]\n"hall-03" = ["hall-02"]\n', "already an exposure of hall-01"),
        ('separate = "hall/*"\n', "must be a list of frames"),
    ],
)
def test_faults_of_the_job_file_are_told(job: Path, table: str, line: str) -> None:
    with pytest.raises(JobError, match=line.replace("*", r"\*")):
        names(job, table)


def test_a_check_says_what_it_recognised_and_writes_nothing(job: Path) -> None:
    before = set(job.rglob("*"))
    opened = open_job(job)
    found = recognised(opened, load_recipe(opened), SilentReporter(), keeps=False)
    assert list(group_lines(found)) == ["hall/hall-01: 3 exposures, 2 EV apart, merged"]
    assert set(job.rglob("*")) == before


def test_separate_frames_are_not_looked_at(job: Path) -> None:
    names(job, 'separate = ["hall/*"]\n')
    opened = open_job(job)
    assert not recognised(opened, load_recipe(opened), SilentReporter(), keeps=False).groups


def test_a_run_makes_one_frame_of_a_bracket_and_remembers_it(job: Path) -> None:
    opened = open_job(job)
    summary = run_job(opened, load_recipe(opened))
    assert summary.finished == [HALL, FrameKey("lounge", "lounge-01")]
    assert not (job / "finished/hall/hall-02.jpg").exists()
    record = read_records(job)[0]
    assert record.key == HALL
    assert record.originals == tuple(f"originals/hall/hall-0{n}.dng" for n in (1, 2, 3))
    assert "hall-03.dng +2.0" in str(record.notes["decode"]["exposures_merged"])
    again = open_job(job)
    assert [str(key) for key in again.frames] == ["hall/hall-01", "lounge/lounge-01"]
    assert run_job(again, load_recipe(again)).already == summary.finished


class NoWorker(Inline):
    """As where no process can be started."""

    def submit(self, *_: Any, **__: Any) -> Future[Any]:
        lost: Future[Any] = Future()
        lost.set_exception(OSError("no worker process could be started"))
        return lost


def test_what_could_not_be_looked_at_is_looked_at_by_the_next_run(job: Path) -> None:
    opened = open_job(job)
    unseen = Options(executor=lambda *_: NoWorker())
    found = recognised(opened, load_recipe(opened), SilentReporter(), keeps=True, options=unseen)
    assert not found.groups
    again = open_job(job)
    assert recognised(again, load_recipe(again), SilentReporter(), keeps=True).groups


def test_a_changed_exposure_makes_the_frame_again(job: Path) -> None:
    opened = open_job(job)
    run_job(opened, load_recipe(opened))
    write_bracket(job / "originals" / "hall", room_light(128, seed=5), (0, -2, 2))
    again = open_job(job)
    assert run_job(again, load_recipe(again)).finished == [HALL]
