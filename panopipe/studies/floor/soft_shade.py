"""Floor beside a foot, seen and only shaded: its own joints and grain are kept, and its light given back.

What the floor around foretells of it tells how much light it lacks: little, and evenly along the foot's
outline. Only that is taken off; what stands out of it, the end of a leg say, is left rebuilt.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.logs import from_log, offset_for, to_log
from panopipe.studies.floor.scene import distance_from, within

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

_RINGS_PX, _SECTORS = 1.5, 72
"""How finely shade is told: by distance from the foot, and around it."""
_SMOOTH = 3.0
"""Sectors over which shade is even, as the standard deviation of a Gaussian: fifteen degrees."""
_CLAMP = 2.5
"""Deviations, robust, to which what differs from shade is heard: a joint that lies elsewhere is no shade."""
_BROAD = 0.15
"""Breadth over which what is left has the level of the rebuilt floor, in radii of the hole."""
_GRID = 4.0
"""Standard deviations of a blur are so many places of the grid on which it is had."""
_ODD, _ODD_PX = 4.0, 1.5
"""Deviations, softened by some pixels, from which the floor is rather rebuilt: it may be no floor."""
_STREAK, _DARK, _LEAST_DARK = 0.05, 2.5, 0.03
"""Breadth of a hard shadow or a rim of the foot, in radii of the hole; and how much darker than foretold what
is that broad may be, in deviations, and in log light at least."""
_FEATHER, _LEAST_FEATHER_PX = 0.05, 3.0
"""Breadth over which rebuilt floor gives way to floor that is seen, in radii of the hole, and at least."""
_DEEP = 0.4
"""Loss of light, in log light, from which noise would show."""
_OF_MEDIAN = 1.4826
"""Standard deviation of a normal distribution over the median of its magnitudes."""
_LINE = 1024
"""Places that are looked up in one line."""
_FEWEST = 200
"""Pixels that tell of shade at least."""


def with_seen(light: Picture, filled: Picture, hole: Mask, shown: Mask) -> Picture:
    """Put floor that is seen in soft shade in the place of rebuilt floor, without the shade.

    Parameters
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Straight-down view, linear light.
    filled : ndarray of shape (n, n, 3), dtype float32
        The same with the hole filled.
    hole : ndarray of shape (n, n), dtype bool
        What was filled.
    shown : ndarray of shape (n, n), dtype bool
        Where the view shows floor, if in shade.

    Returns
    -------
    ndarray of shape (n, n, 3), dtype float32
    """
    shade, foot = hole & shown, hole & ~shown
    if shade.sum() < _FEWEST or not foot.any():
        return filled
    lines, columns = np.flatnonzero(hole.any(1)), np.flatnonzero(hole.any(0))
    box = np.s_[lines[0] : lines[-1] + 1, columns[0] : columns[-1] + 1]
    picture = filled.copy()
    picture[box] = _lit(light[box], filled[box], shade[box], foot[box], math.sqrt(hole.sum() / math.pi))
    return picture


def _lit(light: Picture, filled: Picture, shade: Mask, foot: Mask, radius: float) -> Picture:
    """What is rebuilt, with the floor in shade as it would be without."""
    offset = offset_for(filled)
    logs = to_log(light, offset)
    gap = logs - to_log(filled, offset)
    lost = _along_outline(gap, shade, foot)
    lost += _broad(gap - lost, shade, _BROAD * radius)
    fine = shade & ~_odd(np.where(shade, (gap - lost).mean(-1), 0), shade, radius) & (lost.mean(-1) > -_DEEP)
    rebuilt = foot | (shade & ~fine)
    weight = fine * np.clip(distance_from(rebuilt) / max(_LEAST_FEATHER_PX, _FEATHER * radius), 0, 1)
    seen = from_log(logs - lost, offset)
    return np.asarray(filled + (seen - filled) * weight[..., None], np.float32)


def _odd(rest: Picture, shade: Mask, radius: float) -> Mask:
    """Where what is seen is far from what was foretold, in detail, or darker over some breadth."""
    rest = rest.astype(np.float32)
    near = cv2.GaussianBlur(np.abs(rest), (0, 0), _ODD_PX) > _ODD * _spread(rest[shade])
    dark = cv2.GaussianBlur(rest, (0, 0), _STREAK * radius)
    odd = near | (dark < -max(_LEAST_DARK, _DARK * _spread(dark[shade])))
    return within(odd & shade, _STREAK * radius) if odd.any() else odd


def _along_outline(gap: Picture, shade: Mask, foot: Mask) -> Picture:
    """Mean of a picture in the shade by distance from the foot and direction, without outliers."""
    rows, columns = np.nonzero(shade)
    middle = np.argwhere(foot).mean(0)
    turn = np.arctan2(rows - middle[0], columns - middle[1]) / (2 * np.pi) * _SECTORS + _SECTORS / 2
    ring = distance_from(foot)[rows, columns] / np.float32(_RINGS_PX)
    values, even = gap[rows, columns], np.zeros((len(rows), gap.shape[-1]), np.float32)
    # The second time outliers are told from what the first left.
    for _ in range(2):
        even += _binned(_clamped(values - even), ring, turn)
    lost = np.zeros_like(gap)
    lost[rows, columns] = even
    return lost


def _broad(rest: Picture, shade: Mask, sigma: float) -> Picture:
    """Level of a picture in the shade."""
    share = shade.astype(np.float32)
    heard = np.zeros_like(rest)
    heard[shade] = _clamped(rest[shade])
    # What is smooth needs few places.
    step = max(1.0, sigma / _GRID)
    height, width = shade.shape
    small = max(2, round(width / step)), max(2, round(height / step))
    level, count = (
        cv2.GaussianBlur(cv2.resize(part, small, interpolation=cv2.INTER_AREA), (0, 0), sigma / step)
        for part in (heard, share)
    )
    level /= np.maximum(count, 1e-3)[..., None]
    return np.asarray(cv2.resize(level, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def _binned(values: Picture, ring: Picture, turn: Float) -> Picture:
    """Means of values by ring and sector, smooth, at their own places."""
    shape = int(ring.max()) + 1, _SECTORS
    at = ring.astype(np.int64) * _SECTORS + turn.astype(np.int64) % _SECTORS
    count = np.bincount(at, minlength=shape[0] * _SECTORS).reshape(shape)
    sums = [np.bincount(at, one, minlength=shape[0] * _SECTORS).reshape(shape) for one in values.T]
    reach = math.ceil(3 * _SMOOTH)
    table = np.stack([count, *sums], -1).astype(np.float32)
    table = np.concatenate([table[:, -reach:], table, table[:, :reach]], 1)
    table = cv2.GaussianBlur(table, (0, 0), sigmaX=_SMOOTH, sigmaY=0.7)
    means = table[..., 1:] / np.maximum(table[..., :1], 1e-3)
    # In lines, as the library takes no picture of more than 32,767 rows.
    lines = math.ceil(len(ring) / _LINE)
    column, row = (
        np.resize(place.astype(np.float32), (lines, _LINE)) for place in (turn + reach - 0.5, ring - 0.5)
    )
    seen = cv2.remap(means, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen.reshape(-1, values.shape[-1])[: len(values)], np.float32)


def _clamped(values: Picture) -> Picture:
    """Values, (places, channels), without what lies far from most."""
    middle = np.median(values, axis=0)
    bound = _CLAMP * _spread(values - middle)
    return np.asarray(np.clip(values, middle - bound, middle + bound), np.float32)


def _spread(values: Picture) -> float:
    """Standard deviation about zero, from the median of magnitudes, as noise has it."""
    return _OF_MEDIAN * float(np.median(np.abs(values))) + 1e-6
