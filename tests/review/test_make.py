"""A review made from records and small pictures: what lands in the folder, and what is kept."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from panopipe.frame import FrameKey
from panopipe.review import make
from panopipe.run.record import FrameRecord
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


def test_failed_and_waiting_frames_are_listed_first(job: Path, records: list[FrameRecord]) -> None:
    failed = FrameRecord(FrameKey("bath", "b"), "failed", error="bath/b.dng: cut short; copy it again")
    waiting = FrameRecord(FrameKey("bath", "c"), "waiting")
    review = make.review_records(job, [*records, waiting, failed], title="").review
    assert [one.key.name for one in review.by_doubt()] == ["b", "c"]
