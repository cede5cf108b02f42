"""What the day lights beside a window: reveals, sills and curtains, narrower than the cells of the field.

The wall that holds a window has the light of the room. Its reveals and bars have the day's, and would turn
ice blue where the wall around them is white. They are told from it by what a lamp cannot do: they are
brighter than any surface in the wall's light, and as cold as the day beside them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.easing import smooth_step
from panopipe.sphere.wrap import pad
from panopipe.studies.white.cones import log_chromaticity_from_working

Plane = NDArray[np.float32]

TIMES = 4
"""Columns of the finer grid to one of the field: .7 degrees each, half a bar of a window two metres away."""
REACH = 3
"""Cells of the field, 2.8 degrees each, within which daylight counts as beside a place."""
LEAST_STEP = 0.1
"""Distance between the light of a place and the day beside it below which they are one light: 6 delta E."""
BRIGHT_EV, BRIGHT_OVER_EV = 0.3, 0.6
"""EV over the dimmer surfaces around from where a surface may have the day's light, and over how many it
surely has: white paint lies 0.3 to 0.7 over a wall of light colour."""
DIM_SHARE = 0.3
"""Share of the surroundings that is dimmer than what they are called."""
_DARK = 1e-6


def with_daylit(field: Matrix, rows: Rows, white: Matrix) -> Matrix:
    """Light by place on a finer grid, with the day's own on what is brighter and colder than its wall.

    Parameters
    ----------
    field : ndarray of shape (64, 128, 2)
        How the light of each place differs from the frame's white, in log cone ratios.
    rows : ndarray of shape (height, width, 3), dtype float32
        The whole frame at reduced size, linear light in the working space, before balance.
    white : ndarray of shape (2,)
        Place of the frame's white.

    Returns
    -------
    ndarray of shape (256, 512, 2), or field itself where no light beside a place is much colder, or the frame
    is no finer.
    """
    size, day = TIMES * field.shape[1], _coldest_near(field)
    if rows.shape[1] < size or not (np.linalg.norm(day - field, axis=-1) > LEAST_STEP).any():
        return field
    fine = cv2.resize(rows, (size, size // 2), interpolation=cv2.INTER_AREA)
    light_ev = np.log2(np.maximum(fine @ LUMINANCE_OF_WORKING, _DARK)).astype(np.float32)
    here, day = _finer(field), _finer(day)
    step = day - here
    length = np.maximum(np.sum(step * step, axis=-1), LEAST_STEP**2)
    own = log_chromaticity_from_working(fine) - white
    cold = np.clip(np.sum((own - here) * step, axis=-1) / length, 0, 1)  # of white paint, its light's own way
    bright = smooth_step((light_ev - _dim_around(light_ev, field.shape[0]) - BRIGHT_EV) / BRIGHT_OVER_EV)
    return np.asarray(here + (cold * bright)[..., None] * step)


def _coldest_near(field: Matrix) -> Matrix:
    """The coldest light within reach of each cell: on one curve both ratios fall and rise together."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * REACH + 1,) * 2)
    wide = np.ascontiguousarray(pad(field, 2 * REACH)).astype(np.float32)
    coldest = cv2.erode(wide[..., 0], disc), cv2.dilate(wide[..., 1], disc)
    inner = slice(2 * REACH, -2 * REACH)
    return np.stack(coldest, axis=-1)[inner, inner].astype(np.float64)


def _dim_around(light_ev: Plane, rows: int) -> Plane:
    """Light of the dimmer surfaces within reach, as fine as given."""
    cells = cv2.resize(light_ev, (2 * rows, rows), interpolation=cv2.INTER_AREA)
    wide, side = pad(cells, REACH), 2 * REACH + 1
    near = np.lib.stride_tricks.sliding_window_view(wide, (side, side)).reshape(rows, 2 * rows, -1)
    at = round(DIM_SHARE * (side * side - 1))
    dim = np.partition(near, at, axis=-1)[..., at]
    return np.asarray(_finer(dim), np.float32)


def _finer(values: Matrix | Plane) -> Matrix:
    """Values between the cells of a grid, on the finer one, over the closed sphere."""
    wide = np.ascontiguousarray(pad(np.asarray(values, np.float64), 1))
    fine = cv2.resize(wide, None, fx=TIMES, fy=TIMES, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[TIMES:-TIMES, TIMES:-TIMES])
