"""Parts of a plan that belong together: rooms joined by a door, mostly, whose frames have little in common.

Floors propose places of one part against another (`panopipe.studies.stands.proposals`). What the frames of
the parts see again of each other's points speaks for one too, and so does what they see past each other,
through the door; and walls of the one must not stand in the free floor of the other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from panopipe.studies.stands.beyond import seen_beyond
from panopipe.studies.stands.matching import Ready
from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.pair import Pair
from panopipe.studies.stands.plan import Plan, parts_of
from panopipe.studies.stands.promising import ranks
from panopipe.studies.stands.proposals import Proposal, Shifts, Sides, carried, proposals
from panopipe.studies.stands.sight import FreeFloor, Known, known_points, seen_again

_HOLDS = 3.8
"""How sure a shift must be to hold a place."""
_TRIED = 6
_LEAST_SUPPORT = 1.25
"""What floors must say for a place that is looked at: right ones that all else spoke for had 1.3 and more."""
_SUPPORT = 2.5
"""What floors alone must say for a place that walls alone second, or that no two frames tell which were taken
soon after each other: one shift of 5.2 says so much."""
_OVER_RIVALS = 2.0
"""How many times more must speak for a place than for any other."""
_WALLS = 3.0
"""What walls must say for a place."""
_FLOOR_ALONE, _FLOOR_OVER_RIVALS = 8.0, 4.0
"""What floors must say where all together says less, and how many times more than for any other place. Tiles
said 56 of a wrong place, and 82 of one in a house with the same floor in two rooms, so that something must
second it, or frames taken next to each other tell it and nothing stand in the way.
"""
_BEYOND_CHANCE, _BEYOND_COUNTS, _MOST_BEYOND = 0.5, 10.0, 6.0
"""What two frames see past each other by chance, both ways together, what more counts, and at most."""
_BEYOND, _ALL_TOGETHER, _OVER_RIVALS_THEN = 2.5, 12.0, 1.3
"""What must be seen past each other, what must speak for such a place together with floors and walls, and how
many times more than for any other. In 18 generated houses, of 20 right places with as much seen past each
other one had less (10.2), and of 400 wrong ones without walls in the way none had more than 9.4."""
_SOON = 2
"""How many frames later the second of two was taken, at most, whose floors tell a place that `_ALL_TOGETHER`
speaks for: who walks through a house enters the next room by a door. Of frames three and four later, wrong
places of three houses had 11.0 to 14.2 in all."""
_NOT_SOON = 16.0
"""What must speak for a place that no frames tell which were taken soon after each other, unless floors alone
tell it. Of 15 generated houses (the benchmark's 601 to 614 and 701), the worst wrong place had 14.9, the next
12.8; of 19 right ones one had less (12.4), the next 16.7."""
_SOON_SUPPORT = 1.5
"""What floors must say for it. Walls in the way count twice then. In 58 generated houses one such place was
wrong that had 9.4 in all, and one of bare rooms that had 16.9 was half a metre off."""
_MOST_AGAINST, _BEYOND_ALL_DOUBT = 1.2, 7.5
"""How much of the one may stand in the free floor of the other, in what it counts, and what must be seen past
each other where more does: of right places one had more, of wrong ones on tiled floors all had."""
_MOST_OF_WALLS = 9.0
"""What walls say at most: furniture comes again, and of wrong places some had 12 to 27."""
_WORTH_A_LOOK = 6.5
"""What floors and walls must say for a place whose views past each other are compared: all 14 had more."""
_SEEN_FAR = 6.5
"""Camera heights up to which what is seen past each other is compared."""
_CONFLICT = 0.4
"""What a point counts against a bridge that would stand in the free floor of the other side."""
_MOST_ACROSS = 12
_PLACE, _MOST_OF_A_PLACE = 0.8, 4.0
"""A door like any other shows in one place: what it is worth there is bounded. Camera heights."""


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A proposal, what walls and views past each other say for it, walls against it, and all together.

    `apart` is how many frames later the second of two was taken whose floors tell it, at least.
    """

    proposal: Proposal
    walls: float
    beyond: float
    against: float
    worth: float
    apart: int


def joined(
    frames: Sequence[Ready],
    believed: list[Pair],
    plan: Plan,
    shifts: Shifts,
    times: Sequence[float],
    planned: Callable[[Sequence[Pair]], Plan],
) -> tuple[list[Pair], Plan]:
    """Join parts of the plan that floors and walls place against each other; the best first."""
    rank = ranks(times)
    tried: dict[Sides, tuple[float, list[Pair]]] = {}
    known = known_points(len(frames), believed, plan)
    floors: dict[tuple[int, ...], FreeFloor] = {}
    while True:
        best: tuple[float, list[Pair]] = (0.0, [])
        members: set[int] = set()
        for sides in _sides(plan, shifts):
            if sides not in tried:
                for side in sides:
                    floors[side] = floors.get(side) or FreeFloor(plan, known, side)
                tried[sides] = _bridge(frames, known, plan, shifts, sides, floors, rank)
            if tried[sides][0] > best[0]:
                best, members = tried[sides], {*sides[0], *sides[1]}
        if not best[1]:
            return believed, plan
        believed = [*believed, *best[1]]
        inside = [link for link in believed if link.first in members]
        plan = _replaced(plan, planned(inside), sorted(members), believed)
        known = [
            new if frame in members else old
            for frame, (old, new) in enumerate(
                zip(known, known_points(len(frames), inside, plan), strict=True)
            )
        ]


def _replaced(plan: Plan, newer: Plan, members: list[int], believed: Sequence[Pair]) -> Plan:
    """A plan with some frames, now one part, placed as a newer one has them."""
    headings, at = plan.headings_deg.copy(), plan.at.copy()
    headings[members], at[members] = newer.headings_deg[members], newer.at[members]
    return Plan(headings, at, parts_of(len(at), [pair.ends for pair in believed]))


def _sides(plan: Plan, shifts: Shifts) -> list[Sides]:
    """Parts that some pair of frames may join, each as its frames."""
    members: dict[int, list[int]] = {}
    part = [p if p >= 0 else -1 - i for i, p in enumerate(plan.part.tolist())]
    for frame, number in enumerate(part):
        members.setdefault(number, []).append(frame)
    pairs = {(min(part[i], part[j]), max(part[i], part[j])) for i, j in shifts if part[i] != part[j]}
    return [(tuple(members[p]), tuple(members[q])) for p, q in sorted(pairs)]


def _bridge(
    frames: Sequence[Ready],
    known: Sequence[Known],
    plan: Plan,
    shifts: Shifts,
    sides: Sides,
    floors: Mapping[tuple[int, ...], FreeFloor],
    rank: Sequence[int],
) -> tuple[float, list[Pair]]:
    """How much speaks for the best way to join two parts, if far more than for any other, and its pairs."""
    made = proposals(frames, plan, shifts, sides)[:_TRIED]
    able = [one for one in made if one.support >= _LEAST_SUPPORT]
    if not any(one.support >= _SUPPORT or _apart(one, rank) <= _SOON for one in able):
        return 0.0, []
    told = sorted(
        (
            _judged(frames, known, one, sides, _CONFLICT * conflicts(plan, one.plan, sides, floors), rank)
            for one in able
        ),
        key=lambda one: -one.worth,
    )
    rival = told[1].worth if len(told) > 1 else 0.0
    if is_sure(told[0], made, rival):
        return told[0].worth, _pairs(told[0].proposal)
    return 0.0, []


def _judged(
    frames: Sequence[Ready],
    known: Sequence[Known],
    one: Proposal,
    sides: Sequence[Sequence[int]],
    against: float,
    rank: Sequence[int],
) -> Judged:
    """A proposal with what walls and views say for it, where they can still make it worth a look."""
    walls = beyond = 0.0
    if one.support + _MOST_OF_WALLS - against >= _WORTH_A_LOOK:
        walls = min(_seen_across(frames, known, one.plan, sides), _MOST_OF_WALLS)
    worth = one.support + walls - against
    if worth >= _WORTH_A_LOOK:
        beyond = _seen_past(frames, one.plan, sides)
    return Judged(one, walls, beyond, against, worth + beyond, _apart(one, rank))


def _apart(place: Proposal, rank: Sequence[int]) -> int:
    """How many frames later the second of two was taken whose floors tell a place, at least."""
    return min(abs(rank[i] - rank[j]) for i, j, _ in place.told)


def is_sure(best: Judged, made: Sequence[Proposal], rival: float) -> bool:
    """Whether a place is believed, by what is seen through the door, or by floors and walls without that."""
    if _told_soon(best, rival):
        return True
    if best.against > _MOST_AGAINST and best.beyond < _BEYOND_ALL_DOUBT:
        return False
    if best.apart > _SOON and best.proposal.support < _SUPPORT:
        return False
    is_soon = best.apart <= _SOON
    over, together = (_OVER_RIVALS_THEN, _ALL_TOGETHER) if is_soon else (_OVER_RIVALS, _NOT_SOON)
    if best.beyond >= _BEYOND and best.worth >= max(together, over * rival):
        return True
    support, rest = best.proposal.support, best.worth - best.beyond
    others = max((one.support for one in made if one is not best.proposal), default=0.0)
    if (
        _is_seconded(best)
        and support >= max(_FLOOR_ALONE, _FLOOR_OVER_RIVALS * others)
        and rest >= _FLOOR_ALONE
    ):
        return True
    by_walls = support >= _SUPPORT and best.walls >= _WALLS
    return by_walls and rest >= max(together, _OVER_RIVALS * rival)


def _is_seconded(best: Judged) -> bool:
    """Whether something else says what the floors say of a place, or frames taken in a row tell it."""
    next_door = best.apart <= _SOON and not best.against
    return best.walls >= _WALLS or best.beyond >= _BEYOND or next_door


def _told_soon(best: Judged, rival: float) -> bool:
    """Whether enough speaks for a place that frames taken soon after each other tell.

    A floor of tiles says much of many places, so that walls in the way must be outweighed by what is seen.
    """
    if best.against > best.walls + best.beyond or not _is_seconded(best):
        return False
    by_floors = best.proposal.support >= _SOON_SUPPORT and len(best.proposal.told) > 1
    enough = max(_ALL_TOGETHER + best.against, _OVER_RIVALS * rival)
    return best.apart <= _SOON and by_floors and best.worth >= enough


def _seen_past(frames: Sequence[Ready], plan: Plan, sides: Sequence[Sequence[int]]) -> float:
    """What frames of two parts see past each other, more than by chance."""
    total = 0.0
    for i, j in _nearest_across(plan, sides):
        way = plan.way(i, j)
        if way.distance < _SEEN_FAR:
            both = seen_beyond(frames[i], frames[j], way) + seen_beyond(frames[j], frames[i], way.back)
            total += float(np.clip(_BEYOND_COUNTS * (both - _BEYOND_CHANCE), 0, _MOST_BEYOND))
    return total


def _nearest_across(plan: Plan, sides: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    pairs = [(i, j) for i in sides[0] for j in sides[1]]
    pairs.sort(key=lambda ij: float(np.hypot(*(plan.at[ij[0]] - plan.at[ij[1]]))))
    return pairs[:_MOST_ACROSS]


def _seen_across(
    frames: Sequence[Ready], known: Sequence[Known], plan: Plan, sides: Sequence[Sequence[int]]
) -> float:
    """What two parts see again of each other's points; what is seen in one place has a bounded say."""
    looks: dict[int, list[int]] = {}
    for i, j in _nearest_across(plan, sides):
        looks.setdefault(i, []).append(j)
        looks.setdefault(j, []).append(i)
    cells: dict[tuple[int, int], float] = {}
    for one, others in looks.items():
        again = seen_again(frames, known, plan, one, others)
        places = np.floor(again.in_plan(plan, one)[:, :2] / _PLACE).astype(int)
        for (east, north), worth in zip(places.tolist(), again.worth.tolist(), strict=True):
            cells[east, north] = cells.get((east, north), 0.0) + worth
    return sum(min(worth, _MOST_OF_A_PLACE) for worth in cells.values() if worth >= 1.0)


def conflicts(
    plan: Plan, moved: Plan, sides: Sides,
    floors: Mapping[tuple[int, ...], FreeFloor],
) -> int:  # fmt: skip
    """Points of one side in the free floor of the other, the second side moved to where `moved` has it.

    `floors` are those of both sides, each where `plan` has it.
    """
    one, other = (floors[side] for side in sides)
    frame = sides[1][0]
    second_in_first = one.holds(carried(other.upright, frame, plan, moved))
    return second_in_first + other.holds(carried(one.upright, frame, moved, plan))


def worth_of(frames: Sequence[Ready], known: Sequence[Known], plan: Plan, i: int, j: int) -> float:
    """What two frames of a plan see again of each other's points."""
    return sum(float(seen_again(frames, known, plan, *ends).worth.sum()) for ends in ((i, [j]), (j, [i])))


def _pairs(proposal: Proposal) -> list[Pair]:
    """The pairs of frames that hold two parts together, the turn as their walls have it."""
    found = []
    for i, j, shift in proposal.told:
        if shift.sure >= _HOLDS:
            turn, _, _ = proposal.plan.predicted(i, j)
            yaw = wrapped(shift.back_yaw_deg - turn + 180.0)
            found.append(Pair.of_floor(i, j, turn, yaw, shift))
    return found
