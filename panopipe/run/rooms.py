"""Rooms that a look proposes for frames whose folders tell none."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from panopipe.frame import FrameKey
from panopipe.job.names import folded, natural
from panopipe.run.surveyed_job import SurveyedJob
from panopipe.stage import Stand

_NUMBERED = re.compile(r"(.*[^\W\d_])[\s._-]*\d+")
"""A frame's name of a word and a number, such as `hall-01`."""


def proposed_rooms(surveyed_job: SurveyedJob) -> dict[str, tuple[FrameKey, ...]]:
    """Frames that no person sorted into a room, by the room that they share with others.

    A frame of several files is named by all of them: one that is left out would be parted from the others.
    A proposed room most of whose sorted frames are in one named room takes that name, another the word that
    its frames are named by, where such words tell rooms; two of one word that see each other are one.
    """
    by_room: dict[str, list[FrameKey]] = {}
    for key, stand in sorted(surveyed_job.stands.items(), key=lambda one: natural(one[1].room)):
        by_room.setdefault(stand.room, []).append(key)
    names = _names(by_room, surveyed_job.stands)
    proposed: dict[str, list[FrameKey]] = {}
    for room, keys in by_room.items():
        unsorted = [key for key in keys if not key.named_room]
        if unsorted:
            proposed.setdefault(names[room], []).extend(unsorted)
    others = surveyed_job.job.members
    return {
        room: tuple(sorted((file for key in keys for file in (key, *others.get(key, ()))), key=_place))
        for room, keys in proposed.items()
    }


def _names(rooms: Mapping[str, Sequence[FrameKey]], stands: Mapping[FrameKey, Stand]) -> dict[str, str]:
    """What each proposed room is called."""
    named = {room: _most_common(key.named_room for key in keys) for room, keys in rooms.items()}
    words = _words({room: keys for room, keys in rooms.items() if not named[room]})
    taken = {folded(name) for name in named.values()}
    names: dict[str, str] = {}
    for room, keys in rooms.items():
        word = words.get(room, "")
        seen = {stands[sight.to].room for key in keys for sight in stands[key].sights}
        alike = (names[other] for other in names if other in seen and words.get(other, "") == word != "")
        names[room] = named[room] or next(alike, "") or _free(word, taken) or room
    return names


def _words(rooms: Mapping[str, Sequence[FrameKey]]) -> dict[str, str]:
    """The word that most frames of each room are named by; none if such words tell cameras, not rooms.

    A camera's word, such as DSC, comes again in room after room; of words for rooms, most are in one.
    """
    told = {room: [match[1] for key in keys if (match := _NUMBERED.fullmatch(key.name))]
            for room, keys in rooms.items()}  # fmt: skip
    times = Counter(word for words in told.values() for word in set(words))
    alone = sum(many == 1 for many in times.values())
    if len(times) < 2 or 2 * alone <= len(times):
        return {}
    return {room: _most_common(words) for room, words in told.items()}


def _free(word: str, taken: set[str]) -> str:
    """A word for a room, numbered from the second room of that name on."""
    if not word:
        return ""
    names = (word if number == 1 else f"{word}-{number}" for number in range(1, len(taken) + 2))
    name = next(name for name in names if folded(name) not in taken)
    taken.add(folded(name))
    return name


def _most_common(words: Iterable[str]) -> str:
    """The word that comes most often, of those that are not empty."""
    counted = Counter(word for word in words if word).most_common(1)
    return counted[0][0] if counted else ""


def _place(key: FrameKey) -> tuple[object, ...]:
    return natural(str(key))
