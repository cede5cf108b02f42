"""The thin shadows of spread legs: each starts where its leg stands on the floor, not at the nadir.

From the end of each leg, lines in all directions are compared with the floor on both sides of them. A joint
of the floor goes on behind the leg and has its like beside it; a shadow does neither.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.sphere.views import straight_down, view_from_frame
from panopipe.studies.floor.pole_shadow import PoleShadow

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

_SIDE_PX, _FOCAL_PX = 320, 163.0
"""Side of the view, and its focal length: that of a frame 1024 wide."""
_STEP, _FROM, _REACH = 0.012, 0.06, 0.8
"""Distance of places along a line, and from where to where beyond the leg they lie, in camera heights."""
_TURNS, _FINER = 120, np.radians(np.linspace(-3, 3, 7))
"""Directions that are looked in, and turns by which the best are made exact."""
_ASIDE: Float = np.array((-2, -1, 0, 1, 2)) * 0.012
"""Distances of the line from the end of the leg, in camera heights."""
_HALF, _BESIDE = 0.011, (0.032, 0.045)
"""Half the width of a shadow, and distances of the floor on either side, in camera heights."""
_PARALLEL: Float = np.concatenate([np.arange(-26, -8), np.arange(9, 27)]) * 0.01
"""Distances at which like lines would be, were it a pattern."""
_FEWEST, _SCORE, _DEPTH, _GAPS, _FAINT = 12, 1.0, 0.07, 0.25, 0.3
"""Places of a line that must be seen, least mean of its darkness over the floor's usual difference, least log
light that it takes, and the share of it that may be fainter than a share of its median."""
_STANDS_OUT = 1.8
"""How far it must stand out of parallel lines and of its own continuation behind the leg."""
_TINT = 0.3
"""How much more of red or blue than of green it may take."""
_AS_GOOD = 0.9
"""Share of the most that speaks for a line from which another is as good."""
_A_LEG, _APART_DEG, _SAME = 2, 25.0, (6.0, 0.03)
"""Shadows of a leg at most, the angle between them, and how near in direction and distance from the nadir to
another shadow a line is that one."""


def find_leg_shadows(
    frame: Picture, ends: Sequence[tuple[float, float]], under_deg: Float, others: Sequence[PoleShadow]
) -> tuple[PoleShadow, ...]:
    """Find thin straight shadows that start at the ends of legs.

    Parameters
    ----------
    frame : ndarray of shape (height, 2 height, 3), dtype float32
        A whole frame at reduced size, linear light.
    ends : sequence of tuple of float
        Yaw in degrees and distance from the nadir in camera heights of the ends of legs.
    under_deg : ndarray of shape (n,), dtype float64
        To which angle from the nadir the support reaches, in even directions from yaw -180 on.
    others : sequence of PoleShadow
        What was found already.
    """
    if not ends:
        return ()
    view = view_from_frame(frame, 0, straight_down(_SIDE_PX, _FOCAL_PX), kernel="linear")
    logs = np.log(np.maximum(view, 0) + np.float32(0.02) * max(float(np.median(view)), 1e-6))
    luma = np.dstack([logs, logs @ LUMINANCE_OF_WORKING.astype(np.float32)])
    found: list[PoleShadow] = []
    for yaw_deg, far in ends:
        yaw = math.radians(yaw_deg)
        own = _from_leg(luma, (far * math.sin(yaw), far * math.cos(yaw)), under_deg)
        for shadow in own:
            if not any(_one(shadow, other) for other in (*others, *found)):
                found.append(shadow)
    return tuple(found)


def _one(one: PoleShadow, other: PoleShadow) -> bool:
    """Whether two lines are one."""
    turn = abs((one.yaw_deg - other.yaw_deg + 180) % 360 - 180)
    return turn < _SAME[0] and abs(one.offset - other.offset) < _SAME[1]


def _from_leg(luma: Picture, end: tuple[float, float], under_deg: Float) -> list[PoleShadow]:
    """Shadows that start at the end of one leg."""
    along = np.arange(_FROM, _REACH, _STEP, dtype=np.float64)
    turns = np.linspace(0, 2 * np.pi, _TURNS, endpoint=False, dtype=np.float64)
    dark, clear = _darker(luma[..., 3], end, turns[:, None], _ASIDE[None, :], along, under_deg)
    usual = 1.4826 * float(np.median(np.abs(dark[clear]))) + 0.006 if clear.any() else 1.0
    score = np.clip(dark / usual, -3, 3) * clear
    worth = _best_length(score, clear)[0].max(1)
    shadows: list[PoleShadow] = []
    while len(shadows) < _A_LEG and worth.max() > 0:
        turn = turns[int(worth.argmax())]
        away = np.abs((turns - turn + np.pi) % (2 * np.pi) - np.pi)
        worth[away < math.radians(_APART_DEG)] = -1
        shadow = _believed(luma, end, turn, along, usual, under_deg)
        if shadow is None:
            break
        shadows.append(shadow)
    return shadows


def _believed(
    luma: Picture, end: tuple[float, float], turn: float, along: Float, usual: float, under_deg: Float
) -> PoleShadow | None:
    """The line nearest to a direction, if it is a shadow."""
    turns, aside = (part.ravel() for part in np.meshgrid(turn + _FINER, _ASIDE))
    dark, clear = _darker(luma[..., 3], end, turns, aside, along, under_deg)
    worth, length = _best_length(np.clip(dark / usual, -3, 3) * clear, clear)
    # Where several are dark all along, the darkest is the middle.
    every = np.arange(dark.shape[-1]) < length[:, None]
    darkness = np.where(worth > _AS_GOOD * worth.max(), (dark * clear * every).sum(-1) / length, -np.inf)
    best = int(darkness.argmax())
    turn, by, last = float(turns[best]), float(aside[best]), int(length[best])
    seen = clear[best, :last]
    if seen.sum() < _FEWEST:
        return None
    depths = dark[best, :last][seen]
    depth, mean = float(np.median(depths)), float(np.clip(depths / usual, -3, 3).mean())
    begins = float(np.median(depths[: max(4, len(depths) // 3)]))
    if mean < _SCORE or depth < _DEPTH or begins < 0.5 * depth or (depths < _FAINT * depth).mean() > _GAPS:
        return None
    part = along[:last]
    rivals = [_mean(luma[..., 3], end, turn, by + _PARALLEL, part, usual, under_deg)]
    rivals += [_mean(luma[..., 3], end, turn + np.pi, -by + _ASIDE, part, usual, under_deg)]
    if mean < _STANDS_OUT * max(part.max() for part in rivals):
        return None
    red, green, blue = (
        float(np.median(_darker(luma[..., channel], end, turn, by, part, under_deg)[0][seen]))
        for channel in range(3)
    )
    if max(abs(red - green), abs(blue - green)) > _TINT * max(green, 1e-6):
        return None
    return _shadow(end, turn, by, float(along[last - 1]), depth)


def _shadow(end: tuple[float, float], turn: float, by: float, length: float, depth: float) -> PoleShadow:
    """A line from the end of a leg as one that passes the nadir."""
    ahead = end[0] * math.sin(turn) + end[1] * math.cos(turn)
    offset = end[0] * math.cos(turn) - end[1] * math.sin(turn) + by
    yaw_deg = (math.degrees(turn) + 180) % 360 - 180
    return PoleShadow(yaw_deg, offset, ahead + length, _HALF, 0.0, depth, ahead)


def _best_length(score: Float, clear: Mask) -> tuple[Float, NDArray[np.int64]]:
    """How much speaks for each line at its best length, and that length in places."""
    steps = np.cumsum(clear, axis=-1)
    worth = (np.cumsum(score, axis=-1) - 0.25 * steps) / np.sqrt(steps + 12)
    worth[steps < _FEWEST] = -np.inf
    return np.asarray(worth.max(-1)), np.asarray(worth.argmax(-1) + 1, np.int64)


def _mean(
    luma: Picture, end: tuple[float, float], turn: float, aside: Float, along: Float, usual: float,
    under_deg: Float,
) -> Float:  # fmt: skip
    """Mean score of parallel lines."""
    dark, clear = _darker(luma, end, turn, aside, along, under_deg)
    count = clear.sum(-1)
    mean = (np.clip(dark / usual, -3, 3) * clear).sum(-1) / np.maximum(count, 1)
    return np.asarray(np.where(count >= len(along) // 3, mean, 0.0))


def _darker(
    luma: Picture, end: tuple[float, float], turn: Float | float, aside: Float | float, along: Float,
    under_deg: Float,
) -> tuple[Float, Mask]:  # fmt: skip
    """How much darker places along lines are than the floor on both sides, and where floor is seen."""
    turn, aside = np.asarray(turn)[..., None], np.asarray(aside)[..., None]
    sides = []
    for by in (0.0, -0.6 * _HALF, 0.6 * _HALF, *(-b for b in _BESIDE), *_BESIDE):
        x = end[0] + along * np.sin(turn) + (aside + by) * np.cos(turn)
        y = end[1] + along * np.cos(turn) - (aside + by) * np.sin(turn)
        sides.append(_at(luma, x, y))
        if by == 0.0:
            far, yaw = np.hypot(x, y), np.degrees(np.arctan2(x, y)) + 180
    reach = np.interp(yaw, (np.arange(len(under_deg)) + 0.5) * (360 / len(under_deg)), under_deg, period=360)
    inside = (np.abs(x) < 0.9) & (np.abs(y) < 0.9)
    clear = (far > np.tan(np.radians(reach)) + 0.01) & inside
    middle = (sides[0] + sides[1] + sides[2]) / 3
    left, right = (sides[3] + sides[4]) / 2, (sides[5] + sides[6]) / 2
    return 0.5 * np.minimum(left, right) + 0.25 * (left + right) - middle, clear


def _at(luma: Picture, x: Float, y: Float) -> Float:
    """A straight-down view at places on the floor, in camera heights to the right and ahead."""
    middle = _SIDE_PX / 2 - 0.5
    shape = x.reshape(-1, x.shape[-1]).shape
    columns, rows = (middle + _FOCAL_PX * x).reshape(shape), (middle - _FOCAL_PX * y).reshape(shape)
    seen = cv2.remap(
        np.ascontiguousarray(luma), columns.astype(np.float32), rows.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(seen.reshape(x.shape), np.float64)
