"""Finished files take their place only by the run: what a stopped or doubled worker writes takes none."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from panopipe.capture import Capture
from panopipe.cluster.arrival import on_its_way, put_in_place
from panopipe.files.below import write_below
from panopipe.files.jpeg import encode_jpeg
from panopipe.frame import FrameKey
from panopipe.run.tasks import Chain, FinishResult, FinishTask, FrameFiles, Made, SurveyTask
from panopipe.run.work import finish
from panopipe.stage import Rights
from panopipe.stages.export import Export
from panopipe.state.file_stamp import hashed
from panopipe.state.folders import ARRIVING, ensure_folders, sweep

SUFFIXES = (".jpg", "-4096.jpg")


def task_of(folder: Path) -> FinishTask:
    files = FrameFiles(str(folder), FrameKey("hall", "hall-01"), ("originals/hall/hall-01.dng",))
    return FinishTask(files, Chain(()), {}, {}, {}, Rights(), {}, "finished/hall/hall-01")


def work(task: FinishTask, data: bytes) -> FinishResult:
    """Write what a worker would."""
    folder, written = Path(task.files.folder), {}
    for suffix in SUFFIXES:
        write_below(folder, task.target + suffix, data)
        written[task.target + suffix] = hashed(folder / (task.target + suffix))
    return FinishResult(written)


def finished(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (folder / "finished").rglob("*.jpg")}


def test_files_go_to_their_place_with_their_stamps(tmp_path: Path) -> None:
    ensure_folders(tmp_path)
    task = task_of(tmp_path)
    sent = on_its_way(task)
    result = work(sent, b"new")
    assert finished(tmp_path) == {}
    placed = put_in_place([task], [sent], result)
    assert finished(tmp_path) == {"hall-01.jpg": b"new", "hall-01-4096.jpg": b"new"}
    assert placed.files == {name: hashed(tmp_path / name) for name in placed.files}
    assert list(placed.files) == ["finished/hall/hall-01.jpg", "finished/hall/hall-01-4096.jpg"]
    assert list((tmp_path / ARRIVING).iterdir()) == []


def test_files_that_get_other_metadata_arrive_as_others_do(tmp_path: Path) -> None:
    """A fault once seen: the worker wrote them in their place, and the run looked for them elsewhere."""
    ensure_folders(tmp_path)
    picture = encode_jpeg(np.zeros((64, 128, 3), np.uint8), quality=90)
    plain = replace(task_of(tmp_path), chain=Chain((("export", Export.Settings()),)))
    write_below(tmp_path, f"{plain.target}.jpg", picture)
    made = Made(plain.target, {".jpg": hashed(tmp_path / f"{plain.target}.jpg")}, Capture())
    task = replace(plain, rights=Rights(copyright="(c) 2026 A. Person"), made=made)
    sent = on_its_way(task)
    result = finish(sent)
    assert finished(tmp_path) == {"hall-01.jpg": picture}
    placed = put_in_place([task], [sent], result)
    assert b"(c) 2026 A. Person" in finished(tmp_path)["hall-01.jpg"]
    assert placed.files == {f"{task.target}.jpg": hashed(tmp_path / f"{task.target}.jpg")}


def test_what_arrives_after_its_time_takes_no_place_and_is_swept(tmp_path: Path) -> None:
    ensure_folders(tmp_path)
    task = task_of(tmp_path)
    late, second = on_its_way(task), on_its_way(task)
    put_in_place([task], [second], work(second, b"second"))
    work(late, b"late")
    assert set(finished(tmp_path).values()) == {b"second"}
    (tmp_path / ARRIVING / "mine.txt").write_text("not panopipe's")
    sweep(tmp_path)
    assert [path.name for path in (tmp_path / ARRIVING).iterdir()] == ["mine.txt"]
    assert set(finished(tmp_path).values()) == {b"second"}


def test_a_look_goes_as_it_is(tmp_path: Path) -> None:
    look = SurveyTask(task_of(tmp_path).files, ("decode", None), (), {})
    assert on_its_way(look) is look
    assert put_in_place([look], [look], "seen") == "seen"
    assert on_its_way(replace(task_of(tmp_path), doing="x")).doing == "x"
