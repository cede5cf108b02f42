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
from panopipe.studies.white.cones import locus, log_chromaticity_from_working
from panopipe.studies.white.contrast import TIMES, blocks, finer, stands_out
from panopipe.studies.white.surfaces import upper_envelope, white_level

Index = NDArray[np.intp]

LEAST_STEP = 0.1
"""Distance between two lights below which they are one: 6 delta E."""
PAST_WARMEST = 0.1
"""How much warmer than any light that was found the light of a white thing may be, 18 mired: in rooms
coloured all round the warmest corner shows no paint."""
ACROSS = 0.2
"""Distance from the lights, 13 delta E, at which a surface is hardly white. In rendered coloured rooms white
trim lay 4 to 8 beside them, by what walls throw onto it."""
DARKER, FADES_PER_RADIAN = 1.0, 3.0
"""How steeply what is darker than white would be there is less likely white, and how much darker that may be
per radian away from the brightest: a skirting below the window, its back to the day, is dim and still the
brightest thing about, and pale furniture stands beside whiter things."""
GLOWS = (0.7, 1.4)
"""Natural logarithms, 1 and 2 EV, above white from which what looks warm may be, and is, a lamp or a view."""
GOES_ON, ALIKE, ALIKE_LIGHT = (2 * TIMES, 3 * TIMES), 0.09, 0.35
"""Places away, 6 and 8 degrees, where a surface is seen to go on, and steps of colour and of light within it.
A wall of light colour above a dark counter is as bright over what is dim around it as a sill is, but it goes
on."""
_DARK = 1e-6
_FAINTLY = 0.02
WARMER = np.subtract(*locus([1e6 / 2700, 1e6 / 6500]))
WARMER /= np.linalg.norm(WARMER)
"""From daylight to lamp, of length 1 in the plane of log cone ratios."""
_ASIDE = np.array([WARMER[1], -WARMER[0]])


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
    size, warmth = TIMES * field.shape[1], field @ WARMER
    if rows.shape[1] < size or np.ptp(warmth) < LEAST_STEP:
        return field
    fine = cv2.resize(rows, (size, size // 2), interpolation=cv2.INTER_AREA)
    here, own = finer(field), log_chromaticity_from_working(fine) - white
    warmer, aside = (own - here) @ WARMER, (own - here) @ _ASIDE
    held = np.clip(own @ WARMER, warmth.min(), warmth.max() + PAST_WARMEST) - own @ WARMER
    light = np.log(np.maximum(fine @ LUMINANCE_OF_WORKING, _DARK))
    white_like = np.exp(-((aside / ACROSS) ** 2)) * _white(light, rows, warmer > 0)
    white_like = _no_part_of_more(white_like, own, light)
    return np.asarray(here + white_like[..., None] * (own + held[..., None] * WARMER - here))


def _white(light: Matrix, rows: Rows, warmer: NDArray[np.bool_]) -> Matrix:
    """How likely each place is white by its brightness alone, and no lamp where it looks warmer."""
    cells = blocks(light)
    surface = cells.max(axis=(1, 3)) < np.log(white_level(rows))
    over_white = light - finer(upper_envelope(cells.mean(axis=(1, 3)), surface, FADES_PER_RADIAN))
    glows = smooth_step((over_white - GLOWS[0]) / (GLOWS[1] - GLOWS[0])) * warmer
    return np.asarray(stands_out(light) * np.exp(DARKER * np.minimum(over_white, 0)) * (1 - glows))


def _no_part_of_more(white_like: Matrix, own: Matrix, light: Matrix) -> Matrix:
    """How likely each place is white, nowhere more than where the same surface goes on."""
    y, x = np.nonzero(white_like > _FAINTLY)
    least = white_like[y, x]
    for reach in GOES_ON:
        for down, right in ((0, reach), (0, -reach), (reach, 0), (-reach, 0)):
            at = _over_poles(y + down, x + right, light.shape)
            apart = np.sum((own[at] - own[y, x]) ** 2, axis=-1) / ALIKE**2
            alike = np.exp(-apart - ((light[at] - light[y, x]) / ALIKE_LIGHT) ** 2)
            least = np.minimum(least, 1 - alike * (1 - white_like[at]))
    kept = white_like.copy()
    kept[y, x] = least
    return kept


def _over_poles(row: Index, column: Index, shape: tuple[int, ...]) -> tuple[Index, Index]:
    """Rows and columns of places that may lie beyond a pole or a side of the frame."""
    height, width = shape
    beyond = (row < 0) | (row >= height)
    row = np.where(row < 0, -1 - row, np.where(beyond, 2 * height - 1 - row, row))
    return row, (column + beyond * (width // 2)) % width
