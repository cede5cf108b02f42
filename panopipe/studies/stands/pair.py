"""What two frames tell of each other: the motion that walls and floor allow, and how well it is proven."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.floor import SURE, FloorShift, shift_along, stands_out
from panopipe.studies.stands.matching import Alike, Pairs, Ready, affinity, guided, like_scale, tentative
from panopipe.studies.stands.motion import (
    FEWEST,
    NEAR_TURNS,
    WIDE_TURNS,
    Motion,
    depths,
    refined,
    voted,
    wrapped,
)

Float = NDArray[np.float64]
Single = NDArray[np.float32]

_TELLING_DEG = 2.0
"""Parallax from which a match tells of the shift: what is seen through a window tells of the turn alone."""
_ASIDE_DEG = 50.0
"""Angle off the line between two frames from which on a match lies beside it: who stands in a door's other
room sees the door, and all through it, nearer the line, unless very close to it."""
_SECTORS = 8
_OFF_WALLS_DEG = 4.0
"""How far the turn may be off what the headings of the walls say: both are good to a degree and a half."""
_LEAST_VOTES = 2.2
_OVER_RIVALS = 1.05
_OF_FLOOR_DEG = 1.0
"""Error of what a pair's floor tells with the headings of its walls."""
_TRIED, _TRIED_HARD, _TRIED_OF_FLOOR = 3, 10, 2
_ROOM_SECTORS, _ROOM_TELLING, _ROOM_FLOOR, _ROOM_FLOOR_SECTORS = 4, 28.0, 10, 3
"""What two frames of a room share: eighths of the horizon and what matches there are worth, or the floor."""
_PEAKS, _PEAKS_HARD = 2, 5
"""Motions that are tried of a pair, and of one quarter turn."""
_SAME_DEG, _FAR_WORSE = 0.1, 0.5
"""How near two motions are that are one, and the share of the best one's matches below which none comes up
with it."""
_OTHER_TURN_DEG, _OTHER_YAW_DEG = 3.0, 8.0
_APART_TURN_DEG, _APART_YAW_DEG = 8.0, 20.0
"""How far apart two motions are rivals: of a look, and of a hard one, which tries many that are alike."""


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Motion between two frames, by number.

    Attributes
    ----------
    first, second : int
        The frames.
    turn_deg : float
        Add it to a yaw in the first frame to get it in the second.
    yaw_deg, back_yaw_deg : float
        Yaw at which each sees the other, in its own arrays.
    error_deg, turn_error_deg : float
        Standard errors of the direction and the turn.
    telling : float
        Matches around the camera that agree and tell of the shift, each by what it is worth.
    far : int
        Matches that agree but tell of the turn alone.
    sectors : int
        Eighths of the horizon, in the frame that has fewer, that telling matches lie in.
    floor : FloorShift or None
        What the floor says under this turn.
    rival : int
        Matches of the next best motion.
    points : ndarray of shape (m, 3), dtype float64
        What the telling matches show, from the first camera and in its axes, in lengths of the shift.
    matched : ndarray of shape (m, 2), dtype intp
        Their features in both frames.
    assumed : float or None
        Distance in camera heights that something else than the floor tells.
    """

    first: int
    second: int
    turn_deg: float
    yaw_deg: float
    back_yaw_deg: float
    error_deg: float
    turn_error_deg: float
    telling: float
    far: int
    sectors: int
    floor: FloorShift | None
    rival: int
    points: Float = field(repr=False)
    matched: NDArray[np.intp] = field(repr=False)
    assumed: float | None = None

    @staticmethod
    def of_floor(first: int, second: int, turn_deg: float, yaw_deg: float, floor: FloorShift) -> Pair:
        """A pair that the floor alone tells, the walls no more than the turn."""
        none = np.zeros((0, 3)), np.zeros((0, 2), np.intp)
        error = math.hypot(_OF_FLOOR_DEG, math.degrees(0.02 / floor.distance))
        return Pair(
            first, second, turn_deg, yaw_deg, floor.back_yaw_deg, error, _OF_FLOOR_DEG, 0.0, 0, 0,
            floor, 0, *none,
        )  # fmt: skip

    @property
    def ends(self) -> tuple[int, int]:
        """Both frames."""
        return self.first, self.second

    @property
    def floor_agrees(self) -> bool:
        """Whether the floor, by itself, says the same direction."""
        floor = self.floor
        return floor is not None and floor.sure >= max(SURE, _OVER_RIVALS * floor.rival)

    @property
    def floor_sure(self) -> float:
        """How sure the floor is of the same direction; 0 where it is not."""
        return self.floor.sure if self.floor is not None and self.floor_agrees else 0.0

    @property
    def aside(self) -> int:
        """Telling matches that lie beside the line between both, as seen from either end."""
        yaw = math.radians(self.yaw_deg)
        ahead = np.array([math.sin(yaw), math.cos(yaw)])
        seen = self.points[:, ::2]
        along = np.cos(np.radians(_ASIDE_DEG))
        from_first = seen @ ahead < along * np.hypot(*seen.T)
        back = seen - ahead
        return int((from_first & (-(back @ ahead) < along * np.hypot(*back.T))).sum())

    @property
    def distance(self) -> float | None:
        """Distance in camera heights, where the floor tells one and not several."""
        floor = self.floor
        return floor.distance if floor is not None and self.floor_agrees and floor.clear else self.assumed


def look(first: int, second: int, one: Ready, other: Ready, floors: Sequence[FloorShift]) -> list[Pair]:
    """Look for the motion between two frames, of which `floors` tell some: the best first."""
    likeness = affinity(one, other)
    candidates = [] if stands_out(floors) else _candidates(one, other, likeness, NEAR_TURNS, _PEAKS)
    tried = [(turn, back) for votes, turn, back in candidates[:_TRIED] if votes > _LEAST_VOTES]
    tried += _of_floor(floors, one, other)
    if not tried:
        return []
    alike = Alike.of(one, other, likeness)
    between = other.features.heading_deg - one.features.heading_deg
    found = [
        pair
        for pair in judged(first, second, one, other, alike, tried, floors)
        if abs((pair.turn_deg - between + 45.0) % 90.0 - 45.0) < _OFF_WALLS_DEG
    ]
    found.sort(key=lambda pair: -strength(pair))
    others = [pair for pair in found[1:] if _differs(pair, found[0], _OTHER_TURN_DEG, _OTHER_YAW_DEG)]
    rival = max((int(strength(pair)) for pair in others), default=0)
    return [replace(found[0], rival=rival), *others] if found else []


def look_hard(first: int, second: int, one: Ready, other: Ready, floors: Sequence[FloorShift]) -> list[Pair]:
    """Look again, at more motions: for two frames that were taken in one room and should share much.

    The best is first, then its rivals; each knows the best of the others.
    """
    likeness = affinity(one, other)
    candidates = _candidates(one, other, likeness, WIDE_TURNS, _PEAKS_HARD, apart=2)
    tried = [(turn, back) for _, turn, back in candidates[:_TRIED_HARD]]
    tried += _of_floor(floors, one, other)
    alike = Alike.of(one, other, likeness)
    apart: list[Pair] = []
    for pair in sorted(judged(first, second, one, other, alike, tried, floors), key=lambda p: -strength(p)):
        if all(_differs(pair, other, _APART_TURN_DEG, _APART_YAW_DEG) for other in apart):
            apart.append(pair)
    return [
        replace(pair, rival=max((int(strength(other)) for other in apart if other is not pair), default=0))
        for pair in apart
    ]


def strength(pair: Pair) -> float:
    """How much speaks for a motion, in matches."""
    return pair.telling + 0.25 * min(pair.far, 12) + pair.floor_sure


def shares_room(pair: Pair) -> bool:
    """Whether two frames stand in one room, by what they share."""
    if pair.sectors >= _ROOM_SECTORS and pair.telling >= _ROOM_TELLING:
        return True
    return pair.floor_sure >= _ROOM_FLOOR and pair.sectors >= _ROOM_FLOOR_SECTORS


def _differs(one: Pair, other: Pair, turn_deg: float, yaw_deg: float) -> bool:
    """Whether two motions are rivals; nearer ones are the same, told better or worse."""
    return (
        abs(wrapped(one.turn_deg - other.turn_deg)) > turn_deg
        or abs(wrapped(one.back_yaw_deg - other.back_yaw_deg)) > yaw_deg
    )


def _candidates(
    one: Ready, other: Ready, likeness: Single, turns: Float, peaks: int, *, apart: int = 4
) -> list[tuple[float, float, float]]:
    """Likely motions, about any quarter turn, as `voted` tells them; those with most votes first."""
    matched = tentative(one, other, likeness)
    able = [(a, b, np.full(len(a), number)) for number, (a, b) in enumerate(matched) if len(a) >= FEWEST]
    if not able:
        return []
    a, b, quarter = (np.concatenate(part) for part in zip(*able, strict=True))
    between = other.features.heading_deg - one.features.heading_deg
    found = voted(one.directions[a], other.directions[b], between + turns, peaks, apart, quarter)
    return sorted(found, reverse=True)


def _of_floor(floors: Sequence[FloorShift], one: Ready, other: Ready) -> list[tuple[float, float]]:
    """The motions that the floor tells best: turn and direction back."""
    between = other.features.heading_deg - one.features.heading_deg
    return [
        (between + 90.0 * shift.quarter, shift.back_yaw_deg)
        for shift in floors[:_TRIED_OF_FLOOR]
        if shift.sure >= SURE
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A motion and the matches that agree with it."""

    motion: Motion
    pairs: Pairs
    worth: Single


def judged(
    first: int, second: int, one: Ready, other: Ready, alike: Alike,
    tried: Sequence[tuple[float, float]], floors: Sequence[FloorShift],
) -> list[Pair]:  # fmt: skip
    """Match again under each of some motions, refine it, and count what speaks for it.

    Motions that come to the same are one. Those that fit far worse than the best are not matched a second
    time. `tried` has turns and directions back, `floors` what their floors tell.
    """
    fits: list[_Fit] = []
    for turn, back in tried:
        fit = _fitted(one, other, alike, turn, back)
        if fit is not None and not any(_is_same(fit.motion, known.motion) for known in fits):
            fits.append(fit)
    most = max((float(fit.worth.sum()) for fit in fits), default=0.0)
    again = (
        fit
        if fit.worth.sum() < _FAR_WORSE * most
        else _fitted(one, other, alike, fit.motion.turn_deg, fit.motion.back_yaw_deg)
        for fit in fits
    )
    return [_counted(first, second, one, other, fit, floors) for fit in again if fit is not None]


def _fitted(one: Ready, other: Ready, alike: Alike, turn: float, back: float) -> _Fit | None:
    (a, b), worth = guided(one, other, alike, turn, back)
    motion = refined(one.directions[a], other.directions[b], turn, back) if len(a) >= FEWEST else None
    if motion is None:
        return None
    return _Fit(motion, (a[motion.agrees], b[motion.agrees]), worth[motion.agrees])


def _is_same(one: Motion, other: Motion) -> bool:
    off = abs(wrapped(one.turn_deg - other.turn_deg)), abs(wrapped(one.back_yaw_deg - other.back_yaw_deg))
    return max(off) < _SAME_DEG


def _counted(
    first: int, second: int, one: Ready, other: Ready, fit: _Fit, floors: Sequence[FloorShift]
) -> Pair:
    motion, (a, b) = fit.motion, fit.pairs
    near, far, parallax = depths(one.directions[a], other.directions[b], motion.turn_deg, motion.back_yaw_deg)
    telling = parallax > np.radians(_TELLING_DEG)
    telling &= (near > 0) & (far > 0) & like_scale(one, other, (a, b), near, far)
    points = near[telling, None] * one.directions[a[telling]]
    sectors = min(_sectors(one.directions[a[telling]]), _sectors(other.directions[b[telling]]))
    return Pair(
        first, second, motion.turn_deg, motion.yaw_deg, motion.back_yaw_deg,
        motion.error_deg, motion.turn_error_deg,
        round(float(fit.worth[telling].sum()), 2), int((parallax <= np.radians(_TELLING_DEG)).sum()), sectors,
        shift_along(
            floors, one.floor, other.floor, motion.turn_deg, motion.back_yaw_deg, -points[:, 1]
        ), 0, points,
        np.stack([a[telling], b[telling]], axis=1),
    )  # fmt: skip


def _sectors(directions: Float) -> int:
    yaw = np.arctan2(directions[:, 0], directions[:, 2])
    return len(set(np.floor((yaw + np.pi) * (_SECTORS / (2 * np.pi))).astype(int) % _SECTORS))
