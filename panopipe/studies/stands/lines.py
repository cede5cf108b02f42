"""Which frames of a plan see each other.

A line is free if both see the floor along it, or if rays to what is seen prove all of it. Where neither is
clear, all that is known is weighed together: what both see past each other, the floor, and, against it,
something nearer that a third frame sees there, too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from panopipe.studies.stands.between import Way, beside, seen_by_both
from panopipe.studies.stands.beyond import seen_before, seen_beyond
from panopipe.studies.stands.matching import Ready
from panopipe.studies.stands.pair import Pair
from panopipe.studies.stands.plan import Plan
from panopipe.studies.stands.sight import FreeFloor, Known, Sight, before, known_points, seen_again

REACH = 6.5
"""Camera heights up to which two frames of one plan are looked at again, knowing where they should be."""
_NO_GAP, _SMALL_GAP, _SEEN_AGAIN = 0.02, 0.15, 3.0
"""Longest stretch of a line, in camera heights, that may be unproven: none to speak of, or a little where
either sees again what the other shows. A wall and the errors at both its sides leave a longer one."""
_FLOOR_FREE, _FLOOR_CLEAR, _FLOOR_HIDDEN = 0.6, 0.5, 0.1
"""How well the floor along a line agrees from which on it is free by itself, from which on it is clear, and
up to which rays alone prove nothing. Of 1,256 lines that are not free, in 17 generated houses, one had 0.51
(it misses a door by 21 cm) and 0.49 (7 cm), all others below 0.45."""
_UNMATCHED = 1.0
"""What such a floor and what is seen past each other, or all together, must say of two frames that share no
match: a line that misses a door by 12 cm had 0.97, and two that miss one by 5 and 8 cm 0.61 and 0.73; of 110
free ones that the floor told, in 15 generated houses, 102 had more."""
_TOGETHER = 0.6
"""What must speak for a line, in agreement: of 1,256 lines that are not free two had 0.36 and 0.43 (they
miss a door by 6 and 3 cm)."""
_RAYS_AND_PAST = 0.25
"""What two frames must see past each other if rays alone prove their line, but for a stretch of it, or if
they share no match and their places come from others: one that was not free had 0.2 (it misses a door by
14 cm), of 12 free ones in 7 generated houses one had 0.33 and all others 0.4 and more."""
_HOPELESS = -0.6
"""What floor and rays say of a line that need not be looked at: both ends would have to see 0.6 past each
other, and most free lines have less."""
_PAST_CLEAR, _GAP_CLEAR = 0.5, 0.2
"""One thing must be clear: what is seen past the other frame, from either, or no long gap in the rays."""
_CLOSE_GAP = 0.25
"""The gap of frames that are close, where the floor beside them is all that can be compared; with a longer
one, something must be seen past each other."""
_FLOOR_UNKNOWN = -0.1
"""What a floor says that cannot be compared."""
_NEARER_CHANCE, _NEARER_COUNTS = 0.4, 1.5
"""Agreement on something nearer that is chance, and how much more counts against a line."""
_AGAINST, _MOST_AGAINST = 0.3, 3
"""What a point in front of the other frame counts against a line, and how many do; and, by its camera
heights, an unproven stretch."""
_RAYS_TOGETHER = 15.0
"""What one of agreement is worth in the certainty of a link."""
_THIRD, _THIRD_WITHIN, _THIRD_ASIDE_DEG = 5, 4.0, 12.0
"""Third frames that are asked, within so many camera heights, and so far off the line that things shift."""
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
    """Pairs whose line of sight is proven free."""
    known = known_points(len(frames), believed, plan)
    pairs = {(min(pair.ends), max(pair.ends)): pair for pair in believed}
    links, left = [], dict[tuple[int, int], float | None]()
    for i, j in near_pairs(plan, REACH):
        way = plan.way(i, j)
        floor = seen_by_both(frames[i].floor, frames[j].floor, way)
        matched = (i, j) in pairs
        if (
            floor is not None
            and _is_free_floor(frames[i], frames[j], way, floor, matched)
            and not _stands_between(known, plan, i, j)
        ):
            links.append(_link(i, j, way, _certainty(pairs.get((i, j)), floor=floor)))
        else:
            left[i, j] = floor
    return sorted(
        [*links, *_lines_by_all(frames, known, pairs, plan, left)], key=lambda k: (k.first, k.second)
    )


def _is_free_floor(one: Ready, other: Ready, way: Way, floor: float, matched: bool) -> bool:
    """Whether a line is free by its floor alone, of frames that share matches, or with what is seen past."""
    clear = floor >= _FLOOR_FREE
    return clear and (matched or floor + sum(_seen_past(one, other, way)) >= _UNMATCHED)


def close_all_around(way: Way, pair: Pair | None) -> bool:
    """Whether frames too near to see floor between them share what is on most sides, as through no door."""
    return way.distance < CLOSE and pair is not None and pair.sectors >= _ROOM_SECTORS


def _stands_between(known: Sequence[Known], plan: Plan, i: int, j: int) -> bool:
    """Whether points at the height of the camera are seen in front of the other frame."""
    return max(before(plan, known, i, j), before(plan, known, j, i)) > 1


def _lines_by_all(
    frames: Sequence[Ready], known: Sequence[Known], pairs: Mapping[tuple[int, int], Pair], plan: Plan,
    left: Mapping[tuple[int, int], float | None],
) -> list[Link]:  # fmt: skip
    """Lines that stay on what rays prove free, or that all together speaks for, of those the floor leaves."""
    asked = [
        (i, j)
        for (i, j), floor in left.items()
        if not _hidden(frames[i], frames[j], plan.way(i, j), pairs.get((i, j)), floor)
    ]
    seen, worth = _with_seen_again(frames, known, plan, asked)
    floors = {
        number: FreeFloor(plan, seen, np.flatnonzero(plan.part == number).tolist())
        for number in {int(plan.part[i]) for i, _ in left}
    }
    links = []
    for (i, j), floor in left.items():
        sight, pair, way = floors[int(plan.part[i])].sight(i, j), pairs.get((i, j)), plan.way(i, j)
        by_rays = (i, j) in worth and sees(pair, sight, worth[i, j])
        proven = pair is not None and sight.gap <= _NO_GAP
        by_rays = by_rays and (proven or sum(_seen_past(frames[i], frames[j], way)) >= _RAYS_AND_PAST)
        if by_rays or ((i, j) in worth and _close_in_one_room(frames[i], frames[j], way, pair, sight)):
            sure = _certainty(pair, rays=worth[i, j] + 2 * min(sight.past, 5))
        elif (told := _all_together(frames, plan, i, j, floor, sight)) >= (_TOGETHER if pair else _UNMATCHED):
            sure = _certainty(pair, rays=_RAYS_TOGETHER * told)
        else:
            continue
        links.append(_link(i, j, way, sure))
    return links


def _with_seen_again(
    frames: Sequence[Ready], known: Sequence[Known], plan: Plan, asked: Sequence[tuple[int, int]]
) -> tuple[list[Known], dict[tuple[int, int], float]]:
    """What each frame sees, with what it sees again of the others; and what that is worth, pair by pair."""
    seen, worth = list(known), dict[tuple[int, int], float]()
    for i, j in asked:
        for one, other in ((i, j), (j, i)):
            again = seen_again(frames, known, plan, one, [other])
            worth[i, j] = worth.get((i, j), 0.0) + float(again.worth.sum())
            good = again.worth >= 1.0
            seen[one] = Known(
                np.concatenate([seen[one].index, again.index[good]]),
                np.concatenate([seen[one].points, again.points[good]]),
            )
    return seen, worth


def _hidden(one: Ready, other: Ready, way: Way, pair: Pair | None, floor: float | None) -> bool:
    """Whether the floor between two frames does not agree; of frames that are close, that beside them."""
    if floor is None and close_all_around(way, pair):
        floor = beside(one.floor, other.floor, way)
    return floor is not None and floor <= _FLOOR_HIDDEN


def _close_in_one_room(one: Ready, other: Ready, way: Way, pair: Pair | None, sight: Sight) -> bool:
    """Whether frames too near to see floor between them see the same floor beside them."""
    if not close_all_around(way, pair) or sight.before > 1:
        return False
    if sight.gap > _CLOSE_GAP and sum(_seen_past(one, other, way)) < _PAST_CLEAR:
        return False
    floor = beside(one.floor, other.floor, way)
    return floor is not None and floor >= _FLOOR_CLEAR


def _all_together(
    frames: Sequence[Ready], plan: Plan, i: int, j: int, floor: float | None, sight: Sight
) -> float:
    """What speaks for a line, less what speaks against it; 0 if nothing is clear."""
    way = plan.way(i, j)
    says = _FLOOR_UNKNOWN if floor is None else min(floor, _FLOOR_CLEAR)
    told = says - _AGAINST * (min(sight.before, _MOST_AGAINST) + sight.gap)
    if told < _HOPELESS:
        return 0.0
    past = _seen_past(frames[i], frames[j], way)
    told += sum(past)
    clear = max(past) >= _PAST_CLEAR or sight.gap < _GAP_CLEAR or says >= _FLOOR_CLEAR
    if not clear or told < _TOGETHER:
        return 0.0
    nearer = max(
        seen_before(frames[one], _third(frames, plan, one, other), plan.way(one, other))
        for one, other in ((i, j), (j, i))
    )
    return told - _NEARER_COUNTS * max(0.0, nearer - _NEARER_CHANCE)


def _seen_past(one: Ready, other: Ready, way: Way) -> tuple[float, float]:
    """What each sees past the other."""
    return seen_beyond(one, other, way), seen_beyond(other, one, way.back)


def _third(frames: Sequence[Ready], plan: Plan, one: int, other: int) -> list[tuple[Ready, Way]]:
    """Frames near one that stand beside the way from it to the other, and the way to each."""
    apart = np.hypot(*(plan.at - plan.at[one]).T)
    apart[plan.part != plan.part[one]] = np.inf
    apart[[one, other]] = np.inf
    near = [int(k) for k in np.argsort(apart, kind="stable")[:_THIRD] if apart[k] < _THIRD_WITHIN]
    ahead = plan.way(one, other).yaw_deg
    ways = [(frames[k], plan.way(one, k)) for k in near]
    return [(k, way) for k, way in ways if abs((way.yaw_deg - ahead + 90) % 180 - 90) > _THIRD_ASIDE_DEG]


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
