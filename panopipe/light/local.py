"""Curves over luminance that change from place to place: read for bands of a full-size frame."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.wrap import pad

Plane32 = NDArray[np.float32]

_ROUNDER = np.float32(8192)
"""Adding and taking away this rounds to 1/1024: so that the sum with a table row is exact."""


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
            Log2 luminance. Beyond the levels the outermost value holds.

        Returns
        -------
        ndarray of shape (n, width), dtype float32
            The same bits however a frame is cut into bands.
        """
        count, width = light_ev.shape
        rows, levels, columns = self.table.shape
        place = (np.arange(first, first + count) + 0.5) * ((rows - 2) / (width // 2)) + 0.5
        above = np.floor(place).astype(np.intp)
        part = (place - above).astype(np.float32)[:, None, None]
        tables = self.table[above] * (1 - part) + self.table[above + 1] * part
        level = (light_ev - np.float32(self.lowest_ev)) * np.float32(1 / self.level_ev)
        level = np.clip(level, 0, np.float32(levels - 1.001), out=level)
        level = (level + _ROUNDER) - _ROUNDER + (np.arange(count, dtype=np.float32) * levels)[:, None]
        column = ((np.arange(width) + 0.5) * ((columns - 2) / width) + 0.5).astype(np.float32)
        flat = tables.reshape(count * levels, columns)
        across = np.broadcast_to(column, light_ev.shape)
        values: Plane32 = cv2.remap(flat, np.ascontiguousarray(across), level, cv2.INTER_LINEAR)
        return values
