"""From the features of all frames to where each stood, and which sees which."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.between import Way, beside
from panopipe.studies.stands.beyond import seen_past_each_other
from panopipe.studies.stands.bridges import joined, worth_of
from panopipe.studies.stands.features import Features
from panopipe.studies.stands.floor import FloorShift, floor_shifts, forget_spectra, stands_out
from panopipe.studies.stands.lines import CLOSE, REACH, Link, close_all_around, free_lines, near_pairs
from panopipe.studies.stands.links import proven, without_contradiction
from panopipe.studies.stands.matching import Alike, Ready, affinity
from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.pair import Pair, judged, look, look_hard, shares_room
from panopipe.studies.stands.plan import Plan, measured_frames, solve_plan
from panopipe.studies.stands.promising import (
    neighbours_in_time,
    pairs_by_floor,
    promising_pairs,
)
from panopipe.studies.stands.sight import known_points
from panopipe.studies.stands.twins import ALIKE, may_be_linked

Float = NDArray[np.float64]

_SEEN_PAST, _SEEN_PAST_AHEAD = 1.25, 0.95
"""What two frames taken in a row must see past each other, both ways together, at whatever distance, where
their floors do not tell the motion; and what is enough of a motion that has far more matches than any other.
Of 375 wrong motions of 48 generated houses that had matches enough one had 1.15, all others less than 1, and
of 19 that had far more than any other none more than 0.88; the middle of 494 right ones is 1.06."""
WALLS_CLEAR = 2.4
"""How far the votes for the heading of the walls must stand out."""
_TURN_DEG, _YAW_DEG = 2.5, 6.0
"""How far a pair may be off what the plan says."""
_TELLING = 5.0
_ONE_ROOM, _ONE_ROOM_CLOSE, _ONE_ROOM_ALONE = 0.68, 0.5, 0.8
"""How well the floor beside a line agrees from which on both ends stand in one room: of 238 pairs of frames
through doors one had more, of 173 in one room nineteen in twenty. Of frames that are close, less will do if
they share what is on most sides, and more must if not: through doors, 0.68 was seen."""
_ONE_ROOM_IN_A_ROW = 0.5
"""The same of frames taken one right after the other: of 21 such pairs through doors, in 18 generated houses,
none had more than 0.47."""
_ASIDE, _ASIDE_IN_A_ROW = 20, 8
"""Matches beside the line between two frames, seen from both, from which on they stand in one room, whatever
the floor beside it says. Of 313 pairs through doors, in 38 generated houses, one had 15 and all others less
than 10; of those taken one right after the other none had more than 4."""


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
    row, soon = neighbours_in_time(times, 1), neighbours_in_time(times)
    firsts = [
        pairs[0]
        for pairs in looked
        if pairs and proven(pairs[0], in_a_row=pairs[0].ends in row, long_after=pairs[0].ends not in soon)
    ]
    firsts += _of_rooms(frames, rooms, firsts)
    placed = {frame for pair in firsts for frame in pair.ends}
    left = [(i, j) for i, j in sorted(row) if not placed.issuperset((i, j)) and not _of_one_room(rooms, i, j)]
    every = [*firsts, *_in_a_row(frames, left, shifts)]
    may = may_be_linked(len(frames), [pair for pair in every if _shares_room(frames, pair)], times, rooms)
    alike = [pair for pair in every if not may(pair.first, pair.second)]
    believed, dropped = without_contradiction([pair for pair in every if may(pair.first, pair.second)])
    doubts = [(pair.first, pair.second, "it contradicts other links") for pair in dropped]
    doubts += [(pair.first, pair.second, ALIKE) for pair in alike]
    plan = _plan(frames, believed)
    shifts = {(i, j): floors for (i, j), floors in shifts.items() if may(i, j)}
    believed, plan = joined(frames, believed, plan, shifts, times, lambda links: _plan(frames, links))
    for _ in range(2):
        believed = _fitting(_completed(frames, believed, plan), plan)
        plan = _plan(frames, believed)
    forget_spectra()
    measured = measured_frames(len(frames), believed)
    links = [
        link if {link.first, link.second} <= measured else replace(link, distance=None)
        for link in free_lines(frames, believed, plan)
    ]
    return Shoot(
        plan,
        tuple(links),
        tuple(believed),
        tuple(doubts),
        measured,
        _in_one_room(frames, times, believed, plan, links),
    )


def _in_one_room(
    frames: Sequence[Ready],
    times: Sequence[float],
    believed: Sequence[Pair],
    plan: Plan,
    links: Sequence[Link],
) -> tuple[tuple[int, int], ...]:
    """Frames that see each other, and the floor or much else beside the line between them."""
    pairs = {(min(pair.ends), max(pair.ends)): pair for pair in believed}
    in_a_row = neighbours_in_time(times, 1)
    found = []
    for ends in ((link.first, link.second) for link in links):
        pair, one, other = pairs.get(ends), *(frames[k] for k in ends)
        enough = _ASIDE_IN_A_ROW if ends in in_a_row else _ASIDE
        shares = pair is not None and pair.aside >= enough
        if shares or one_room(one, other, plan.way(*ends), pair, in_a_row=ends in in_a_row):
            found.append(ends)
    return tuple(found)


def one_room(one: Ready, other: Ready, way: Way, pair: Pair | None, *, in_a_row: bool = False) -> bool:
    """Whether two frames that see each other, maybe taken one right after the other, stand in one room."""
    floor = beside(one.floor, other.floor, way)
    if floor is None:
        return pair is not None and shares_room(pair)
    if in_a_row and floor >= _ONE_ROOM_IN_A_ROW:
        return True
    if way.distance < CLOSE:
        return floor >= (_ONE_ROOM_CLOSE if close_all_around(way, pair) else _ONE_ROOM_ALONE)
    return floor >= _ONE_ROOM


def _shares_room(frames: Sequence[Ready], pair: Pair) -> bool:
    """The same of a pair by its own motion, before all are in one plan."""
    if pair.distance is None:
        return shares_room(pair)
    way = Way(pair.yaw_deg, pair.back_yaw_deg, pair.distance)
    return one_room(frames[pair.first], frames[pair.second], way, pair)


def _of_rooms(frames: Sequence[Ready], rooms: Sequence[str], proven_pairs: Sequence[Pair]) -> list[Pair]:
    """Pairs of the photographer's own rooms that a harder look proves."""
    known = {(pair.first, pair.second) for pair in proven_pairs}
    found = []
    for i, j in itertools.combinations(range(len(rooms)), 2):
        if _of_one_room(rooms, i, j) and (i, j) not in known:
            floors = floor_shifts(frames[i].floor, frames[j].floor)
            motions = look_hard(i, j, frames[i], frames[j], floors)
            if motions and proven(motions[0], in_one_room=True):
                found.append(
                    motions[0] if motions[0].distance else _as_seen_past(frames, motions[0]) or motions[0]
                )
            elif (only := only_seen_past(frames, motions)) is not None:
                found.append(only)
    return found


def _of_one_room(rooms: Sequence[str], i: int, j: int) -> bool:
    """Whether the photographer sorted both into one room."""
    return bool(rooms) and rooms[i] == rooms[j] != ""


def _in_a_row(
    frames: Sequence[Ready],
    ends: Sequence[tuple[int, int]],
    shifts: Mapping[tuple[int, int], Sequence[FloorShift]],
) -> list[Pair]:
    """Pairs taken one right after the other that a harder look proves."""
    found = []
    for i, j in ends:
        motions = look_hard(i, j, frames[i], frames[j], shifts[i, j])
        sure = motions and proven(motions[0], in_one_room=True) and proven(motions[0], in_a_row=True)
        told = motions[0] if sure else only_seen_past(frames, motions)
        if told is not None:
            found.append(told)
    return found


def only_seen_past(frames: Sequence[Ready], motions: Sequence[Pair]) -> Pair | None:
    """Of several motions that enough matches tell, the only one by which both see past each other.

    Rooms repeat themselves, so that a wrong motion may have as many matches; but no wrong one shows the same
    past the other frame, from both.
    """
    told = [pair for pair in motions if proven(replace(pair, rival=0), in_one_room=True)]
    found = [pair for motion in told if (pair := _as_seen_past(frames, motion)) is not None]
    return found[0] if len(found) == 1 else None


def _as_seen_past(frames: Sequence[Ready], pair: Pair) -> Pair | None:
    """A pair with the distance at which both see the same past each other; None where they do not."""
    ends = frames[pair.first], frames[pair.second]
    past, apart = seen_past_each_other(*ends, pair.yaw_deg, pair.back_yaw_deg)
    enough = _SEEN_PAST_AHEAD if proven(pair, in_one_room=True) else _SEEN_PAST
    return replace(pair, assumed=apart) if past >= enough else None


def _plan(frames: Sequence[Ready], links: Sequence[Pair]) -> Plan:
    walls = [frame.features.heading_deg for frame in frames]
    clear = [frame.features.walls > WALLS_CLEAR for frame in frames]
    return solve_plan(len(frames), links, walls, clear)


def _completed(frames: Sequence[Ready], believed: Sequence[Pair], plan: Plan) -> list[Pair]:
    """Look again at the pairs of each part that are near each other and not linked yet."""
    linked = {frozenset((link.first, link.second)) for link in believed}
    known = known_points(len(frames), believed, plan)
    found = list(believed)
    for i, j in near_pairs(plan, REACH):
        if frozenset((i, j)) in linked or worth_of(frames, known, plan, i, j) < _TELLING:
            continue
        turn, back, length = plan.predicted(i, j)
        one, other = frames[i], frames[j]
        floors = floor_shifts(one.floor, other.floor)
        alike = Alike.of(one, other, affinity(one, other))
        pairs = judged(i, j, one, other, alike, [(turn, back)], floors)
        if not pairs or pairs[0].telling < _TELLING or abs(wrapped(pairs[0].turn_deg - turn)) > _TURN_DEG:
            continue
        pair = pairs[0]
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
