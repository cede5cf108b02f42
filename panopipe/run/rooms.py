"""Rooms that a look proposes for frames whose folders tell none."""

from __future__ import annotations

from collections import Counter
from itertools import count

from panopipe.frame import FrameKey
from panopipe.job.names import natural
from panopipe.run.surveyed_job import SurveyedJob


def proposed_rooms(surveyed_job: SurveyedJob) -> dict[str, tuple[FrameKey, ...]]:
    """Frames that no person sorted into a room, by the room that they share with others.

    A frame of several files is named by all of them: one that is left out would be parted from the others.
    A proposed room most of whose sorted frames are in one named room takes that name, and the others are
    numbered in the order of their first frames.
    """
    by_room: dict[str, list[FrameKey]] = {}
    for key in sorted(surveyed_job.stands, key=_place):
        by_room.setdefault(surveyed_job.stands[key].room, []).append(key)
    names = {key.named_room for key in surveyed_job.stands}
    numbers = (name for number in count(1) if (name := f"room-{number}") not in names)
    proposed: dict[str, list[FrameKey]] = {}
    for members in by_room.values():
        named = Counter(key.named_room for key in members if key.named_room)
        unsorted = [key for key in members if not key.named_room]
        if unsorted:
            proposed.setdefault(named.most_common(1)[0][0] if named else next(numbers), []).extend(unsorted)
    others = surveyed_job.job.members
    return {
        room: tuple(sorted((file for key in keys for file in (key, *others.get(key, ()))), key=_place))
        for room, keys in proposed.items()
    }


def _place(key: FrameKey) -> tuple[object, ...]:
    return natural(str(key))
