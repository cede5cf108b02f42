"""Curves over luminance that change from place to place: read for bands of a full-size frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.workspace import scratch
from panopipe.sphere.wrap import pad

Plane32 = NDArray[np.float32]

MOST_ROWS = 16
"""Rows that can be read at once; more would not stay in the cache."""
_MARGIN = 1e-3
"""Part of a level by which light is kept inside the first and the last: more than rounding can move it."""
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

    def of_rows(self, first: int, count: int, width: int) -> RowCurves:
        """Curves of the columns of some rows, interpolated in pitch.

        Parameters
        ----------
        first, count : int
            First row of the frame, and how many; at most `MOST_ROWS`.
        width : int
            Columns of the frame.

        Raises
        ------
        ValueError
            If there are too many rows.
        """
        if count > MOST_ROWS:
            raise ValueError(f"{count} rows are more than {MOST_ROWS}")
        rows = self.table.shape[0]
        place = (np.arange(first, first + count) + 0.5) * ((rows - 2) / (width // 2)) + 0.5
        above = np.floor(place).astype(np.intp)
        part = (place - above).astype(np.float32)[:, None, None]
        tables = self.table[above + 1] - self.table[above]
        tables *= part
        tables += self.table[above]
        return RowCurves(self.lowest_ev, self.level_ev, tables)


@dataclass(frozen=True, slots=True)
class RowCurves:
    """A value by column and log2 luminance for a few rows, one above the other.

    Attributes
    ----------
    lowest_ev, level_ev : float
        Log2 luminance of the first level, and the step between levels.
    tables : ndarray of shape (rows, levels, columns + 2), dtype float32
        Values, continued by one column on both sides.
    """

    lowest_ev: float
    level_ev: float
    tables: Plane32

    def at(self, row: int, luminance: Plane32, *, out: Plane32 | None = None) -> Plane32:
        """Values, interpolated in yaw and log2 luminance.

        Parameters
        ----------
        row : int
            Which of the rows `luminance[0]` is.
        luminance : ndarray of shape (n, width), dtype float32
            Luminance. Beyond the levels the outermost value holds.
        out : ndarray of shape (n, width), dtype float32, optional
            Takes the result.

        Returns
        -------
        ndarray of shape (n, width), dtype float32
            The same bits however a frame is cut into bands.
        """
        count, width = luminance.shape
        _, levels, columns = self.tables.shape
        lowest, highest = self.lowest_ev, self.lowest_ev + self.level_ev * (levels - 1)
        margin = self.level_ev * _MARGIN
        level = scratch("local level", luminance.shape)
        np.clip(
            luminance, np.float32(2.0 ** (lowest + margin)), np.float32(2.0 ** (highest - margin)), out=level
        )
        cv2.log(level, dst=level)
        level *= np.float32(1 / (self.level_ev * math.log(2)))
        # All rows' tables stand on top of each other. The sum with a row's offset is rounded to 1/1024 of a
        # level, so that the part between levels doesn't depend on which row of the band it is.
        level += _ROUNDER - lowest / self.level_ev + levels * np.arange(count, dtype=np.float32)[:, None]
        level -= _ROUNDER
        flat = self.tables[row : row + count].reshape(count * levels, columns)
        across = _columns(count, width, columns - 2)
        values: Plane32 = cv2.remap(flat, across, level, cv2.INTER_LINEAR, dst=out)
        return values


@lru_cache(maxsize=4)
def _columns(count: int, width: int, columns: int) -> Plane32:
    """Column of the table that each pixel of a band reads."""
    line = ((np.arange(width) + 0.5) * (columns / width) + 0.5).astype(np.float32)
    return np.ascontiguousarray(np.broadcast_to(line, (count, width)))
