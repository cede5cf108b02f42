"""Rooms where folders tell none: what is counted, what is proposed, and how it is accepted."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.job.inventory import camera_rooms, inventory, wants_rooms
from panopipe.recipe.rooms import accept_rooms, rooms_table
from panopipe.run.rooms import proposed_rooms
from panopipe.stage import Sightline, Stand


def job_of(folder: Path, *names: str) -> Path:
    for name in names:
        path = folder / "originals" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    return folder


def test_an_inventory_counts_frames_rooms_twins_and_others(tmp_path: Path) -> None:
    job = open_job(job_of(tmp_path, "hall/a.dng", "hall/a.jpg", "hall/notes.txt", "100CAM/b.dng", "c.dng"))
    found = inventory(job)
    assert (found.frames, found.rooms, found.twins, found.others) == (3, 1, 1, 1)
    assert found.line(7, 1) == "3 frames, 7 rooms proposed, 1 JPEG twin, 1 other file left, 1 unreadable"


@pytest.mark.parametrize(
    ("room", "named"),
    [("100CAM", ""), ("101CAM_1", ""), ("DCIM", ""), ("hall", "hall"), ("100 steps", "100 steps")],
)
def test_a_cameras_own_folder_is_no_room(room: str, named: str) -> None:
    assert FrameKey(room, "a").named_room == named


def test_camera_folders_and_flat_jobs_want_rooms(tmp_path: Path) -> None:
    job = open_job(job_of(tmp_path, "100CAM/a.dng", "101CAM/b.dng"))
    assert wants_rooms(job) and camera_rooms(job) == ["100CAM", "101CAM"]
    assert not wants_rooms(open_job(job_of(tmp_path / "sorted", "hall/a.dng", "lounge/b.dng")))


def looked(**rooms: str) -> SimpleNamespace:
    keys = {FrameKey(*name.split("__")): room for name, room in rooms.items()}
    stands = {key: Stand(room=room) for key, room in keys.items()}
    return SimpleNamespace(job=SimpleNamespace(members={}), stands=stands)


def test_frames_that_a_person_sorted_stay_and_lend_their_name() -> None:
    found = proposed_rooms(looked(hall__a="room-1", __b="room-1", __c="room-2", CAM__d="room-2"))  # type: ignore[arg-type]
    assert found == {"hall": (FrameKey("", "b"),), "CAM": (FrameKey("", "c"),)}


def test_rooms_take_the_words_of_their_frames_names_but_not_a_cameras() -> None:
    """A hall that looks like two has two names, unless one sees the other; DSC and IMG name cameras."""
    house = {"__hall-01": "room-1", "__hall-02": "room-2", "__bath-01": "room-3", "__den-1": "room-4"}
    found = proposed_rooms(looked(**house, **{"__den-2": "room-4"}))  # type: ignore[arg-type]
    assert {room: [key.name for key in keys] for room, keys in found.items()} == {
        "hall": ["hall-01"], "hall-2": ["hall-02"], "bath": ["bath-01"], "den": ["den-1", "den-2"],
    }  # fmt: skip
    job = looked(**house)
    job.stands[FrameKey("", "hall-01")] = Stand(
        sights=(Sightline(FrameKey("", "hall-02"), 0.0, 2.0, 0.9),), room="room-1"
    )
    job.stands[FrameKey("", "hall-02")] = Stand(
        sights=(Sightline(FrameKey("", "hall-01"), 0.0, 2.0, 0.9),), room="room-2"
    )
    assert list(proposed_rooms(job)) == ["hall", "bath", "den"]  # type: ignore[arg-type]
    cards = {"__DSC_0001": "room-1", "__DSC_0002": "room-2", "__IMG_0001": "room-3", "__IMG_0002": "room-4"}
    assert list(proposed_rooms(looked(**cards))) == ["room-1", "room-2", "room-3", "room-4"]  # type: ignore[arg-type]


def test_all_files_of_a_frame_go_into_its_room() -> None:
    """Takes whose chosen one alone was named fell apart into two stands."""
    job = looked(__b="room-1")
    job.job.members = {FrameKey("", "b"): (FrameKey("", "a"),)}
    assert proposed_rooms(job) == {"room-1": (FrameKey("", "a"), FrameKey("", "b"))}  # type: ignore[arg-type]


def test_an_accepted_table_is_what_a_job_then_says(tmp_path: Path) -> None:
    folder = job_of(tmp_path, "100CAM/a.dng", "100CAM/b.dng", "101CAM/c.dng")
    (folder / "job.toml").write_text('title = "x"  # mine')
    job = open_job(folder)
    proposed = {
        "room-1": (FrameKey("100CAM", "a"), FrameKey("101CAM", "c")),
        "room-2": (FrameKey("100CAM", "b"),),
    }
    accept_rooms(job, proposed)
    assert (folder / "job.toml").read_text() == 'title = "x"  # mine\n\n' + rooms_table(proposed)
    again = open_job(folder)
    assert {room: [key.name for key in keys] for room, keys in again.rooms.items()} == {
        "room-1": ["a", "c"],
        "room-2": ["b"],
    }
    with pytest.raises(ValueError, match="rooms already"):
        accept_rooms(again, proposed)
