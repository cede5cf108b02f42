"""Rooms that a look proposes for frames whose folders tell none."""

from __future__ import annotations

from collections import Counter

from panopipe.frame import FrameKey
from panopipe.job.names import natural
from panopipe.run.surveyed_job import SurveyedJob


def proposed_rooms(surveyed_job: SurveyedJob) -> dict[str, tuple[FrameKey, ...]]:
    """Frames that no person sorted into a room, by the room that they share with others.

    A frame of several files is named by all of them: one that is left out would be parted from the others.
    A proposed room most of whose sorted frames are in one named room takes that name.
    """
    by_room: dict[str, list[FrameKey]] = {}
    for key, stand in surveyed_job.stands.items():
        by_room.setdefault(stand.room, []).append(key)
    proposed: dict[str, list[FrameKey]] = {}
    for room in sorted(by_room, key=natural):
        named = Counter(key.named_room for key in by_room[room] if key.named_room)
        name = named.most_common(1)[0][0] if named else room
        unsorted = [key for key in by_room[room] if not key.named_room]
        if unsorted:
            proposed.setdefault(name, []).extend(unsorted)
    others = surveyed_job.job.members
    return {
        room: tuple(sorted((file for key in keys for file in (key, *others.get(key, ()))), key=_place))
        for room, keys in proposed.items()
    }


def _place(key: FrameKey) -> tuple[object, ...]:
    return natural(str(key))
