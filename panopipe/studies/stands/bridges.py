"""Parts of a plan that a pair of frames joins: through a door, mostly, with little in common.

A pair whose own matches prove nothing is tried as a bridge: under its motion, each part's points must be seen
by the other part's frames where they should be. By chance that hardly happens; a door or a window like any
other shows in one place only, so that each place of the plan has a bounded say. And walls of the one must not
stand in the free floor of the other.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from panopipe.studies.stands.matching import Ready
from panopipe.studies.stands.pair import Pair
from panopipe.studies.stands.plan import Plan
from panopipe.studies.stands.sight import FreeFloor, Known, known_points, seen_again

_BRIDGE_TELLING, _BRIDGE_WORTH = 4.0, 18.5
"""What a pair must have to be tried as a bridge between two parts, and what must speak for one: of wrong
motions, one pair in a hundred shows more than 1.5."""
_CONFLICT = 0.4
"""What a point counts against a bridge that would stand in the free floor of the other side."""
_MOST_ACROSS = 12
_PLACE, _MOST_OF_A_PLACE = 0.8, 4.0
"""A door like any other shows in one place: what it is worth there is bounded. Camera heights."""
_NEAREST = 0.9
"""Camera heights below which two frames of different rooms hardly stand; false motions are mostly short."""
_TRIED_DISTANCES = tuple(_NEAREST * 1.12**step for step in range(16))


def joined(
    frames: Sequence[Ready],
    believed: list[Pair],
    plan: Plan,
    candidates: Sequence[Pair],
    planned: Callable[[Sequence[Pair]], Plan],
) -> tuple[list[Pair], Plan]:
    """Join parts of the plan by pairs whose parts then show each other's points; the best first."""
    tried: dict[tuple[int, tuple[int, ...]], tuple[float, Pair]] = {}
    while True:
        part = [p if p >= 0 else -1 - i for i, p in enumerate(plan.part.tolist())]
        known = known_points(len(frames), believed, plan)
        best: tuple[float, Pair] | None = None
        for pair in candidates:
            if part[pair.first] == part[pair.second] or pair.telling < _BRIDGE_TELLING:
                continue
            if pair.distance and pair.distance < _NEAREST:
                continue
            sides = [[i for i, p in enumerate(part) if p == part[end]] for end in (pair.first, pair.second)]
            mark = (id(pair), (*sides[0], -1, *sides[1]))
            if mark not in tried:
                tried[mark] = _bridge(frames, known, plan, pair, sides)
            if best is None or tried[mark][0] > best[0]:
                best = tried[mark]
        if best is None or best[0] < _BRIDGE_WORTH:
            return believed, plan
        believed = [*believed, best[1]]
        plan = planned(believed)


def _bridge(
    frames: Sequence[Ready], known: Sequence[Known], plan: Plan, pair: Pair, sides: Sequence[Sequence[int]]
) -> tuple[float, Pair]:
    """What speaks for joining two parts by a pair: points of each that the other sees where they should be.

    The pair comes back with the distance under which most does.
    """
    a, b = pair.first, pair.second
    distances = (pair.distance,) if pair.distance else _TRIED_DISTANCES
    scored = []
    for distance in distances:
        moved = _moved(plan, pair, distance, sides[1])
        direct = worth_of(frames, known, moved, a, b) if len(distances) > 1 else 0.0
        scored.append((direct, distance))
    distance = max(scored)[1]
    moved = _moved(plan, pair, distance, sides[1])
    near = sorted(
        itertools.product(*sides), key=lambda ij: float(np.hypot(*(moved.at[ij[0]] - moved.at[ij[1]])))
    )
    cells: dict[tuple[int, int], float] = {}
    for i, j in near[:_MOST_ACROSS]:
        for one, other in ((i, j), (j, i)):
            again, _ = seen_again(frames, known, moved, one, other)
            places = np.floor(again.in_plan(moved, one)[:, :2] / _PLACE).astype(int)
            for (east, north), worth in zip(places.tolist(), again.worth.tolist(), strict=True):
                cells[east, north] = cells.get((east, north), 0.0) + worth
    total = sum(min(worth, _MOST_OF_A_PLACE) for worth in cells.values() if worth >= 1.0)
    floor = pair.floor.count if pair.floor is not None and pair.floor_agrees else 0
    if total + 1.5 * min(floor, 12) > 0.5 * _BRIDGE_WORTH:
        total -= _CONFLICT * conflicts(moved, known, sides)
    total += 1.5 * min(floor, 12) + 0.15 * min(pair.telling, 30.0)
    return total, pair if pair.distance else replace(pair, assumed=distance)


def conflicts(plan: Plan, known: Sequence[Known], sides: Sequence[Sequence[int]]) -> int:
    """Points of one side that would stand in the free floor of the other."""
    total = 0
    for own, other in (sides, sides[::-1]):
        floor = FreeFloor(plan, known, list(own))
        total += floor.stands_in(list(other), plan, known)
    return total


def worth_of(frames: Sequence[Ready], known: Sequence[Known], plan: Plan, i: int, j: int) -> float:
    """What two frames of a plan see again of each other's points."""
    return seen_again(frames, known, plan, i, j)[1] + seen_again(frames, known, plan, j, i)[1]


def _moved(plan: Plan, pair: Pair, distance: float, side: Sequence[int]) -> Plan:
    """The plan with one side moved so that a pair that joins it holds."""
    a, b = pair.first, pair.second
    headings, at = plan.headings_deg.copy(), plan.at.copy()
    turn = headings[a] - pair.turn_deg - headings[b]
    way = np.radians(headings[a] + pair.yaw_deg)
    goal = at[a] + distance * np.array([np.sin(way), np.cos(way)])
    angle = np.radians(turn)
    east, north = (at[list(side)] - at[b]).T
    at[list(side)] = goal + np.stack(
        [np.cos(angle) * east + np.sin(angle) * north, np.cos(angle) * north - np.sin(angle) * east], axis=1
    )
    headings[list(side)] += turn
    return Plan(headings, at, plan.part)
