"""From the features of all frames to where each stood, and which sees which."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.between import Way, beside, seen_by_both
from panopipe.studies.stands.bridges import joined, worth_of
from panopipe.studies.stands.features import Features
from panopipe.studies.stands.floor import floor_shifts, forget_spectra, stands_out
from panopipe.studies.stands.links import proven, without_contradiction
from panopipe.studies.stands.matching import Ready, alike
from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.pair import Pair, judged, look, look_hard, shares_room
from panopipe.studies.stands.plan import Plan, measured_frames, solve_plan
from panopipe.studies.stands.promising import pairs_by_floor, promising_pairs
from panopipe.studies.stands.sight import FreeFloor, Known, Sight, before, known_points, seen_again
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
_FLOOR_FREE, _FLOOR_HIDDEN = 0.5, 0.1
"""How well the floor along a line agrees from which on it is free, and up to which it is not. Of 625 lines
that are not free, in ten generated houses, one had 0.49 (it misses a door by 7 cm), all others below 0.36."""
_CLOSE = 1.4
"""Camera heights below which two tripods hide most of the floor between them."""
_ONE_ROOM, _ONE_ROOM_CLOSE = 0.68, 0.5
"""How well the floor beside a line agrees from which on both ends stand in one room: of 238 pairs of frames
through doors one had more, of 173 in one room nineteen in twenty. Of frames that are close, less will do."""
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
    one_room : tuple of (int, int)
        Frames that stand in one room, of those that see each other.
    """

    plan: Plan
    links: tuple[Link, ...]
    shared: tuple[Pair, ...]
    doubts: tuple[tuple[int, int, str], ...]
    measured: frozenset[int] = frozenset()
    one_room: tuple[tuple[int, int], ...] = ()


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
    wanted = set(promising_pairs(frames, times))
    shifts = {
        (i, j): floor_shifts(frames[i].floor, frames[j].floor) for i, j in pairs_by_floor(wanted, times)
    }
    looked = [
        look(i, j, frames[i], frames[j], floors)
        for (i, j), floors in shifts.items()
        if (i, j) in wanted or stands_out(floors)
    ]
    firsts = [pairs[0] for pairs in looked if pairs and proven(pairs[0])]
    every = [*firsts, *_of_rooms(frames, rooms, firsts)]
    may = may_be_linked(len(frames), [pair for pair in every if _shares_room(frames, pair)], times, rooms)
    alike = [pair for pair in every if not may(pair.first, pair.second)]
    believed, dropped = without_contradiction([pair for pair in every if may(pair.first, pair.second)])
    doubts = [(pair.first, pair.second, "it contradicts other links") for pair in dropped]
    doubts += [(pair.first, pair.second, ALIKE) for pair in alike]
    plan = _plan(frames, believed)
    shifts = {(i, j): floors for (i, j), floors in shifts.items() if may(i, j)}
    believed, plan = joined(frames, believed, plan, shifts, lambda links: _plan(frames, links))
    for _ in range(2):
        believed = _fitting(_completed(frames, believed, plan), plan)
        plan = _plan(frames, believed)
    forget_spectra()
    measured = measured_frames(len(frames), believed)
    links = [
        link if {link.first, link.second} <= measured else replace(link, distance=None)
        for link in _free_lines(frames, believed, plan)
    ]
    one_room = _in_one_room(frames, believed, plan, links)
    return Shoot(plan, tuple(links), tuple(believed), tuple(doubts), measured, one_room)


def _in_one_room(
    frames: Sequence[Ready], believed: Sequence[Pair], plan: Plan, links: Sequence[Link]
) -> tuple[tuple[int, int], ...]:
    """Frames that see each other and the floor to one side of the way; where it is bare, walls all around."""
    pairs = {(min(pair.ends), max(pair.ends)): pair for pair in believed}
    return tuple(
        (link.first, link.second)
        for link in links
        if _one_room(
            frames[link.first], frames[link.second], plan.way(link.first, link.second),
            pairs.get((link.first, link.second)),
        )
    )  # fmt: skip


def _one_room(one: Ready, other: Ready, way: Way, pair: Pair | None) -> bool:
    """Whether two frames that see each other stand in one room."""
    floor = beside(one.floor, other.floor, way)
    if floor is None:
        return pair is not None and shares_room(pair)
    if way.distance < _CLOSE:
        return _close_all_around(way, pair) and floor >= _ONE_ROOM_CLOSE
    return floor >= _ONE_ROOM


def _shares_room(frames: Sequence[Ready], pair: Pair) -> bool:
    """The same of a pair by its own motion, before all are in one plan."""
    if pair.distance is None:
        return shares_room(pair)
    way = Way(pair.yaw_deg, pair.back_yaw_deg, pair.distance)
    return _one_room(frames[pair.first], frames[pair.second], way, pair)


def _of_rooms(frames: Sequence[Ready], rooms: Sequence[str], proven_pairs: Sequence[Pair]) -> list[Pair]:
    """Pairs of the photographer's own rooms that a harder look proves."""
    known = {(pair.first, pair.second) for pair in proven_pairs}
    found = []
    for i, j in itertools.combinations(range(len(rooms)), 2):
        if rooms[i] == rooms[j] != "" and (i, j) not in known:
            floors = floor_shifts(frames[i].floor, frames[j].floor)
            pair = look_hard(i, j, frames[i], frames[j], floors)
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
        one, other = frames[i], frames[j]
        floors = floor_shifts(one.floor, other.floor)
        pair = judged(i, j, one, other, alike(one, other), turn, back, floors)
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
    """Pairs whose line of sight is proven free: by the floor that both see between them, or by rays."""
    known = known_points(len(frames), believed, plan)
    pairs = {(min(pair.ends), max(pair.ends)): pair for pair in believed}
    links, left = [], []
    for i, j in _near_pairs(plan, _REACH):
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
    if between is None and _close_all_around(way, pair):
        return beside(one.floor, other.floor, way)
    return between


def _close_all_around(way: Way, pair: Pair | None) -> bool:
    """Whether frames too near to see floor between them share what is on most sides, as through no door."""
    return way.distance < _CLOSE and pair is not None and pair.sectors >= _ROOM_SECTORS


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
