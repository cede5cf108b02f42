"""The order in which one walks through a house."""

from __future__ import annotations

import pytest

from panopipe.delivery.order import walking_order
from panopipe.frame import FrameKey
from panopipe.state.record import FrameRecord


def names(*taken: tuple[str, str, str]) -> list[str]:
    records = [FrameRecord(FrameKey(room, name), "finished", taken=time) for room, name, time in taken]
    return [record.key.name for record in walking_order(records)]


def test_rooms_come_as_they_were_entered_and_a_frame_taken_again_stands_with_its_room() -> None:
    shot = [
        ("attic", "a1", "2026:11:24 10:20:00"),
        ("hall", "h1", "2026:11:24 10:31:00"),  # again, at the end
        ("hall", "h2", "2026:11:24 10:00:00"),
        ("lounge", "l1", "2026:11:24 10:10:00"),
    ]
    assert names(*shot) == ["h2", "h1", "l1", "a1"]


def test_frames_of_no_room_come_by_time_alone() -> None:
    assert names(("", "b", "2026:11:24 10:00:02"), ("", "a", "2026:11:24 10:00:01")) == ["a", "b"]


def test_frames_of_one_second_keep_the_order_of_their_names() -> None:
    time = "2026:11:24 10:00:00"
    assert names(("hall", "h2", time), ("hall", "h10", time)) == ["h2", "h10"]


@pytest.mark.parametrize("unknown", ["", "0000:00:00 00:00:00", "    :  :     :  :  "])
def test_without_times_of_all_the_order_is_that_of_the_job(unknown: str) -> None:
    assert names(("hall", "h1", "2026:11:24 10:31:00"), ("hall", "h2", unknown)) == ["h1", "h2"]
