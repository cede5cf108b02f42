"""Steps of the filters at each scale and pitch, and how white noise spreads over the bands.

A step is `2**scale` rows. Along a row it is as many columns times a power of two near 1/cos(pitch), the row's
*stretch*: a window then covers about the same angle both ways at every pitch.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.shrink import SMOOTH_REACH, WINDOW_REACH
from panopipe.sphere.geometry import pitch_of_row

Floats = NDArray[np.float64]
MOST_STRETCH = 4
"""Beyond 88 degrees of pitch a row is no longer stretched more: 0.06 % of the sphere."""
_SPLINE = np.array([1, 4, 6, 4, 1]) / 16


def stretches(rows: NDArray[np.int64] | Floats, height: int) -> NDArray[np.int64]:
    """Power of two by which each row's steps are stretched, 0 to `MOST_STRETCH`.

    Rows beyond a pole count as those on the other side of it.
    """
    cosine = np.abs(np.cos(np.radians(pitch_of_row(rows, height))))
    stretch: NDArray[np.int64] = np.clip(np.round(-np.log2(cosine)), 0, MOST_STRETCH).astype(np.int64)
    return stretch


def columns_of(stretch: NDArray[np.int64], spacing: int, width: int) -> NDArray[np.int32]:
    """Columns of a step, row by row: seven of them go once round the frame at most."""
    most = int(np.log2(width / (2 * SMOOTH_REACH + WINDOW_REACH)))
    return (1 << np.minimum(stretch + int(np.log2(spacing)), most)).astype(np.int32)


def reach_rows(spacings: Sequence[int]) -> int:
    """Rows above and below that a row depends on, after scales of these spacings; one makes it a pair."""
    return SMOOTH_REACH * sum(spacings) + WINDOW_REACH * max(spacings) + 1 if spacings else 0


def has_room(height: int, spacings: Sequence[int]) -> bool:
    """Whether scales of these spacings fit into a frame so high, in rows and columns."""
    steps = 2 * SMOOTH_REACH + WINDOW_REACH
    return reach_rows(spacings) <= height // 2 and steps * max(spacings) <= 2 * height


@cache
def white_shares(scale: int, stretch: int = 0) -> tuple[float, float, float]:
    """Variance of white noise of variance 1 in the three bands of a scale, in a row so stretched."""
    before, after = _smoothed(scale), _smoothed(scale + 1)
    wide_before = _smoothed(scale + stretch if scale else 0)
    wide_after = _smoothed(scale + stretch + 1)
    down, across = _energy_of_difference(before, after), _energy_of_difference(wide_before, wide_after)
    return float((wide_after**2).sum() * down), float(across * (after**2).sum()), float(across * down)


@cache
def white_overlap(scale: int, stretch: int = 0) -> float:
    """Variance of white noise in all detail of a scale, over the sum of that in its bands: these overlap."""
    before, after = _smoothed(scale), _smoothed(scale + 1)
    wide_before = _smoothed(scale + stretch if scale else 0)
    wide_after = _smoothed(scale + stretch + 1)
    kept = (before**2).sum() * (wide_before**2).sum() + (after**2).sum() * (wide_after**2).sum()
    shared = _energy_in_common(before, after) * _energy_in_common(wide_before, wide_after)
    return float((kept - 2 * shared) / sum(white_shares(scale, stretch)))


@cache
def halved_shares(spacing: int) -> tuple[float, float, float]:
    """Share of white noise in the bands of a halved frame, over that in a frame that is not.

    `spacing` is that of the scale's filters in the halved frame; all scales before are taken off.
    """
    wide = np.zeros(8 * spacing + 1)
    wide[:: 2 * spacing] = _SPLINE
    before = _smoothed((2 * spacing).bit_length() - 1)
    shares = []
    for narrow in (np.convolve(before, [0.5, 0.5]), before):
        after = np.convolve(narrow, wide)
        down = _energy_of_difference(narrow, after)
        shares.append((float((after**2).sum()) * down, down * down))
    (single, both), (whole_single, whole_both) = shares
    return single / whole_single, single / whole_single, both / whole_both


def _smoothed(times: int) -> Floats:
    """Impulse response of smoothing with steps of 1, 2, 4 and so on."""
    response = np.ones(1)
    for time in range(times):
        wide = np.zeros(4 * 2**time + 1)
        wide[:: 2**time] = _SPLINE
        response = np.convolve(response, wide)
    return response


def _energy_in_common(narrow: Floats, wide: Floats) -> float:
    start = (len(wide) - len(narrow)) // 2
    return float((narrow * wide[start : start + len(narrow)]).sum())


def _energy_of_difference(narrow: Floats, wide: Floats) -> float:
    difference = -wide
    start = (len(wide) - len(narrow)) // 2
    difference[start : start + len(narrow)] += narrow
    return float((difference**2).sum())
