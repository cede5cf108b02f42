"""Curves over luminance that change from place to place: read for bands of a full-size frame."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.wrap import pad

Plane32 = NDArray[np.float32]

MOST_ROWS = 16
"""Rows that can be read at once; more would not stay in the cache."""
_ROUNDER = np.float32(8192)
"""Adding and taking away this rounds to 1/1024; the tables of a band together have fewer levels than this."""


@dataclass(frozen=True, slots=True)
class LocalCurves:
    """A value by place and log2 luminance.

    Attributes
    ----------
    lowest_ev, level_ev : float
        Log2 luminance of the first level, and the step between levels.
    table : ndarray of shape (rows + 2, levels, columns + 2), dtype float32
        Values on a whole 2:1 grid, continued by one cell on all sides.
    """

    lowest_ev: float
    level_ev: float
    table: Plane32

    @classmethod
    def over(cls, grid: NDArray[np.float64], lowest_ev: float, level_ev: float) -> LocalCurves:
        """Make them from a grid of shape (rows, levels, columns)."""
        closed = pad(grid.transpose(0, 2, 1), 1).transpose(0, 2, 1)
        return cls(lowest_ev, level_ev, np.ascontiguousarray(closed, dtype=np.float32))

    def at(self, first: int, light_ev: Plane32) -> Plane32:
        """Values for rows of a frame, interpolated in yaw, pitch and luminance.

        Parameters
        ----------
        first : int
            Row of the frame that `light_ev[0]` is.
        light_ev : ndarray of shape (n, width), dtype float32
            Log2 luminance, at most `MOST_ROWS` rows. Beyond the levels the outermost value holds.

        Returns
        -------
        ndarray of shape (n, width), dtype float32
            The same bits however a frame is cut into bands.

        Raises
        ------
        ValueError
            If there are too many rows.
        """
        if light_ev.shape[0] > MOST_ROWS:
            raise ValueError(f"{light_ev.shape[0]} rows are more than {MOST_ROWS}")
        count, width = light_ev.shape
        rows, levels, columns = self.table.shape
        place = (np.arange(first, first + count) + 0.5) * ((rows - 2) / (width // 2)) + 0.5
        above = np.floor(place).astype(np.intp)
        part = (place - above).astype(np.float32)[:, None, None]
        tables = self.table[above + 1] - self.table[above]
        tables *= part
        tables += self.table[above]
        # All rows' tables stand on top of each other. The sum with a row's offset is rounded to 1/1024 of a
        # level, so that the part between levels doesn't depend on which row of the band it is.
        level = light_ev * np.float32(1 / self.level_ev)
        level -= np.float32(self.lowest_ev / self.level_ev)
        np.clip(level, 0, np.float32(levels - 1.001), out=level)
        level += _ROUNDER + levels * np.arange(count, dtype=np.float32)[:, None]
        level -= _ROUNDER
        across = _columns(count, width, columns - 2)
        flat = tables.reshape(count * levels, columns)
        values: Plane32 = cv2.remap(flat, across, level, cv2.INTER_LINEAR)
        return values


@lru_cache(maxsize=4)
def _columns(count: int, width: int, columns: int) -> Plane32:
    """Column of the table that each pixel of a band reads."""
    line = ((np.arange(width) + 0.5) * (columns / width) + 0.5).astype(np.float32)
    return np.ascontiguousarray(np.broadcast_to(line, (count, width)))
