"""Windows about the bright spots of a band: work on saturated pixels stays where there are any."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

_GAP = 64
"""Columns without a bright pixel that part two windows."""
_MOST = 12
"""Windows of a band: each costs something of its own."""


@dataclass(frozen=True, slots=True)
class Window:
    """Rows `top` to `bottom` and `width` columns from `left` on, going round."""

    top: int
    bottom: int
    left: int
    width: int


def windows(samples: NDArray[Any], threshold: Any, reach: int) -> list[Window]:
    """Find windows that hold all samples above a threshold, and all pixels within reach of one.

    Parameters
    ----------
    samples : ndarray of shape (n, width, 3)
        Whole rows.
    threshold : scalar
        In the samples' own type.
    reach : int
        Pixels that a window goes beyond its bright ones; rows may then lie outside the band.

    Returns
    -------
    list of Window
        They do not overlap.
    """
    highest = samples.max(axis=0)
    bright = np.flatnonzero((highest > threshold).any(axis=1))
    return [
        _window(samples, threshold, reach, left, count) for left, count in _runs(bright, samples.shape[1])
    ]


def _runs(bright: NDArray[np.intp], width: int) -> list[tuple[int, int]]:
    """First column and number of columns of each run, parted at the widest gaps."""
    if not len(bright):
        return []
    gaps = np.diff(bright, append=bright[0] + width)
    widest = np.argsort(-gaps, kind="stable")[:_MOST]
    last = np.sort(widest[gaps[widest] > _GAP])  # bright columns that end a run
    if not len(last):
        return [(0, width)]
    starts, ends = bright[(last + 1) % len(bright)], bright[np.roll(last, -1)]
    return list(zip(starts.tolist(), ((ends - starts) % width + 1).tolist(), strict=True))


def _window(samples: NDArray[Any], threshold: Any, reach: int, left: int, count: int) -> Window:
    width = samples.shape[1]
    part = np.take(samples, np.arange(left, left + count), axis=1, mode="wrap")
    rows = np.flatnonzero(part.reshape(len(part), -1).max(axis=1) > threshold)
    top, bottom = int(rows[0]) - reach, int(rows[-1]) + 1 + reach
    if count + 2 * reach >= width:
        return Window(top, bottom, 0, width)
    return Window(top, bottom, left - reach, count + 2 * reach)
