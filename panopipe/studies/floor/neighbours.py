"""Which neighbouring frame saw the floor that a frame's monopod hides."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from panopipe.frame import FrameKey
from panopipe.studies.floor.floor_map import FloorMap, Place, Ready, place_of

_STEPS = 2
"""Frames are taken in walking order: the next two on either side are tried."""
_LIKE_ENOUGH = 0.35
_KEPT = 1
"""Neighbours to bring along; each costs its bottom rows in memory."""


def best_neighbours(
    maps: Mapping[FrameKey, FloorMap], rooms: Mapping[str, Sequence[FrameKey]]
) -> dict[FrameKey, dict[FrameKey, Place]]:
    """Find for each frame the neighbours of its room whose floor lies on its own.

    Parameters
    ----------
    maps : mapping of FrameKey to FloorMap
    rooms : mapping of str to sequence of FrameKey
        Frames of each room in walking order.

    Returns
    -------
    dict of FrameKey to dict of FrameKey to Place
        For each frame that has any, its neighbours, the best first.
    """
    lenders: dict[FrameKey, list[tuple[float, FrameKey, Place]]] = {}
    for frames in rooms.values():
        there = [key for key in frames if key in maps]
        ready = {key: Ready(maps[key]) for key in there}
        for at, key in enumerate(there):
            own = ready.pop(key)
            for other in there[at + 1 : at + 1 + _STEPS]:
                place = place_of(own, ready[other])
                if place is None or place.likeness < _LIKE_ENOUGH:
                    continue
                # From nearby the floor is seen less aslant, and more sharply.
                worth = place.likeness - 0.1 * place.distance
                lenders.setdefault(key, []).append((-worth, other, place.rounded()))
                lenders.setdefault(other, []).append((-worth, key, place.inverse().rounded()))
    return {
        key: {other: place for _, other, place in sorted(some, key=lambda lender: lender[:2])[:_KEPT]}
        for key, some in lenders.items()
    }
