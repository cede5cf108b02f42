"""The long thin shadows of a pole: found along lines that start under the camera, and lit up again.

A shadow of a pole on a level floor is straight and starts at the foot, close to the nadir. In each row of the
frame, which is a circle around the nadir, it is darker than the floor on either side of it; over many rows
that stands out of any texture. A joint or a stripe does so too, but goes on behind the nadir, and has others
beside it. What is found is not rebuilt: the light that the shadow takes is measured across it, channel by
channel, and given back, so that the floor keeps its own texture.

References
----------
.. [1] G. D. Finlayson, S. D. Hordley, C. Lu, M. S. Drew, On the removal of shadows from images, IEEE Trans.
   PAMI 28(1), 2006 (a shadow is a factor on the light; its edge tells how large).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.sphere.sampling import REACH, sample_frame

Picture = NDArray[np.float32]
Float = NDArray[np.float64]

_FROM_DEG, _TO_DEG = 8.0, 61.0
"""Angles from the nadir between which a shadow is looked for, beyond a foot."""
_HALVES = ((0.009, 0.0), (0.012, 0.02))
"""Half widths of shadows in camera heights, and how much wider per height of distance: a sun's and a
lamp's."""
_OFFSETS = np.arange(-2, 3) * 0.011
"""Distances of the line from the nadir, in camera heights: a foot leans by a degree or two."""
_BESIDE = np.concatenate([np.arange(-30, -9), np.arange(10, 31)]) * 0.01
"""Distances at which parallel lines would be, were it a pattern."""
_COLUMNS = 1024
"""Directions in which lines are looked for."""
_TRIED, _MOST, _APART_DEG, _WEAKEST = 6, 3, 10.0, 0.3
_STANDS_OUT, _LEAST_DEPTH = 1.5, 0.06
"""How far a line must stand out of parallel ones and its own continuation, and the log light it must take."""
_LEAST_SCORE, _SHORTEST, _LONG_ENOUGH = 0.5, 0.5, 0.58
"""Mean of a line's darkness over the usual difference across so many columns; the least
reach that is looked at, and the least that is believed: by chance a line is as short as it may be."""
_TINT, _GAPS, _FAINT = 0.3, 0.18, 0.3
"""How much more of red or blue than of green a shadow may take; the share of a line where it may be fainter
than such a share of its median. Measured: shadows stay within .2 and .12, stripes and joints exceed one."""


_WINDOW = 0.03
"""How far along a shadow its depth is averaged, as a standard deviation in camera heights."""
_GRAIN_PX, _ROWS_AT_ONCE, _FURTHER = 4.0, 64, 1.3
"""Length in pixels over which a floor's grain is alike, rows that are lit at once, and how much further than
was found a shadow may go on."""


@dataclass(frozen=True, slots=True)
class PoleShadow:
    """A thin straight shadow on the floor, in the yaw of the frame's arrays and in camera heights.

    Attributes
    ----------
    yaw_deg : float
        Direction from the nadir along the shadow.
    offset : float
        How far to the right of the nadir, seen along the shadow, it runs.
    reach : float
        Distance from the nadir at which it ends.
    half, widening : float
        Half its width at the nadir, and by how much that grows per height of distance.
    depth : float
        Log light that it takes, on average.
    """

    yaw_deg: float
    offset: float
    reach: float
    half: float
    widening: float
    depth: float


def find_pole_shadows(frame: Picture) -> tuple[PoleShadow, ...]:
    """Find straight thin shadows that start under the camera, in a whole frame at reduced size.

    Parameters
    ----------
    frame : ndarray of shape (height, 2 height, 3), dtype float32
        Linear light.
    """
    small = cv2.resize(frame, (_COLUMNS, frame.shape[0]), interpolation=cv2.INTER_AREA)
    height = len(small)
    angle = (height - np.arange(height) - 0.5) * (180 / height)
    rows = np.flatnonzero((angle > _FROM_DEG) & (angle < _TO_DEG))[::-1]
    light = np.maximum(small[rows], 0)
    logs = np.log(light + np.float32(0.02 * max(float(np.median(light)), 1e-6)))
    far = np.tan(np.radians(angle[rows]))
    lines = [line for form in _HALVES for line in _lines(logs, far, form)]
    kept: list[PoleShadow] = []
    for _, line in sorted(lines, key=lambda each: -each[0]):
        # Beside a sun's shadow a weak line is a joint.
        if all(line.depth > _WEAKEST * other.depth for other in kept) and all(
            abs((line.yaw_deg - other.yaw_deg + 180) % 360 - 180) > _APART_DEG for other in kept
        ):
            kept.append(line)
    return tuple(kept[:_MOST])


def _darker(logs: Picture, far: Float, half: float, widening: float, around: int = 0) -> Picture:
    """How much darker each place is than the places on either side of it, in log light, row by row.

    Of `around` columns all around the nadir, if these are but some.
    """
    width = logs.shape[1]
    around = around or width
    total = np.cumsum(np.concatenate([logs] * 3, axis=1), axis=1, dtype=np.float64)
    darker = np.empty_like(logs)
    for row, distance in enumerate(far):
        reach = max(0.5, (half + widening * distance) / distance * around / (2 * np.pi))
        inner, outer = max(0, round(reach - 0.5)), min(round(3.2 * reach + 1), width - 1)
        gap = min(inner + max(1, round(0.7 * reach)) + 1, outer)

        def mean(low: int, high: int, sums: Float = total[row]) -> Float:
            total = sums[width + high : 2 * width + high] - sums[width + low - 1 : 2 * width + low - 1]
            return np.asarray(total / (high - low + 1), np.float64)

        sides = mean(-outer, -gap), mean(gap, outer)
        # A step between two floors is darker than one side only.
        darker[row] = (
            np.minimum(sides[0], sides[1]) * 0.5 + (sides[0] + sides[1]) * 0.25 - mean(-inner, inner)
        )
    return darker


def _along(values: Picture, far: Float, columns: Float, offset: float, around: int = 0) -> Picture:
    """Values along lines that pass the nadir at an offset, towards some columns: (rows, lines)."""
    width = values.shape[1]
    shift = np.arcsin(np.clip(offset / far, -1, 1)) * (around or width) / (2 * np.pi)
    at = np.round(columns[None, :] + shift[:, None]).astype(np.int64) % width
    return np.asarray(np.take_along_axis(values, at, axis=1), np.float32)


def _lines(logs: Picture, far: Float, form: tuple[float, float]) -> list[tuple[float, PoleShadow]]:
    """Lines darker than both sides over a long way, in all colours alike, and not as part of a pattern."""
    width = logs.shape[1]
    darker = _darker(logs @ LUMINANCE_OF_WORKING.astype(np.float32), far, *form)
    usual = 1.4826 * np.median(np.abs(darker), axis=1, keepdims=True) + 0.006
    score = np.clip(darker / usual, -3, 3).astype(np.float32)
    every = np.arange(width, dtype=np.float64)
    sums = np.array([np.cumsum(_along(score, far, every, by), axis=0) for by in _OFFSETS])
    # The best length of each line: long enough, and dark all the way.
    steps = np.arange(1, len(far) + 1, dtype=np.float32)[:, None]
    worth = (sums - np.float32(0.25) * steps) / np.sqrt(steps + 12)
    worth[:, far < _SHORTEST] = -np.inf
    best = worth.max(1)
    left, lines = best.max(0), []
    for _ in range(_TRIED):
        column = int(left.argmax())
        at = int(best[:, column].argmax())
        length = int(worth[at, :, column].argmax()) + 1
        left[(np.arange(column - 8, column + 9)) % width] = -np.inf
        mean = float(sums[at, length - 1, column]) / length
        if (
            far[length - 1] < _LONG_ENOUGH
            or mean < _LEAST_SCORE
            or mean < _STANDS_OUT * _others(score[:length], far[:length], column, float(_OFFSETS[at]))
        ):
            continue
        depth = _shadow_depth(logs[:length], far[:length], column, float(_OFFSETS[at]), form)
        if depth is not None:
            yaw = (column + 0.5) * 360 / width - 180
            shadow = PoleShadow(yaw, float(_OFFSETS[at]), float(far[length - 1]), *form, depth)
            lines.append((float(worth[at, length - 1, column]), shadow))
    return lines


def _shadow_depth(
    logs: Picture, far: Float, column: int, offset: float, form: tuple[float, float]
) -> float | None:
    """Log light that a line takes; None if it does not take it evenly along it and in all colours."""
    width, reach = logs.shape[1], 120
    # The line and its surroundings alone, the line in the middle.
    near = (np.arange(column - reach, column + reach) % width).astype(np.int64)
    lines = [
        _along(_darker(np.ascontiguousarray(logs[:, near, channel]), far, *form, width), far,
               np.array([float(reach)]), offset, width)[:, 0]
        for channel in range(3)
    ]  # fmt: skip
    red, green, blue = (float(np.median(line)) for line in lines)
    mean = (lines[0] + lines[1] + lines[2]) / 3
    depth = float(np.median(mean))
    even = float((mean < _FAINT * depth).mean()) < _GAPS
    neutral = max(abs(red - green), abs(blue - green)) < _TINT * green
    return depth if depth >= _LEAST_DEPTH and even and neutral else None


def _others(score: Picture, far: Float, column: int, offset: float) -> float:
    """Mean score of the darkest parallel line, and of the line's own continuation behind the nadir."""
    ahead = np.array([column], np.float64)
    beside = [
        float(_along(score[far > abs(by)], far[far > abs(by)], ahead, offset + by).mean()) for by in _BESIDE
    ]
    behind = ahead + score.shape[1] / 2
    back = [float(_along(score, far, behind, -offset + by).mean()) for by in (-0.008, 0.0, 0.008)]
    return max(*beside, *back, 0.0)


def lit_again(rows: Picture, first: int, shadows: Sequence[PoleShadow], from_deg: float) -> None:
    """Give back the light that pole shadows take, in place.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32
        Bottom rows of a frame, linear light, down to the nadir.
    first : int
        Row of the frame that `rows[0]` is.
    shadows : sequence of PoleShadow
    from_deg : float
        Angle from the nadir within which the floor is rebuilt anyway.
    """
    for shadow in shadows:
        _light_strip(rows, first, shadow, math.tan(math.radians(from_deg)))


def _light_strip(rows: Picture, first: int, shadow: PoleShadow, begin: float) -> None:
    height = rows.shape[1] // 2
    focal = rows.shape[1] / (2 * np.pi)
    top = math.tan((height - first - REACH - 2) * math.pi / height)
    end = min(_FURTHER * shadow.reach, top)
    if end - begin < 4 * _WINDOW / 3:
        return
    along = np.arange(begin, end, 1.5 / focal)
    widest = 3.2 * (shadow.half + shadow.widening * end) + 0.01
    across = np.arange(-widest, widest + 0.5 / focal, 0.5 / focal)
    loss = _taken(_drawn(rows, first, shadow, along, across), along, across, shadow, focal)
    shadow = _straightened(shadow, loss.mean(-1), along, across)
    taken = _taken(_drawn(rows, first, shadow, along, across), along, across, shadow, focal)
    _give_back(
        rows, first, shadow, taken, (along[0], along[1] - along[0]), (across[0], across[1] - across[0])
    )


def _straightened(shadow: PoleShadow, taken: Picture, along: Float, across: Float) -> PoleShadow:
    """The shadow laid along the middle of what it darkens: its edges are sharper than the search is fine."""
    weight = taken.sum(1)
    if not weight.any():
        return shadow
    middle = (taken @ across) / np.maximum(weight, 1e-9)
    slope, aside = np.polyfit(along, middle, 1, w=np.sqrt(weight))
    yaw_deg = shadow.yaw_deg + math.degrees(math.atan(slope))
    return replace(shadow, yaw_deg=yaw_deg, offset=shadow.offset + float(aside))


def _drawn(rows: Picture, first: int, shadow: PoleShadow, along: Float, across: Float) -> Picture:
    """The strip of floor along a shadow: shape (len(along), len(across), 3)."""
    width = rows.shape[1]
    aside = across + shadow.offset
    far = np.hypot(along[:, None], aside[None, :])
    yaw = math.radians(shadow.yaw_deg) + np.arctan2(aside[None, :], along[:, None])
    columns = (yaw / (2 * np.pi) + 0.5) * width - 0.5
    lines = width / 2 - 0.5 - np.arctan(far) * (width / (2 * np.pi))
    return sample_frame(rows, first, columns.astype(np.float32), lines.astype(np.float32), kernel="lanczos")


def _taken(strip: Picture, along: Float, across: Float, shadow: PoleShadow, focal: float) -> Picture:
    """Log light that the shadow takes at each place of the strip, channel by channel."""
    logs = np.log(np.maximum(strip, 0) + np.float32(0.01 * max(float(np.median(strip)), 1e-6)))
    half = (shadow.half + shadow.widening * along)[:, None]
    place = np.abs(across)[None, :] / half
    inner, outer = 1.9, 3.2
    levels = []
    for side in (across[None, :] < 0, across[None, :] > 0):
        weight = ((place > inner) & (place < outer) & side).astype(np.float32)
        count = np.maximum(weight.sum(1, keepdims=True), 1)
        middle = (weight * across[None, :]).sum(1, keepdims=True) / count
        levels.append(((logs * weight[..., None]).sum(1) / count, middle))
    slope = (levels[1][0] - levels[0][0]) / np.maximum(levels[1][1] - levels[0][1], 1e-6)
    even = levels[0][0][:, None] + slope[:, None] * (across[None, :] - levels[0][1])[..., None]
    darker = np.clip(even - logs, -0.5, 3).astype(np.float32)
    step = float(along[1] - along[0])
    # Not across: an edge that is softened here stays as a dark line inside and a bright one outside.
    tall = 2 * round(3 * _WINDOW / step) + 1
    smooth = cv2.GaussianBlur(
        darker, (1, tall), sigmaX=0, sigmaY=_WINDOW / step, borderType=cv2.BORDER_REPLICATE
    )
    error = np.sqrt(
        np.maximum(cv2.GaussianBlur(np.square(darker - smooth), (0, 0), sigmaX=1.0, sigmaY=_WINDOW / step), 0)
    )
    grains = max(1.0, _WINDOW * 3 * focal / _GRAIN_PX)
    # Where joints cross it, the shadow is what it is along its whole length.
    usual = np.maximum(np.median(darker[along < shadow.reach], axis=0), 0)
    usual = usual * np.clip((shadow.reach - along) / _WINDOW - 1, 0, 1)[:, None, None].astype(np.float32)
    large = np.square(np.maximum(smooth, usual))
    sure = large / (large + np.square(2 * error) / np.float32(grains) + np.float32(1e-6))
    taken = np.maximum(smooth, 0) * sure + usual * (1 - sure)
    taken *= np.clip((inner - place) / 0.4, 0, 1)[..., None]
    fade = np.clip((along[-1] - along) / _WINDOW, 0, 1)
    return np.asarray(taken * fade[:, None, None], np.float32)


def _give_back(
    rows: Picture,
    first: int,
    shadow: PoleShadow,
    taken: Picture,
    along: tuple[float, float],
    across: tuple[float, float],
) -> None:
    """Multiply the frame's pixels along the strip, some rows at once."""
    width = rows.shape[1]
    widest = -across[0] + abs(shadow.offset)
    for top in range(0, len(rows), _ROWS_AT_ONCE):
        lines = np.arange(top, min(top + _ROWS_AT_ONCE, len(rows)))
        far = np.tan((width / 2 - 0.5 - (lines + first)) * (2 * np.pi / width))
        use = (far > along[0]) & (far < along[0] + along[1] * (len(taken) + 1))
        if not use.any():
            continue
        lines, far = lines[use], far[use]
        reach = math.ceil(math.asin(min(1.0, widest / float(far.min()))) * width / (2 * np.pi)) + 1
        centre = round((shadow.yaw_deg / 360 + 0.5) * width - 0.5)
        columns = np.arange(centre - reach, centre + reach + 1)
        yaw = (columns + 0.5) / width * 2 * np.pi - np.pi - math.radians(shadow.yaw_deg)
        ahead, aside = far[:, None] * np.cos(yaw), far[:, None] * np.sin(yaw) - shadow.offset
        gain = cv2.remap(
            taken,
            ((aside - across[0]) / across[1]).astype(np.float32),
            ((ahead - along[0]) / along[1]).astype(np.float32),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_CONSTANT,
        )
        rows[lines[:, None], columns[None, :] % width] *= np.exp(gain)
