"""From the features of all frames to where each stood, and which sees which."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.bridges import joined, worth_of
from panopipe.studies.stands.features import Features
from panopipe.studies.stands.links import proven, without_contradiction
from panopipe.studies.stands.matching import Ready
from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.pair import Pair, judged, look, look_hard, shares_room
from panopipe.studies.stands.plan import Plan, measured_frames, solve_plan
from panopipe.studies.stands.promising import promising_pairs
from panopipe.studies.stands.sight import FreeFloor, Known, Sight, known_points, seen_again
from panopipe.studies.stands.twins import ALIKE, may_be_linked

Float = NDArray[np.float64]

WALLS_CLEAR = 2.4
"""How far the votes for the heading of the walls must stand out."""
_REACH = 6.5
"""Camera heights up to which two frames of one plan are looked at again, knowing where they should be."""
_TURN_DEG, _YAW_DEG = 2.5, 6.0
"""How far a pair may be off what the plan says."""
_TELLING = 5.0
_NO_GAP, _SMALL_GAP, _SEEN_AGAIN = 0.02, 0.15, 3.0
"""Longest stretch of a line, in camera heights, that may be unproven: none to speak of, or a little where
either sees again what the other shows. A wall and the errors at both its sides leave a longer one."""
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


@dataclass(frozen=True, slots=True, eq=False)
class Shoot:
    """Where the frames of a shoot stood.

    Attributes
    ----------
    plan : Plan
        Headings and places.
    links : tuple of Link
        Free lines of sight.
    shared : tuple of Pair
        All pairs that are believed, whether or not they see each other.
    doubts : tuple of (int, int, str)
        Pairs that were not believed though something speaks for them, and why.
    measured : frozenset of int
        Frames whose distance from others is told; that of the others in the plan is assumed.
    """

    plan: Plan
    links: tuple[Link, ...]
    shared: tuple[Pair, ...]
    doubts: tuple[tuple[int, int, str], ...]
    measured: frozenset[int] = frozenset()


def solve_shoot(features: Sequence[Features], times: Sequence[float], rooms: Sequence[str] = ()) -> Shoot:
    """Find where all frames stood.

    Parameters
    ----------
    features : sequence of Features
        Of each frame.
    times : sequence of float
        When each was taken, or its place in walking order.
    rooms : sequence of str, optional
        The room of each as the photographer sorted them, empty where nobody did.
    """
    frames = [Ready.of(one) for one in features]
    looked = [look(i, j, frames[i], frames[j]) for i, j in promising_pairs(frames, times)]
    firsts = [pairs[0] for pairs in looked if pairs and proven(pairs[0])]
    every = [*firsts, *_of_rooms(frames, rooms, firsts)]
    may = may_be_linked(len(frames), [pair for pair in every if shares_room(pair)], times, rooms)
    alike = [pair for pair in every if not may(pair.first, pair.second)]
    believed, dropped = without_contradiction([pair for pair in every if may(pair.first, pair.second)])
    doubts = [(pair.first, pair.second, "it contradicts other links") for pair in dropped]
    doubts += [(pair.first, pair.second, ALIKE) for pair in alike]
    plan = _plan(frames, believed)
    refused = {id(pair) for pair in (*believed, *dropped)}
    candidates = [
        pair for pairs in looked for pair in pairs if id(pair) not in refused and may(pair.first, pair.second)
    ]
    believed, plan = joined(frames, believed, plan, candidates, lambda links: _plan(frames, links))
    for _ in range(2):
        believed = _fitting(_completed(frames, believed, plan), plan)
        plan = _plan(frames, believed)
    measured = measured_frames(len(frames), believed)
    links = [
        link if {link.first, link.second} <= measured else replace(link, distance=None)
        for link in _free_lines(frames, believed, plan)
    ]
    return Shoot(plan, tuple(links), tuple(believed), tuple(doubts), measured)


def _of_rooms(frames: Sequence[Ready], rooms: Sequence[str], proven_pairs: Sequence[Pair]) -> list[Pair]:
    """Pairs of the photographer's own rooms that a harder look proves."""
    known = {(pair.first, pair.second) for pair in proven_pairs}
    found = []
    for i, j in itertools.combinations(range(len(rooms)), 2):
        if rooms[i] == rooms[j] != "" and (i, j) not in known:
            pair = look_hard(i, j, frames[i], frames[j])
            if pair is not None and proven(pair, in_one_room=True):
                found.append(pair)
    return found


def _plan(frames: Sequence[Ready], links: Sequence[Pair]) -> Plan:
    walls = [frame.features.heading_deg for frame in frames]
    clear = [frame.features.walls > WALLS_CLEAR for frame in frames]
    return solve_plan(len(frames), links, walls, clear)


def _near_pairs(plan: Plan, reach: float) -> list[tuple[int, int]]:
    """Pairs of one part that are so near each other."""
    found = []
    for number in range(int(plan.part.max(initial=-1)) + 1):
        members = np.flatnonzero(plan.part == number)
        apart = np.linalg.norm(plan.at[members][:, None] - plan.at[members][None], axis=2)
        for i, j in np.argwhere(np.triu((apart < reach) & (apart > 0.25), 1)):
            found.append((int(members[i]), int(members[j])))
    return found


def _completed(frames: Sequence[Ready], believed: Sequence[Pair], plan: Plan) -> list[Pair]:
    """Look again at the pairs of each part that are near each other and not linked yet."""
    linked = {frozenset((link.first, link.second)) for link in believed}
    known = known_points(len(frames), believed, plan)
    found = list(believed)
    for i, j in _near_pairs(plan, _REACH):
        if frozenset((i, j)) in linked or worth_of(frames, known, plan, i, j) < _TELLING:
            continue
        turn, back, length = plan.predicted(i, j)
        pair = judged(i, j, frames[i], frames[j], turn, back)
        if pair is None or pair.telling < _TELLING or abs(wrapped(pair.turn_deg - turn)) > _TURN_DEG:
            continue
        if abs(wrapped(pair.back_yaw_deg - back)) < _YAW_DEG:
            found.append(pair if pair.distance else replace(pair, assumed=length))
    return found


def _fitting(believed: Sequence[Pair], plan: Plan) -> list[Pair]:
    """Links that agree with the plan of all."""
    kept = []
    for link in believed:
        turn, back, length = plan.predicted(link.first, link.second)
        near = abs(wrapped(link.back_yaw_deg - back)) < max(_YAW_DEG, 12.0 / max(length, 0.5))
        if abs(wrapped(link.turn_deg - turn)) < 2 * _TURN_DEG and near:
            kept.append(link)
    return kept


def _free_lines(frames: Sequence[Ready], believed: Sequence[Pair], plan: Plan) -> list[Link]:
    """Pairs whose line of sight is proven free."""
    count = len(frames)
    known = known_points(count, believed, plan)
    seen, worth = list(known), dict[tuple[int, int], float]()
    near = _near_pairs(plan, _REACH)
    for i, j in near:
        for one, other in ((i, j), (j, i)):
            again, value = seen_again(frames, known, plan, one, other)
            worth[i, j] = worth.get((i, j), 0.0) + value
            good = again.worth >= 1.0
            seen[one] = Known(
                np.concatenate([seen[one].index, again.index[good]]),
                np.concatenate([seen[one].points, again.points[good]]),
            )
    pairs = {(min(p.first, p.second), max(p.first, p.second)): p for p in believed}
    floors = {
        number: FreeFloor(plan, seen, np.flatnonzero(plan.part == number).tolist())
        for number in range(int(plan.part.max(initial=-1)) + 1)
    }
    links = []
    for i, j in near:
        sight = floors[int(plan.part[i])].sight(i, j)
        pair = pairs.get((i, j))
        if sees(pair, sight, worth[i, j]):
            turn, back, length = plan.predicted(i, j)
            sure = certainty(pair, sight, worth[i, j])
            links.append(Link(i, j, wrapped(back - turn + 180), back, length, sure))
    return links


def sees(pair: Pair | None, sight: Sight, worth: float) -> bool:
    """Whether a line is believed to be free; `worth` is what each sees again of what the other shows."""
    if sight.before > max(1, sight.past):
        return False
    room = pair is not None and pair.sectors >= _ROOM_SECTORS and pair.telling >= _ROOM_TELLING
    if pair is not None and pair.floor is not None and pair.floor_agrees:
        room |= pair.floor.count >= _ROOM_FLOOR and pair.sectors >= 3
    return (
        sight.gap <= _NO_GAP
        or (sight.gap <= _SMALL_GAP and worth >= _SEEN_AGAIN)
        or (room and sight.gap <= _ROOM_GAP)
    )


def certainty(pair: Pair | None, sight: Sight, worth: float) -> float:
    """How sure a link is, from 0 to 1: walls, floor, what is seen again, and the free line."""
    telling = pair.telling if pair is not None else 0.0
    floor = pair.floor.count if pair is not None and pair.floor is not None and pair.floor_agrees else 0
    votes = 12 + telling + 2 * floor + worth + 2 * min(sight.past, 5)
    return round(float(1 - np.exp(-votes / 30.0)), 2)
