"""The long thin shadows of a pole, found along lines that start under the camera.

A shadow of a pole on a level floor is straight and starts at the foot, close to the nadir. In each row of the
frame, which is a circle around the nadir, it is darker than the floor on either side of it; over many rows
that stands out of any texture. A joint or a stripe does so too, but goes on behind the nadir, and has others
beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.studies.floor.by_colour import without_materials

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
_TRIED, _MOST, _APART_DEG, _WEAKEST = 16, 3, 14.0, 0.3
_HARD_TRIED = 6
"""Lines that may be a hard shadow: the sun throws one that stands out; butts of boards come after it."""
_BROAD = round(_APART_DEG * _COLUMNS / 360)
"""Columns beside a shadow that show it, too."""
_SHORTEST, _FEWEST_ROWS, _BESIDE_DEG = 0.4, 20, 0.7
"""The least reach that is looked at, the least rows of it beside the support, and room beside that."""


@dataclass(frozen=True, slots=True)
class _Rule:
    """What a line must show to be believed a shadow.

    Attributes
    ----------
    score : float
        Least mean of its darkness over the usual difference across so many columns.
    stands_out : float
        How far that must stand out of parallel lines and its own continuation.
    reach : float
        Least reach: by chance a line is as short as it may be.
    depth : float
        Least log light that it takes.
    tint : float
        How much more of red or blue than of green it may take.
    gaps : float
        Share of it where it may be fainter than `_FAINT` of its median.
    """

    score: float
    stands_out: float
    reach: float
    depth: float
    tint: float
    gaps: float


_FAINT, _OF_DARKER_SIDE = 0.3, 0.5
"""Share of the median depth that counts as a gap, and the share of the depth that must be left against the
darker side: beside a rug a dark floor is darker than one side only."""
_NEAR_ROWS, _OF_DEPTH_NEAR = 10, 0.5
"""Least rows beside the support that count as near, and the share of the depth that a third of the line must
have there: the upright edge of a door further out points to the nadir, too."""
_RULES = (_Rule(0.5, 1.5, 0.58, 0.06, 0.3, 0.18), _Rule(0.9, 3.0, 0.4, 0.05, 0.25, 0.4))
"""A line is believed that is long and even, or one that stands out by far. Of 38 shadows in made frames the
first found 20 and both 30; in 20 frames without a support neither added one."""
_ANOTHER, _FAINTER = _Rule(0.7, 4.0, 0.4, 0.045, 0.3, 0.3), 0.3
"""The same beside one that is believed, where it is fainter: one lamp throws a shadow, another may."""
_BY_COLOUR = _Rule(1.3, 5.0, 0.45, 0.06, 0.25, 0.15)
"""The same where the lightness of colours is taken off: what is left of a rug's border must not pass."""


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
    begin : float
        Distance along it from which it lies on the floor.
    by_colour : bool
        Whether it was found once the lightness of the floor's colours was taken off; it may be found
        without that, too.
    """

    yaw_deg: float
    offset: float
    reach: float
    half: float
    widening: float
    depth: float
    begin: float = 0.0
    by_colour: bool = False

    def over(self, right: Float, ahead: Float, room: float) -> NDArray[np.bool_]:
        """Whether it lies over places right and ahead of the nadir, or that near to them."""
        yaw = math.radians(self.yaw_deg)
        along, aside = (
            right * math.sin(yaw) + ahead * math.cos(yaw),
            right * math.cos(yaw) - ahead * math.sin(yaw),
        )
        near = np.abs(aside - self.offset) < 2 * (self.half + self.widening * np.maximum(along, 0)) + room
        return np.asarray(near & (along > max(self.begin, 0)), np.bool_)

    def along(self, other: PoleShadow) -> bool:
        """Whether two run in so much the same direction that they are one."""
        return abs((self.yaw_deg - other.yaw_deg + 180) % 360 - 180) <= _APART_DEG


def find_pole_shadows(frame: Picture, under_deg: Float | None = None) -> tuple[PoleShadow, ...]:
    """Find straight thin shadows that start under the camera, in a whole frame at reduced size.

    Parameters
    ----------
    frame : ndarray of shape (height, 2 height, 3), dtype float32
        Linear light.
    under_deg : ndarray of shape (n,), dtype float64, optional
        To which angle from the nadir the support itself reaches, in even directions from yaw -180 on: a dark
        leg is no shadow.
    """
    small = cv2.resize(frame, (_COLUMNS, frame.shape[0]), interpolation=cv2.INTER_AREA)
    height = len(small)
    angle = (height - np.arange(height) - 0.5) * (180 / height)
    rows = np.flatnonzero((angle > _FROM_DEG) & (angle < _TO_DEG))[::-1]
    light = np.maximum(small[rows], 0)
    logs = np.log(light + np.float32(0.02 * max(float(np.median(light)), 1e-6)))
    far = np.tan(np.radians(angle[rows]))
    columns = (np.arange(_COLUMNS) + 0.5) / _COLUMNS
    reach = np.zeros(_COLUMNS)
    if under_deg is not None:
        reach = np.interp(columns, (np.arange(len(under_deg)) + 0.5) / len(under_deg), under_deg, period=1)
    clear = (angle[rows, None] > reach + _BESIDE_DEG).astype(np.float32)
    kept = _apart([line for form in _HALVES for line in _lines(logs, far, clear, form)])
    evened = without_materials(logs)
    if evened is None:
        return kept
    by_colour = _apart(_lines(evened, far, clear, _HALVES[1], (_BY_COLOUR,)))
    return kept + tuple(replace(line, by_colour=True) for line in by_colour)


def _apart(lines: list[tuple[bool, float, PoleShadow]]) -> tuple[PoleShadow, ...]:
    """The lines for which most speaks, each in a direction of its own."""
    kept: list[PoleShadow] = []
    for sure, _, line in sorted(lines, key=lambda each: (-each[0], -each[1])):
        # Beside a sun's shadow a weak line is a joint.
        if (
            (sure or kept)
            and all(line.depth > _WEAKEST * other.depth for other in kept)
            and not any(line.along(other) for other in kept)
        ):
            kept.append(line)
    return tuple(kept[:_MOST])


def _darker(logs: Picture, far: Float, half: float, widening: float, around: int = 0) -> Picture:
    """How much darker each place is than the places on either side of it, in log light, row by row.

    Of `around` columns all around the nadir, if these are but some.
    """
    middle, left, right = _means(logs, far, half, widening, around)
    # A step between two floors is darker than one side only.
    return np.asarray(0.5 * np.minimum(left, right) + 0.25 * (left + right) - middle, np.float32)


def _means(
    logs: Picture, far: Float, half: float, widening: float, around: int = 0
) -> tuple[Picture, Picture, Picture]:
    """Means over the width of a shadow around each place, and over what lies left and right of that."""
    width = logs.shape[1]
    reach = np.maximum(0.5, (half + widening * far) / far * (around or width) / (2 * np.pi))
    inner = np.rint(reach - 0.5).astype(np.int64)
    outer = np.minimum(np.rint(3.2 * reach + 1).astype(np.int64), width - 1)
    gap = np.minimum(inner + np.maximum(1, np.rint(0.7 * reach).astype(np.int64)) + 1, outer)
    room = int(outer.max()) + 1
    total = np.cumsum(logs[:, np.arange(-room, width + room) % width], axis=1, dtype=np.float64)
    means = np.empty((3, *logs.shape), np.float32)
    for row, sums in enumerate(total):
        ends = (-inner[row], inner[row]), (-outer[row], -gap[row]), (gap[row], outer[row])
        for mean, (low, high) in zip(means[:, row], ends, strict=True):
            first, last = room + low - 1, room + high
            np.divide(sums[last : last + width] - sums[first : first + width], high - low + 1, out=mean)
    return means[0], means[1], means[2]


def _along(values: Picture, far: Float, columns: Float, offset: float, around: int = 0) -> Picture:
    """Values along lines that pass the nadir at an offset, towards some columns: (rows, lines)."""
    width = values.shape[1]
    shift = np.arcsin(np.clip(offset / far, -1, 1)) * (around or width) / (2 * np.pi)
    at = np.round(columns[None, :] + shift[:, None]).astype(np.int64) % width
    return np.asarray(np.take_along_axis(values, at, axis=1), np.float32)


def _summed(values: Picture, far: Float, offset: float) -> Picture:
    """Sums from the nadir on along lines that pass it at an offset, towards every column: (rows, columns)."""
    width = values.shape[1]
    shift = np.rint(np.arcsin(np.clip(offset / far, -1, 1)) * width / (2 * np.pi)).astype(np.int64) % width
    twice, sums = np.concatenate([values, values], axis=1), np.empty_like(values)
    total = np.zeros(width, np.float32)
    for row, by in enumerate(shift):
        # Row by row: a running sum down the columns of an array is twenty times slower.
        total = np.add(total, twice[row, by : by + width], out=sums[row])
    return sums


def _lines(
    logs: Picture,
    far: Float,
    clear: Picture,
    form: tuple[float, float],
    among: Sequence[_Rule] = (*_RULES, _ANOTHER),
) -> list[tuple[bool, float, PoleShadow]]:
    """Lines darker than both sides over a long way, in all colours alike, and not as part of a pattern.

    With each: whether it is believed by itself, or only beside another; and how much speaks for it.
    """
    width = logs.shape[1]
    darker = _darker(logs @ LUMINANCE_OF_WORKING.astype(np.float32), far, *form)
    usual = 1.4826 * np.median(np.abs(darker), axis=1, keepdims=True) + 0.006
    score = np.clip(darker / usual, -3, 3).astype(np.float32) * clear
    sums = np.array([_summed(score, far, by) for by in _OFFSETS])
    # The best length of each line: long enough, and dark all the way.
    steps = _summed(clear, far, 0.0)
    worth = (sums - np.float32(0.25) * steps) / np.sqrt(steps + 12)
    worth[:, far < _SHORTEST] = -np.inf
    best = worth.max(1)
    left, lines = best.max(0), []
    for tried in range(_TRIED):
        column = int(left.argmax())
        at = int(best[:, column].argmax())
        length = int(worth[at, :, column].argmax()) + 1
        left[(np.arange(column - 8, column + 9)) % width] = -np.inf
        mean = float(sums[at, length - 1, column]) / max(float(steps[length - 1, column]), 1.0)
        offset = float(_OFFSETS[at])
        begin = int(clear[:, column].argmax())
        part = slice(begin, length)
        if length - begin < _FEWEST_ROWS:
            continue
        out = mean / max(_others(score[part], far[part], column, offset), 1e-6)
        reach = float(far[length - 1])
        rules = [
            rule for rule in among if mean >= rule.score and out >= rule.stands_out and reach >= rule.reach
        ]
        depth, rules = _shadow_depth(logs[part], far[part], column, offset, form, rules) if rules else (0, [])
        hard_may_be = tried < _HARD_TRIED and rules[:1] != [_ANOTHER]
        if rules and (depth < _FAINTER or hard_may_be):
            left[(np.arange(column - _BROAD, column + _BROAD + 1)) % width] = -np.inf
            yaw = (column + 0.5) * 360 / width - 180
            shadow = PoleShadow(yaw, offset, reach, *form, depth)
            lines.append((rules[0] is not _ANOTHER, float(worth[at, length - 1, column]), shadow))
    return lines


def _shadow_depth(
    logs: Picture,
    far: Float,
    column: int,
    offset: float,
    form: tuple[float, float],
    rules: Sequence[_Rule],
) -> tuple[float, list[_Rule]]:
    """Log light that a line takes, and the rules by which it does so evenly, along it and in colour."""
    width, reach = logs.shape[1], 120
    # The line and its surroundings alone, the line in the middle.
    near = (np.arange(column - reach, column + reach) % width).astype(np.int64)
    seen = np.ascontiguousarray(logs[:, near])
    channels = np.concatenate([seen, (seen @ LUMINANCE_OF_WORKING.astype(np.float32))[..., None]], axis=-1)
    middle, left, right = (
        np.stack([_along(part[..., channel], far, np.array([float(reach)]), offset, width)[:, 0]
                  for channel in range(4)])
        for part in _means(channels, far, *form, width)
    )  # fmt: skip
    darker = 0.5 * np.minimum(left, right) + 0.25 * (left + right) - middle
    red, green, blue = (float(np.median(line)) for line in darker[:3])
    mean = darker[:3].mean(0)
    depth = float(np.median(mean))
    if np.median((np.minimum(left, right) - middle)[3]) < _OF_DARKER_SIDE * depth:
        return depth, []
    if np.median(mean[: max(_NEAR_ROWS, len(mean) // 3)]) < _OF_DEPTH_NEAR * depth:
        return depth, []
    gaps = float((mean < _FAINT * depth).mean())
    tint = max(abs(red - green), abs(blue - green)) / max(green, 1e-6)
    return depth, [rule for rule in rules if depth >= rule.depth and gaps < rule.gaps and tint < rule.tint]


def _others(score: Picture, far: Float, column: int, offset: float) -> float:
    """Mean score of the darkest parallel line, and of the line's own continuation behind the nadir."""
    shift = np.arcsin(np.clip((offset + _BESIDE) / far[:, None], -1, 1)) * score.shape[1] / (2 * np.pi)
    at = np.round(column + shift).astype(np.int64) % score.shape[1]
    seen = far[:, None] > np.abs(_BESIDE)
    beside = (np.take_along_axis(score, at, axis=1) * seen).sum(0) / np.maximum(seen.sum(0), 1)
    ahead = np.array([column], np.float64)
    behind = ahead + score.shape[1] / 2
    back = [float(_along(score, far, behind, -offset + by).mean()) for by in (-0.008, 0.0, 0.008)]
    return max(float(beside.max()), *back, 0.0)
