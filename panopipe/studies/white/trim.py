"""White things narrower than the cells of the field, each in its own light: reveals, frames, linen.

The field of light is too coarse for a sill in daylight on a wall in lamplight, and a door frame on a teal
wall is too narrow to be heard in it. Such things tell their light themselves: white is brighter than what
surrounds it, about as bright as anything about, and has the colour of a light that shines in the room.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.easing import smooth_step
from panopipe.sphere.wrap import pad
from panopipe.studies.white.cones import locus, log_chromaticity_from_working
from panopipe.studies.white.surfaces import upper_envelope, white_level

Plane = NDArray[np.float32]

TIMES = 4
"""Columns of the finer grid to one of the field: .7 degrees each, half a bar of a window two metres away."""
LEAST_STEP = 0.1
"""Distance between two lights below which they are one: 6 delta E."""
PAST_WARMEST = 0.1
"""How much warmer than any light that was found the light of a white thing may be, 18 mired: in rooms
coloured all round the warmest corner shows no paint."""
BRIGHT_EV, BRIGHT_OVER_EV = 0.6, 0.6
"""EV over the dimmer surfaces around from where a surface may be white, and over how many it surely is, as
far as brightness tells: white paint lies 1 to 2.5 over walls of full colour, boards and dark floors. Over a
wall of light colour it is 0.3 to 0.7, and the field is told by both."""
AROUND, DIM_SHARE = 3, 0.3
"""Cells around a place that are its surroundings, and share of them that is dimmer than they are called."""
ACROSS = 0.15
"""Distance from the lights, 10 delta E, at which a surface is hardly white. In rendered coloured rooms white
trim lay 4 to 8 beside them, by what walls throw onto it."""
DARKER_WARM, DARKER_COLD = 1.5, 0.5
"""How steeply what is darker than white would be there is less likely white: 0.5 and 1.4 natural logarithms
halve it. Less for what looks colder than its light: wood and cream look warmer everywhere, and what a window
lights most is a table by it. In rendered rooms 1 for both took .03 of their chroma from things, 0 for the
cold bleached blue cushions and rugs by a tenth."""
GLOWS = (0.7, 1.4)
"""Natural logarithms, 1 and 2 EV, above white from which what looks warm may be, and is, a lamp or a view."""
_DARK = 1e-6
_WARMER = np.subtract(*locus([1e6 / 2700, 1e6 / 6500]))
_WARMER /= np.linalg.norm(_WARMER)
_ASIDE = np.array([_WARMER[1], -_WARMER[0]])


def with_trim(field: Matrix, rows: Rows, white: Matrix) -> Matrix:
    """Light by place on a finer grid, with their own light on white things.

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
    ndarray of shape (256, 512, 2), or field itself where there is one light about, or the frame is no finer.
    """
    size, warmth = TIMES * field.shape[1], field @ _WARMER
    if rows.shape[1] < size or np.ptp(warmth) < LEAST_STEP:
        return field
    fine = cv2.resize(rows, (size, size // 2), interpolation=cv2.INTER_AREA)
    here, own = _finer(field), log_chromaticity_from_working(fine) - white
    warmer, aside = (own - here) @ _WARMER, (own - here) @ _ASIDE
    held = np.clip(own @ _WARMER, warmth.min(), warmth.max() + PAST_WARMEST) - own @ _WARMER
    light = np.log(np.maximum(fine @ LUMINANCE_OF_WORKING, _DARK))
    white_like = np.exp(-((aside / ACROSS) ** 2)) * _white(light, rows, warmer > 0)
    return np.asarray(here + white_like[..., None] * (own + held[..., None] * _WARMER - here))


def _white(light: Matrix, rows: Rows, warmer: NDArray[np.bool_]) -> Matrix:
    """How likely each place is white by its brightness alone, and no lamp where it looks warmer."""
    blocks = light.reshape(light.shape[0] // TIMES, TIMES, -1, TIMES)
    cells = blocks.mean(axis=(1, 3))
    over_around = (light - _finer(_dim_around(cells))) / np.log(2)
    surface = blocks.max(axis=(1, 3)) < np.log(white_level(rows))
    over_white = light - _finer(upper_envelope(cells, surface))
    brighter = smooth_step((over_around - BRIGHT_EV) / BRIGHT_OVER_EV)
    glows = smooth_step((over_white - GLOWS[0]) / (GLOWS[1] - GLOWS[0])) * warmer
    darker = np.where(warmer, DARKER_WARM, DARKER_COLD) * np.minimum(over_white, 0)
    return np.asarray(brighter * np.exp(darker) * (1 - glows))


def _dim_around(cells: Matrix) -> Matrix:
    """Light of the dimmer surfaces around each cell."""
    side = 2 * AROUND + 1
    near = np.lib.stride_tricks.sliding_window_view(pad(cells, AROUND), (side, side))
    at = round(DIM_SHARE * (side * side - 1))
    return np.asarray(np.partition(near.reshape(*cells.shape, -1), at, axis=-1)[..., at])


def _finer(values: Matrix) -> Matrix:
    """Values between the cells of a grid, on the finer one, over the closed sphere."""
    wide = np.ascontiguousarray(pad(np.asarray(values, np.float64), 1))
    fine = cv2.resize(wide, None, fx=TIMES, fy=TIMES, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[TIMES:-TIMES, TIMES:-TIMES])
