"""Which places stand out from the surfaces around them, on a grid finer than the cells of a frame.

White trim, reveals, frames and linen are narrower than a cell, and brighter than what surrounds them. In a
room coloured all round they are all that shows what light shines there.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix
from panopipe.pixels.easing import smooth_step
from panopipe.sphere.wrap import pad

TIMES = 4
"""Columns of the finer grid to one of the cells: .7 degrees each, half a bar of a window two metres away."""
BRIGHT_EV, BRIGHT_OVER_EV = 0.7, 0.6
"""EV over the dimmer surfaces around from where a surface may be white, and over how many it surely is, as
far as brightness tells: white paint lies 1 to 2.5 over walls of full colour, boards and dark floors. Over a
wall of light colour it is 0.3 to 0.7, and the field is told by both."""
AROUND, DIM_SHARE = 3, 0.3
"""Cells around a place that are its surroundings, and share of them that is dimmer than they are called."""


def stands_out(light: Matrix) -> Matrix:
    """How far each place stands out as a white thing does, 0 to 1.

    Parameters
    ----------
    light : ndarray of shape (4 * height, 4 * width)
        Natural logarithm of luminance on the finer grid, over the whole sphere.
    """
    over_ev = (light - finer(_dim_around(blocks(light).mean(axis=(1, 3))))) / np.log(2)
    return np.asarray(smooth_step((over_ev - BRIGHT_EV) / BRIGHT_OVER_EV))


def blocks(values: Matrix) -> Matrix:
    """Values (4 * height, 4 * width, ...) of the finer grid by cell, (height, 4, width, 4, ...)."""
    height, width = values.shape[:2]
    return values.reshape(height // TIMES, TIMES, width // TIMES, TIMES, *values.shape[2:])


def finer(values: NDArray[np.floating[Any]]) -> Matrix:
    """Values between the cells of a grid, on the finer one, over the closed sphere."""
    wide = np.ascontiguousarray(pad(np.asarray(values, np.float64), 1))
    fine = cv2.resize(wide, None, fx=TIMES, fy=TIMES, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[TIMES:-TIMES, TIMES:-TIMES])


def _dim_around(cells: Matrix) -> NDArray[np.float32]:
    """Light of the dimmer surfaces around each cell."""
    side = 2 * AROUND + 1
    near = np.lib.stride_tricks.sliding_window_view(pad(cells.astype(np.float32), AROUND), (side, side))
    at = round(DIM_SHARE * (side * side - 1))
    return np.asarray(np.partition(near.reshape(*cells.shape, -1), at, axis=-1)[..., at])
