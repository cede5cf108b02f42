"""Steps from dimmer surfaces to brighter ones: edges of doors, frames, skirting, cornices and cupboards.

What lies on both sides of such an edge lies in nearly one light, so the step between them is one of paint.
An edge counts where both sides are even, it goes on at its sides, and what is brighter has the colour of a
light, as white things have.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.planes import highest_plane
from panopipe.sphere.geometry import pitch_of_row
from panopipe.sphere.wrap import pad
from panopipe.studies.white.cones import log_chromaticity_from_working
from panopipe.studies.white.evidence import CELL_ROWS, RECORDED
from panopipe.studies.white.mixture import Mixture

Index = NDArray[np.intp]

ROWS = 2 * CELL_ROWS
"""Rows of the grid on which edges are looked for: 1.4 degrees each, a casing of 7 cm at 3 metres."""
LOW_DEG, HIGH_DEG = -45.0, 55.0
"""Pitches between which walls and what is on them are looked at."""
CLIPPED, GLARE = 0.02, 2
"""Share of a place that may be clipped, and places beside such ones that glare may lie on."""
DIMMER, DIMMEST = 0.1, 0.8
"""Natural logarithms by which a surface is dimmer than a white thing on it: more than shading, and less than
1.2 EV, as what reflects less than .36 is too dark to be taken for white."""
EVEN, PLAIN = 0.3, 0.05
"""Change of light beside an edge against that across it, as the pool of a lamp fades and a thing ends; and
change of colour there, 3 delta E."""
ALIKE, ALIKE_LIGHT, LONG = 0.04, 0.1, 3
"""Differences of colour and light up to which an edge goes on in its neighbours, and in how many of four."""
WHITE_ACROSS = 0.13
"""Distance from the curve of lights up to which what is brighter may be white: walls throw their colour on
it. White trim of rendered coloured rooms lay up to 8 delta E from it."""
_AROUND = (-1, 0, 2, 3)
"""Places, from the dimmer side on, that an edge is told by; what lies between holds of both sides."""
_DARK = 1e-6


@dataclass(frozen=True, slots=True)
class Steps:
    """Edges, an entry each.

    Attributes
    ----------
    row, column : ndarray of shape (n,)
        Places on the dimmer side, on the grid of `ROWS`.
    white_row, white_column : ndarray of shape (n,)
        Places on the brighter side.
    colour : ndarray of shape (n, 2)
        From the brighter side to the dimmer one, in log cone ratios.
    light : ndarray of shape (n,)
        By how much the brighter side is brighter, natural logarithm.
    ratio : ndarray of shape (n, 3)
        Natural logarithms of the dimmer side's channels over the brighter one's.
    across, white_across : ndarray of shape (n,)
        How far each side lies beside the curve of lights, + to green.
    """

    row: Index
    column: Index
    white_row: Index
    white_column: Index
    colour: Matrix
    light: Matrix
    ratio: Matrix
    across: Matrix
    white_across: Matrix

    def some(self, which: NDArray[np.bool_]) -> Steps:
        """Those that are asked for."""
        return Steps(*(getattr(self, one.name)[which] for one in fields(self)))


def find_steps(rows: Rows, lights: Mixture) -> Steps:
    """Find the edges of a frame at which something that may be white lies on something dimmer.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space, the whole sphere, at least 256 wide; 1 is diffuse white.
    lights : Mixture
        The curve of lights as it stands in the frame.
    """
    mean, known = look(rows, ROWS)
    side = 2 * GLARE + 1
    glare = cv2.dilate(np.ascontiguousarray(pad((~known).astype(np.float32), GLARE)), np.ones((side, side)))
    pitch = pitch_of_row(np.arange(ROWS), ROWS)
    level = ((pitch > LOW_DEG) & (pitch < HIGH_DEG))[:, None]
    clear = level & (glare[GLARE:-GLARE, GLARE:-GLARE] == 0)
    ways = [_one_way(mean, clear, lights, axis, way) for axis in (0, 1) for way in (1, -1)]
    return Steps(*(np.concatenate([getattr(one, each.name) for one in ways]) for each in fields(Steps)))


def look(rows: Rows, height: int) -> tuple[Matrix, NDArray[np.bool_]]:
    """Mean light (height, 2 * height, 3) on a grid, and where hardly anything is clipped."""
    size = (2 * height, height)
    clipped = (highest_plane(rows) >= RECORDED[1]).astype(np.float32)
    mean = cv2.resize(rows, size, interpolation=cv2.INTER_AREA).astype(np.float64)
    return np.maximum(mean, _DARK), cv2.resize(clipped, size, interpolation=cv2.INTER_AREA) < CLIPPED


def _one_way(mean: Matrix, clear: NDArray[np.bool_], lights: Mixture, axis: int, way: int) -> Steps:
    """Steps that brighten one way along an axis; the poles lie beyond what is looked at.

    Means of three places along the edge hold less noise than the places themselves.
    """
    mean = (np.roll(mean, 1, 1 - axis) + mean + np.roll(mean, -1, 1 - axis)) / 3
    place, light = log_chromaticity_from_working(mean), np.log(mean @ LUMINANCE_OF_WORKING)
    colours = [np.roll(place, -way * at, axis) for at in _AROUND]
    bright = [np.roll(light, -way * at, axis) for at in _AROUND]
    colour, rise = colours[1] - colours[2], bright[2] - bright[1]
    even = np.maximum(abs(bright[1] - bright[0]), abs(bright[3] - bright[2])) < EVEN * rise
    plain = np.maximum(_length(colours[1] - colours[0]), _length(colours[3] - colours[2])) < PLAIN
    seen = np.logical_and.reduce([np.roll(clear, -way * at, axis) for at in _AROUND])
    edge = seen & even & plain & (rise > DIMMER) & (rise < DIMMEST)
    y, x = np.nonzero(edge & (_going_on(edge, colour, rise, 1 - axis) >= LONG))
    white_y, white_x = (y + 2 * way, x) if axis == 0 else (y, (x + 2 * way) % (2 * ROWS))
    across, white_across = (lights.nearest(place[at])[1] for at in ((y, x), (white_y, white_x)))
    ratio = np.log(mean[y, x] / mean[white_y, white_x])
    found = Steps(y, x, white_y, white_x, colour[y, x], rise[y, x], ratio, across, white_across)
    return found.some(abs(white_across) < WHITE_ACROSS)


def _going_on(edge: NDArray[np.bool_], colour: Matrix, rise: Matrix, axis: int) -> NDArray[np.int_]:
    """In how many of the two places on either side along an axis each edge goes on."""
    count = np.zeros(edge.shape, np.int_)
    for shift in (-2, -1, 1, 2):
        alike = _length(np.roll(colour, shift, axis) - colour) < ALIKE
        count += np.roll(edge, shift, axis) & alike & (abs(np.roll(rise, shift, axis) - rise) < ALIKE_LIGHT)
    return count


def _length(steps: Matrix) -> Matrix:
    return np.asarray(np.linalg.norm(steps, axis=-1))
