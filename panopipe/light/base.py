"""The large-scale light of a frame, its *base*, found at reduced size and applied at full size.

The base is the guided filter of log2 luminance by itself, on the closed sphere: large areas and strong edges
are base, texture is detail. The filter's two coefficients are smooth, so they are found on a small grid and
interpolated to any size, and the base follows the edges of the full-size frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.filters import guided_coefficients
from panopipe.sphere.wrap import pad

Plane32 = NDArray[np.float32]

GRID_WIDTH = 512
"""Columns of the grid on which the base is found: 0.7 degrees each."""
REACH_DEG = 5.0
"""Half the side of the filter's window."""
EDGE_VARIANCE_EV2 = 0.1
"""Variance of log2 luminance within a window that counts as an edge. A 6 EV edge has 9 EV squared, so that
about 1 % of it is left in the detail."""
DARKEST = 2.0**-20
"""Luminance below which light counts as black."""


@dataclass(frozen=True, slots=True)
class Base:
    """The base of a frame as coefficients on a grid: base = slope * log2(luminance) + offset_ev.

    Attributes
    ----------
    slope, offset_ev : ndarray of shape (height, width), dtype float32
        Coefficients on a whole 2:1 grid.
    """

    slope: Plane32
    offset_ev: Plane32

    def planes(self, first: int, count: int, width: int) -> tuple[Plane32, Plane32]:
        """Coefficients for `count` rows from row `first` of a frame `width` wide, interpolated linearly.

        Wraps at the sides and continues over the poles; a row's values don't depend on how many are asked.
        """
        slope = _rows_at(self.slope, first, count, width)
        return slope, _rows_at(self.offset_ev, first, count, width)


def log2_luminance(rows: Plane32, weights: NDArray[np.float64]) -> Plane32:
    """log2 of luminance, shape (height, width, 3) to (height, width), black at `DARKEST`."""
    luminance = cv2.transform(rows, weights.reshape(1, 3).astype(np.float32))
    result: Plane32 = np.log2(np.maximum(luminance, np.float32(DARKEST)))
    return result


def find_base(rows: Plane32, weights: NDArray[np.float64]) -> tuple[Base, Plane32]:
    """Base of a whole frame.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light, the whole frame at reduced size.
    weights : ndarray of shape (3,)
        Shares of the components in luminance.

    Returns
    -------
    base : Base
        Coefficients on a grid at most `GRID_WIDTH` wide.
    base_ev : ndarray of shape (grid height, grid width), dtype float32
        The base itself on that grid, log2 luminance.
    """
    light_ev = log2_luminance(rows, weights)
    if light_ev.shape[1] > GRID_WIDTH:
        size = (GRID_WIDTH, GRID_WIDTH // 2)
        light_ev = cv2.resize(light_ev, size, interpolation=cv2.INTER_AREA)
    slope, offset = guided_coefficients(light_ev, light_ev, reach_deg=REACH_DEG, eps=EDGE_VARIANCE_EV2)
    base = Base(slope.astype(np.float32), offset.astype(np.float32))
    return base, base.slope * light_ev + base.offset_ev


def _rows_at(plane: Plane32, first: int, count: int, width: int) -> Plane32:
    height, columns = plane.shape
    tall = pad(plane, 1)[:, 1:-1]
    place = (np.arange(first, first + count) + 0.5) * (height / (width // 2)) + 0.5
    above = np.floor(place).astype(np.intp)
    part = (place - above).astype(np.float32)[:, None]
    between = tall[above] * (1 - part) + tall[above + 1] * part
    margin = columns // math.gcd(columns, width)
    wide = np.take(between, np.arange(-margin, columns + margin), axis=1, mode="wrap")
    extra = margin * width // columns
    stretched = cv2.resize(wide, (width + 2 * extra, count), interpolation=cv2.INTER_LINEAR)
    result: Plane32 = np.ascontiguousarray(stretched[:, extra : extra + width])
    return result
