"""Which frames stand in one room: those that share what is all around them."""

from __future__ import annotations

from collections.abc import Sequence

from panopipe.studies.stands.pair import Pair
from panopipe.studies.stands.plan import parts_of
from panopipe.studies.stands.solve import Shoot

_SECTORS, _TELLING, _FLOOR, _FLOOR_SECTORS = 4, 28.0, 10, 3
"""What two frames of a room share: eighths of the horizon and what matches there are worth, or the floor."""


def rooms_of(shoot: Shoot, times: Sequence[float]) -> list[int]:
    """Number of the room of each frame, from 0, in the order of the first frame taken in it."""
    count = len(shoot.plan.at)
    free = {frozenset((link.first, link.second)) for link in shoot.links}
    together = [
        pair for pair in shoot.shared if frozenset((pair.first, pair.second)) in free and shares_room(pair)
    ]
    part = parts_of(count, together).tolist()
    alone = max(part, default=-1) + 1
    for frame in range(count):
        if part[frame] < 0:
            part[frame], alone = alone, alone + 1
    return _numbered(part, times)


def shares_room(pair: Pair) -> bool:
    """Whether two frames stand in one room, by what they share."""
    if pair.sectors >= _SECTORS and pair.telling >= _TELLING:
        return True
    floor = pair.floor
    return (
        floor is not None and pair.floor_agrees and floor.count >= _FLOOR and pair.sectors >= _FLOOR_SECTORS
    )


def _numbered(rooms: Sequence[int], times: Sequence[float]) -> list[int]:
    order: dict[int, int] = {}
    for frame in sorted(range(len(rooms)), key=lambda k: (times[k], k)):
        order.setdefault(rooms[frame], len(order))
    return [order[room] for room in rooms]
