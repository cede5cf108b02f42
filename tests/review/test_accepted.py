"""Doubts that somebody looked at: accepted once, silent until a check says something else."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from panopipe.files.toml import TomlError
from panopipe.frame import FrameKey
from panopipe.job import Job
from panopipe.job.model import FrameEntry, SourceFile
from panopipe.review import make
from panopipe.review.accepted import ACCEPTED, Acceptance, read_accepted, with_accepted
from panopipe.review.accepting import accept, take_back
from panopipe.review.finding import Finding, FrameReview, JobReview
from panopipe.state.record import FrameRecord
from tests.review.pictures import finished, room

KEY = FrameKey("hall", "hall-01")
TILT = Finding(
    "tilt", "Horizon", 1.2, 0.7, "degrees", True,
    "The frame leans by 1.2 degrees, toward yaw 30.", "Level it.", doubt=1.7,
)  # fmt: skip
SPOT = Finding(
    "patch",
    "Rebuilt floor",
    1.5,
    1.0,
    "times",
    True,
    "Under the camera lies a dark spot.",
    look=(10.0, -80.0),
)
FAILED = FrameRecord(FrameKey("hall", "hall-02"), "failed", error="hall/hall-02: cut short")


@pytest.fixture
def job(tmp_path: Path) -> Job:
    keys = [KEY, FAILED.key]
    return Job(tmp_path, {key: FrameEntry(key, (SourceFile(f"{key}.dng"),)) for key in keys})


def review(*findings: Finding, of_job: tuple[Finding, ...] = ()) -> JobReview:
    frames = (FrameReview(FrameRecord(KEY, "finished"), findings), FrameReview(FAILED))
    return JobReview("Fenhollow", frames, of_job)


def seen(job: Job, *findings: Finding, of_job: tuple[Finding, ...] = ()) -> JobReview:
    return with_accepted(review(*findings, of_job=of_job), read_accepted(job.folder))


def test_what_is_accepted_no_longer_wants_a_look(job: Job) -> None:
    accept(job, review(TILT, SPOT), "hall/hall-01", ["tilt"])
    (frame, _) = seen(job, TILT, SPOT).frames
    assert [one.check for one in frame.crossed] == ["patch"]
    assert [one.check for one in frame.accepted] == ["tilt"]
    accept(job, review(TILT, SPOT), "hall-01")
    assert seen(job, TILT, SPOT).frames[0].state == "fine"
    take_back(job, review(TILT, SPOT), "hall-01", ["tilt"])
    assert [one.check for one in seen(job, TILT, SPOT).frames[0].crossed] == ["tilt"]


@pytest.mark.parametrize(
    ("now", "still"),
    [
        (replace(TILT, value=1.25, sentence="The frame leans by 1.2 degrees, toward yaw 31."), True),
        (replace(TILT, value=0.8, sentence="The frame leans by 0.8 degrees, toward yaw 30."), True),
        (replace(TILT, value=1.6, sentence="The frame leans by 1.6 degrees, toward yaw 30."), False),
        (replace(TILT, value=-1.2), False),
        (replace(TILT, check="blur"), False),
        (replace(TILT, sentence="Its room leans."), False),
        (replace(SPOT, look=(40.0, -80.0)), False),  # 5.2 degrees away on the sphere
        (replace(SPOT, look=(25.0, -81.0)), True),
        (replace(SPOT, look=None), False),
        (replace(SPOT, sentence="Under the camera lies a blur."), False),
    ],
)
def test_it_holds_while_the_check_says_the_same(job: Job, now: Finding, still: bool) -> None:
    accept(job, review(TILT, SPOT), "hall/hall-01")
    assert seen(job, now).frames[0].findings[0].accepted is still


def test_digits_of_a_name_are_part_of_what_is_said() -> None:
    double = Finding("double", "Doubles", 99.9, 99.5, "%", True, "It shows the same as hall/hall-02.")
    known = Acceptance("hall/hall-01", "double", double.sentence, 99.9)
    assert known.covers("hall/hall-01", double)
    assert not known.covers("hall/hall-01", replace(double, sentence="It shows the same as hall/hall-03."))


@pytest.mark.parametrize("where", ["hall", "job"])
def test_what_many_frames_share_is_accepted_at_once(job: Job, where: str) -> None:
    assert [frame for frame, _ in accept(job, review(TILT, SPOT), where, ["tilt"])] == ["hall/hall-01"]
    assert [one.accepted for one in seen(job, TILT, SPOT).frames[0].findings] == [True, False]


def test_a_doubt_about_the_job_is_accepted_by_the_word_job(job: Job) -> None:
    gap = Finding("series", "Missing frame", crossed=True, sentence="hall/hall-04 is missing.")
    accept(job, review(of_job=(gap,)), "job", ["series"])
    assert seen(job, of_job=(gap,)).findings[0].accepted
    assert not seen(job, of_job=(replace(gap, sentence="hall/hall-05 is missing."),)).findings[0].accepted


def test_a_frame_called_job_is_not_taken_for_the_job(tmp_path: Path) -> None:
    """A frame in no room once went unheard: `accept JOB job tilt` accepted all frames' doubts for it."""
    keys = [FrameKey("", "job"), FrameKey("", "stairs")]
    job = Job(tmp_path, {key: FrameEntry(key, (SourceFile(f"{key}.dng"),)) for key in keys})
    leaning = JobReview("", tuple(FrameReview(FrameRecord(key, "finished"), (TILT,)) for key in keys))
    said = "job could be the whole job or the frame job; write . for the whole job, ./job for the frame job"
    with pytest.raises(ValueError, match=re.escape(said)):
        accept(job, leaning, "job", ["tilt"])
    assert [frame for frame, _ in accept(job, leaning, "./job")] == ["job"]
    assert [frame for frame, _ in accept(job, leaning, ".", ["tilt"])] == ["job", "stairs"]


@pytest.mark.parametrize(
    ("where", "checks", "said"),
    [
        ("hall/hall-02", (), "hall/hall-02: failed (cut short); there is no picture to accept"),
        ("hall/hall-01", ("tild",), "no doubt named tild; did you mean tilt? (there: tilt)"),
        ("hall/hall-03", (), "no room or frame hall/hall-03 in this job"),
        ("job", (), "job: for more than one frame, say which check to accept (there: tilt)"),
        ("job", ("series",), "job: no doubt named series (there: tilt)"),
    ],
)
def test_what_cannot_be_accepted_is_said(job: Job, where: str, checks: tuple[str, ...], said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        accept(job, review(TILT), where, checks)
    assert not (job.folder / ACCEPTED).exists()


def test_the_file_can_be_read_and_edited_by_hand(job: Job) -> None:
    accept(job, review(TILT, SPOT), "hall/hall-01")
    text = (job.folder / ACCEPTED).read_text()
    assert 'frame = "hall/hall-01"' in text
    (job.folder / ACCEPTED).write_text(text.replace("[[doubt]]", "# asked Mrs Fen\n[[doubt]]", 1))
    take_back(job, review(TILT, SPOT), "hall-01", ["patch"])
    text = (job.folder / ACCEPTED).read_text()
    assert ("asked Mrs Fen" in text, "dark spot" in text) == (True, False)
    assert read_accepted(job.folder) == (Acceptance(str(KEY), "tilt", TILT.sentence, 1.2),)


@pytest.mark.parametrize(
    "text", ["doubt = 3", "[[doubt]]\ncheck = 1", "[[doubt]]\nframe", '[[doubt]]\ncheck = "x"\nvalue = "y"']
)
def test_a_damaged_file_is_said_and_accepts_nothing(tmp_path: Path, text: str) -> None:
    record = finished(tmp_path, "bath", "bath-1", room(512, lean_deg=2.0))
    (tmp_path / ACCEPTED).write_text(text)
    made = make.review_records(tmp_path, [record], title="").review
    assert [one.check for one in made.findings] == ["accepted"]
    with pytest.raises(TomlError):
        read_accepted(tmp_path)


def test_the_page_is_made_with_what_was_accepted(tmp_path: Path) -> None:
    record = finished(tmp_path, "bath", "bath-1", room(512, lean_deg=2.0))
    made = make.review_records(tmp_path, [record], title="").review
    key = record.key
    accept(Job(tmp_path, {key: FrameEntry(key, (SourceFile("b.dng"),))}), made, "bath-1")
    again = make.review_records(tmp_path, [record], title="").review
    assert (again.frames[0].state, [one.check for one in again.frames[0].accepted]) == ("fine", ["tilt"])
