"""Which frames stand in one room: those that see each other, and more than a door lets through."""

from __future__ import annotations

from collections.abc import Sequence

from panopipe.studies.stands.plan import parts_of
from panopipe.studies.stands.solve import Shoot


def rooms_of(shoot: Shoot, times: Sequence[float]) -> list[int]:
    """Number of the room of each frame, from 0, in the order of the first frame taken in it."""
    count = len(shoot.plan.at)
    part = parts_of(count, shoot.one_room).tolist()
    alone = max(part, default=-1) + 1
    for frame in range(count):
        if part[frame] < 0:
            part[frame], alone = alone, alone + 1
    return _numbered(part, times)


def _numbered(rooms: Sequence[int], times: Sequence[float]) -> list[int]:
    order: dict[int, int] = {}
    for frame in sorted(range(len(rooms)), key=lambda k: (times[k], k)):
        order.setdefault(rooms[frame], len(order))
    return [order[room] for room in rooms]
