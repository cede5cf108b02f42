"""What two frames tell of each other: the motion that walls and floor allow, and how well it is proven."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.floor import FloorShift, floor_shift
from panopipe.studies.stands.matching import Pairs, Ready, guided, like_scale, on_floor, tentative
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

_TELLING_DEG = 2.0
"""Parallax from which a match tells of the shift: what is seen through a window tells of the turn alone."""
_SECTORS = 8
_FLOOR_AGREES_DEG = 8.0
_OFF_WALLS_DEG = 4.0
"""How far the turn may be off what the headings of the walls say: both are good to a degree and a half."""
_LEAST_APART = 0.2
"""Least distance of two frames, in camera heights, that has a direction."""
_LEAST_VOTES = 2.2
_TRIED, _TRIED_HARD = 3, 10
_ROOM_SECTORS, _ROOM_TELLING, _ROOM_FLOOR, _ROOM_FLOOR_SECTORS = 4, 28.0, 10, 3
"""What two frames of a room share: eighths of the horizon and what matches there are worth, or the floor."""
_PEAKS, _PEAKS_HARD = 2, 5
"""Motions that are tried of a pair, and of one quarter turn."""
_OVER_RIVALS = 1.35
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

    @property
    def floor_agrees(self) -> bool:
        """Whether the floor, by itself, says the same direction."""
        floor = self.floor
        return self._floor_fits and floor is not None and floor.count >= _OVER_RIVALS * floor.rivals

    @property
    def distance(self) -> float | None:
        """Distance in camera heights, where the floor tells one and not several."""
        floor = self.floor
        if not self._floor_fits or floor is None or floor.fits < _OVER_RIVALS * floor.beside:
            return self.assumed
        return floor.distance

    @property
    def _floor_fits(self) -> bool:
        floor = self.floor
        if floor is None or floor.distance < _LEAST_APART:
            return False
        return abs(wrapped(floor.back_yaw_deg - self.back_yaw_deg)) < _FLOOR_AGREES_DEG


def look(first: int, second: int, one: Ready, other: Ready) -> list[Pair]:
    """Look for the motion between two frames: the likely ones, the best first."""
    candidates: list[tuple[float, float, float, float]] = []
    for quarter in range(4):
        near = other.features.heading_deg - one.features.heading_deg + 90.0 * quarter
        candidates += _candidates(one, other, quarter, near)
    candidates.sort(reverse=True)
    found = [
        pair
        for _, near, turn, back in candidates[:_TRIED]
        if (pair := judged(first, second, one, other, turn, back)) is not None
        and abs(wrapped(pair.turn_deg - near)) < _OFF_WALLS_DEG
    ]
    found.sort(key=lambda pair: -strength(pair))
    others = [pair for pair in found[1:] if _differs(pair, found[0], _OTHER_TURN_DEG, _OTHER_YAW_DEG)]
    rival = max((int(strength(pair)) for pair in others), default=0)
    return [replace(found[0], rival=rival), *others] if found else []


def look_hard(first: int, second: int, one: Ready, other: Ready) -> Pair | None:
    """Look again, at more motions: for two frames that were taken in one room and should share much."""
    candidates: list[tuple[float, float, float]] = []
    for quarter in range(4):
        near = other.features.heading_deg - one.features.heading_deg + 90.0 * quarter
        a, b = tentative(one, other, quarter)
        if len(a) >= FEWEST:
            directions = (one.directions[a], other.directions[b])
            candidates += voted(*directions, near + WIDE_TURNS, _PEAKS_HARD, apart=2)
    candidates.sort(reverse=True)
    judged_all = (judged(first, second, one, other, turn, back) for _, turn, back in candidates[:_TRIED_HARD])
    found = sorted((pair for pair in judged_all if pair is not None), key=lambda pair: -strength(pair))
    if not found:
        return None
    others = [pair for pair in found[1:] if _differs(pair, found[0], _APART_TURN_DEG, _APART_YAW_DEG)]
    return replace(found[0], rival=max((int(strength(pair)) for pair in others), default=0))


def strength(pair: Pair) -> float:
    """How much speaks for a motion, in matches."""
    floor = pair.floor.count if pair.floor and pair.floor_agrees else 0
    return pair.telling + 0.25 * min(pair.far, 12) + floor


def shares_room(pair: Pair) -> bool:
    """Whether two frames stand in one room, by what they share."""
    if pair.sectors >= _ROOM_SECTORS and pair.telling >= _ROOM_TELLING:
        return True
    floor = pair.floor
    return (
        floor is not None
        and pair.floor_agrees
        and floor.count >= _ROOM_FLOOR
        and pair.sectors >= _ROOM_FLOOR_SECTORS
    )


def _differs(one: Pair, other: Pair, turn_deg: float, yaw_deg: float) -> bool:
    """Whether two motions are rivals; nearer ones are the same, told better or worse."""
    return (
        abs(wrapped(one.turn_deg - other.turn_deg)) > turn_deg
        or abs(wrapped(one.back_yaw_deg - other.back_yaw_deg)) > yaw_deg
    )


def _candidates(
    one: Ready, other: Ready, quarter: int, near: float
) -> list[tuple[float, float, float, float]]:
    """Likely motions with one quarter turn: votes, turn that the walls tell, turn, direction back."""
    a, b = tentative(one, other, quarter)
    if len(a) < FEWEST:
        return []
    found = [
        (votes, near, turn, back)
        for votes, turn, back in voted(one.directions[a], other.directions[b], near + NEAR_TURNS, _PEAKS)
        if votes > _LEAST_VOTES
    ]
    turn = found[0][2] if found else near
    shift = _floor(one, other, turn)
    if (
        shift is not None
        and shift.distance > _LEAST_APART
        and shift.count > max(shift.rivals, shift.beside) + 1
    ):
        found.append((0.5 * shift.count, near, turn, shift.back_yaw_deg))
    return found


def _floor(
    one: Ready, other: Ready, turn_deg: float, along_deg: float | None = None, below: Float | None = None
) -> FloorShift | None:
    c, d = on_floor(one, other, turn_deg)
    places = (one.features.floor[c].astype(np.float64), other.features.floor[d].astype(np.float64))
    return floor_shift(*places, turn_deg, along_deg, below)


def judged(first: int, second: int, one: Ready, other: Ready, turn: float, back: float) -> Pair | None:
    """Match again under a motion, refine it, and count what speaks for it."""
    for _ in range(2):
        pairs, worth = guided(one, other, turn, back)
        a, b = one.directions[pairs[0]], other.directions[pairs[1]]
        motion = refined(a, b, turn, back) if len(a) >= FEWEST else None
        if motion is None:
            return None
        turn, back = motion.turn_deg, motion.back_yaw_deg
    assert motion is not None
    agreeing = (pairs[0][motion.agrees], pairs[1][motion.agrees])
    return _counted(first, second, one, other, agreeing, worth[motion.agrees], motion)


def _counted(
    first: int,
    second: int,
    one: Ready,
    other: Ready,
    pairs: Pairs,
    worth: NDArray[np.float32],
    motion: Motion,
) -> Pair:
    a, b = pairs
    near, far, parallax = depths(one.directions[a], other.directions[b], motion.turn_deg, motion.back_yaw_deg)
    telling = parallax > np.radians(_TELLING_DEG)
    telling &= (near > 0) & (far > 0) & like_scale(one, other, (a, b), near, far)
    points = near[telling, None] * one.directions[a[telling]]
    sectors = min(_sectors(one.directions[a[telling]]), _sectors(other.directions[b[telling]]))
    return Pair(
        first, second, motion.turn_deg, motion.yaw_deg, motion.back_yaw_deg,
        motion.error_deg, motion.turn_error_deg,
        round(float(worth[telling].sum()), 2), int((parallax <= np.radians(_TELLING_DEG)).sum()), sectors,
        _floor(one, other, motion.turn_deg, motion.back_yaw_deg, -points[:, 1]), 0, points,
        np.stack([a[telling], b[telling]], axis=1),
    )  # fmt: skip


def _sectors(directions: Float) -> int:
    yaw = np.arctan2(directions[:, 0], directions[:, 2])
    return len(set(np.floor((yaw + np.pi) * (_SECTORS / (2 * np.pi))).astype(int) % _SECTORS))
