"""Which frames of a plan see each other: by the floor between them that both see, or by rays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from panopipe.studies.stands.between import Way, beside, seen_by_both
from panopipe.studies.stands.matching import Ready
from panopipe.studies.stands.pair import Pair
from panopipe.studies.stands.plan import Plan
from panopipe.studies.stands.sight import FreeFloor, Known, Sight, before, known_points, seen_again

REACH = 6.5
"""Camera heights up to which two frames of one plan are looked at again, knowing where they should be."""
_NO_GAP, _SMALL_GAP, _SEEN_AGAIN = 0.02, 0.15, 3.0
"""Longest stretch of a line, in camera heights, that may be unproven: none to speak of, or a little where
either sees again what the other shows. A wall and the errors at both its sides leave a longer one."""
_FLOOR_FREE, _FLOOR_HIDDEN = 0.5, 0.1
"""How well the floor along a line agrees from which on it is free, and up to which it is not. Of 625 lines
that are not free, in ten generated houses, one had 0.49 (it misses a door by 7 cm), all others below 0.36."""
CLOSE = 1.4
"""Camera heights below which two tripods hide most of the floor between them."""
_ROOM_SECTORS, _ROOM_TELLING, _ROOM_FLOOR, _ROOM_GAP = 4, 30.0, 10, 0.25
"""Two frames that share so much, all around or of the floor, stand in one room: then more may be unproven."""


@dataclass(frozen=True, slots=True)
class Link:
    """Two frames that see each other.

    Attributes
    ----------
    first, second : int
        The frames.
    yaw_deg, back_yaw_deg : float
        Yaw at which each sees the other, in its own arrays.
    distance : float or None
        In camera heights; None where nothing tells it.
    certainty : float
        0 to 1.
    """

    first: int
    second: int
    yaw_deg: float
    back_yaw_deg: float
    distance: float | None
    certainty: float


def near_pairs(plan: Plan, reach: float) -> list[tuple[int, int]]:
    """Pairs of one part that are so near each other."""
    found = []
    for number in range(int(plan.part.max(initial=-1)) + 1):
        members = np.flatnonzero(plan.part == number)
        apart = np.linalg.norm(plan.at[members][:, None] - plan.at[members][None], axis=2)
        for i, j in np.argwhere(np.triu((apart < reach) & (apart > 0.25), 1)):
            found.append((int(members[i]), int(members[j])))
    return found


def free_lines(frames: Sequence[Ready], believed: Sequence[Pair], plan: Plan) -> list[Link]:
    """Pairs whose line of sight is proven free: by the floor that both see between them, or by rays."""
    known = known_points(len(frames), believed, plan)
    pairs = {(min(pair.ends), max(pair.ends)): pair for pair in believed}
    links, left = [], []
    for i, j in near_pairs(plan, REACH):
        way = plan.way(i, j)
        floor = _floor_between(frames[i], frames[j], way, pairs.get((i, j)))
        if floor is None or _FLOOR_HIDDEN < floor < _FLOOR_FREE:
            left.append((i, j))
        elif floor >= _FLOOR_FREE and not _stands_between(known, plan, i, j):
            links.append(_link(i, j, way, _certainty(pairs.get((i, j)), floor=floor)))
    return sorted(
        [*links, *_lines_by_rays(frames, known, pairs, plan, left)], key=lambda k: (k.first, k.second)
    )


def _floor_between(one: Ready, other: Ready, way: Way, pair: Pair | None) -> float | None:
    """How well the floor between two frames agrees; of frames too near for that, the floor beside them."""
    between = seen_by_both(one.floor, other.floor, way)
    if between is None and close_all_around(way, pair):
        return beside(one.floor, other.floor, way)
    return between


def close_all_around(way: Way, pair: Pair | None) -> bool:
    """Whether frames too near to see floor between them share what is on most sides, as through no door."""
    return way.distance < CLOSE and pair is not None and pair.sectors >= _ROOM_SECTORS


def _stands_between(known: Sequence[Known], plan: Plan, i: int, j: int) -> bool:
    """Whether points at the height of the camera are seen in front of the other frame."""
    return max(before(plan, known, i, j), before(plan, known, j, i)) > 1


def _lines_by_rays(
    frames: Sequence[Ready], known: Sequence[Known], pairs: Mapping[tuple[int, int], Pair], plan: Plan,
    left: Sequence[tuple[int, int]],
) -> list[Link]:  # fmt: skip
    """Lines that stay on what rays prove free, of those that the floor does not tell."""
    seen, worth = list(known), dict[tuple[int, int], float]()
    for i, j in left:
        for one, other in ((i, j), (j, i)):
            again, value = seen_again(frames, known, plan, one, other)
            worth[i, j] = worth.get((i, j), 0.0) + value
            good = again.worth >= 1.0
            seen[one] = Known(
                np.concatenate([seen[one].index, again.index[good]]),
                np.concatenate([seen[one].points, again.points[good]]),
            )
    floors = {
        number: FreeFloor(plan, seen, np.flatnonzero(plan.part == number).tolist())
        for number in {int(plan.part[i]) for i, _ in left}
    }
    links = []
    for i, j in left:
        sight = floors[int(plan.part[i])].sight(i, j)
        if sees(pairs.get((i, j)), sight, worth[i, j]):
            sure = _certainty(pairs.get((i, j)), rays=worth[i, j] + 2 * min(sight.past, 5))
            links.append(_link(i, j, plan.way(i, j), sure))
    return links


def _link(i: int, j: int, way: Way, certainty: float) -> Link:
    return Link(i, j, way.yaw_deg, way.back_yaw_deg, way.distance, certainty)


def sees(pair: Pair | None, sight: Sight, worth: float) -> bool:
    """Whether a line is believed to be free; `worth` is what each sees again of what the other shows."""
    if sight.before > max(1, sight.past):
        return False
    room = pair is not None and pair.sectors >= _ROOM_SECTORS and pair.telling >= _ROOM_TELLING
    room |= pair is not None and pair.floor_sure >= _ROOM_FLOOR and pair.sectors >= 3
    return (
        sight.gap <= _NO_GAP
        or (sight.gap <= _SMALL_GAP and worth >= _SEEN_AGAIN)
        or (room and sight.gap <= _ROOM_GAP)
    )


def _certainty(pair: Pair | None, *, floor: float = 0.0, rays: float = 0.0) -> float:
    """How sure a link is, from 0 to 1: by what tells the motion and the free line."""
    told = pair.telling + 2 * pair.floor_sure if pair is not None else 0.0
    votes = 12 + told + rays + 40 * max(0.0, floor - 0.3)
    return round(float(1 - np.exp(-votes / 30.0)), 2)
