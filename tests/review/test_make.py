"""A review made from records and small pictures: what lands in the folder, and what is kept."""

from __future__ import annotations

import base64
import json
from pathlib import Path

import numpy as np
import pytest

from panopipe.files.reduced import jpeg_size
from panopipe.frame import FrameKey
from panopipe.job import Job
from panopipe.review import assets, make, store
from panopipe.state.record import FrameRecord
from tests.review.pictures import finished, room


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("job")


@pytest.fixture(scope="module")
def records(job: Path) -> list[FrameRecord]:
    return [finished(job, "lounge", f"lounge-0{n}", room(512, seed=n)) for n in (1, 2, 3)]


def test_a_clean_job_raises_no_doubt(job: Path, records: list[FrameRecord]) -> None:
    summary = make.review_records(job, records, title="Fenhollow")
    assert [one.crossed for one in summary.review.frames] == [(), (), ()]
    assert summary.review.findings == ()


def test_the_folder_holds_page_results_and_sheet(job: Path, records: list[FrameRecord]) -> None:
    summary = make.review_records(job, records, title="Fenhollow")
    plain = json.loads(summary.results.read_text(encoding="utf-8"))
    assert plain["counts"] == {"fine": 3, "look": 0, "failed": 0, "waiting": 0}
    assert summary.page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert summary.contact_sheet.read_bytes()[:2] == b"\xff\xd8"


def test_an_unchanged_picture_is_not_measured_again(
    job: Path, records: list[FrameRecord], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = make.review_records(job, records, title="Fenhollow")
    monkeypatch.delattr(make, "measure")
    assert make.review_records(job, records, title="Fenhollow").review == first.review


def test_a_picture_that_cannot_be_read_is_said_so(tmp_path: Path) -> None:
    record = finished(tmp_path, "bath", "bath-1", room(512))
    (tmp_path / record.outputs[0]).write_bytes(b"not a picture")
    (frame,) = make.review_records(tmp_path, [record], title="").review.frames
    assert frame.state == "look"
    assert "cannot be read" in frame.crossed[0].sentence


def test_pictures_of_frames_that_are_gone_are_removed(tmp_path: Path) -> None:
    both = [finished(tmp_path, "bath", f"bath-{n}", room(512, seed=n)) for n in (1, 2)]
    make.review_records(tmp_path, both, title="")
    make.review_records(tmp_path, both[:1], title="")
    assert len(list((tmp_path / "review/thumbnails").iterdir())) == 1


def test_a_finished_picture_of_no_frame_is_named(tmp_path: Path) -> None:
    both = [finished(tmp_path, "bath", f"bath-{n}", room(512, seed=n)) for n in (1, 2)]
    assert make.review_records(tmp_path, both, title="").review.findings == ()
    (finding,) = make.review_records(tmp_path, both[:1], title="").review.findings
    assert finding.check == "left-over"
    assert both[1].outputs[0] in finding.sentence
    assert both[0].outputs[0] not in finding.sentence


def test_finished_pictures_of_a_room_that_cannot_be_read_are_not_called_left_over(tmp_path: Path) -> None:
    both = [finished(tmp_path, name, f"{name}-1", room(512, seed=1)) for name in ("bath", "hall")]
    why = {"originals/bath": "the folder cannot be read (no permission)"}
    job = Job(tmp_path, {}, unread=why, unread_rooms=frozenset({"bath"}))
    made = make.review_records(tmp_path, both[1:], title="", job=job)
    assert [one.check for one in made.review.findings] == ["unread"]
    assert "  originals/bath: the folder cannot be read (no permission), so none" in made.table()
    assert "mend what is named above, then: panopipe run" in made.table()


def test_failed_and_waiting_frames_are_listed_first(job: Path, records: list[FrameRecord]) -> None:
    failed = FrameRecord(FrameKey("bath", "b"), "failed", error="bath/b.dng: cut short; copy it again")
    waiting = FrameRecord(FrameKey("bath", "c"), "waiting")
    review = make.review_records(job, [*records, waiting, failed], title="").review
    assert [one.key.name for one in review.by_doubt()] == ["b", "c"]


def test_a_small_file_is_its_own_preview_and_a_large_one_is_made_smaller(tmp_path: Path) -> None:
    small, large = room(512), np.tile(room(512), (12, 12, 1))
    records = [finished(tmp_path, "bath", f"bath-{n}", picture) for n, picture in ((1, small), (2, large))]
    make.review_records(tmp_path, records, title="")
    previews = [assets.names(tmp_path / "review", one.key).after.read_bytes() for one in records]
    jpegs = [base64.b64decode(script.split(b'"')[3]) for script in previews]
    assert jpegs[0] == (tmp_path / records[0].outputs[0]).read_bytes()
    assert jpeg_size(jpegs[1]) == (3072, 1536)


def test_what_was_kept_nested_without_end_is_measured_anew(tmp_path: Path) -> None:
    """A fault once seen: it stopped the review."""
    (tmp_path / "review.json").write_bytes(b"[" * 100_000)
    assert store.load(tmp_path / "review.json") == ({}, set())


def test_pictures_that_panopipe_did_not_write_stay(tmp_path: Path) -> None:
    theirs = tmp_path / "review/thumbnails/0123456789ab.jpg"
    theirs.parent.mkdir(parents=True)
    theirs.write_bytes(b"theirs")
    gone = FrameKey("hall", "gone")
    ours = assets.names(tmp_path / "review", gone).thumbnail
    ours.write_bytes(b"ours")
    assets.sweep(tmp_path, [], {assets.identity(gone)})
    assert theirs.exists()
    assert not ours.exists()


def test_nothing_of_the_review_tells_where_the_job_lies(tmp_path: Path) -> None:
    """It goes to clients."""
    job = tmp_path / "anybody" / "fenhollow"
    job.mkdir(parents=True)
    failed = FrameRecord(FrameKey("hall", "a"), "failed", error="hall/a: cannot be read")
    make.review_records(job, [failed], title="Fenhollow")
    for path in (job / "review").rglob("*"):
        assert path.is_dir() or b"anybody" not in path.read_bytes()
