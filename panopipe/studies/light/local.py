"""Curves over luminance that change from place to place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.wrap import pad


@dataclass(frozen=True, slots=True)
class LocalCurves:
    """A value by place and log2 luminance.

    Attributes
    ----------
    lowest_ev, level_ev : float
        Log2 luminance of the first level, and the step between levels.
    table : ndarray of shape (rows + 2, columns + 2, levels), dtype float32
        Values on a whole 2:1 grid, continued by one cell on all sides.
    """

    lowest_ev: float
    level_ev: float
    table: NDArray[np.float32]

    @classmethod
    def over(cls, grid: NDArray[np.float64], lowest_ev: float, level_ev: float) -> LocalCurves:
        """Make them from a grid of shape (rows, levels, columns)."""
        closed = pad(grid.transpose(0, 2, 1), 1)
        return cls(lowest_ev, level_ev, np.ascontiguousarray(closed, dtype=np.float32))

    def nearest(self, places_ev: NDArray[np.float32]) -> NDArray[np.float32]:
        """Values at all pixels of a frame, of log2 luminance `places_ev`, by the nearest cell and level."""
        height, width = places_ev.shape
        rows, columns, levels = self.table.shape[0] - 2, self.table.shape[1] - 2, self.table.shape[2]
        level = np.rint((places_ev - np.float32(self.lowest_ev)) / np.float32(self.level_ev))
        row = 1 + np.arange(height)[:, None] * rows // height
        column = 1 + np.arange(width) * columns // width
        return np.asarray(self.table[row, column, np.clip(level, 0, levels - 1).astype(np.intp)])
