"""How rough each place of a frame looks: paint is smooth, wood, tiles, carpet and cloth are not.

A wooden ceiling is as bright and as large as a white one, and under daylight it has the colour of paint under
a lamp. What tells them apart is the grain.
"""

from __future__ import annotations

import cv2
import numpy as np

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.sphere.wrap import pad

CELL_ROWS = 64
_FINE = 4
"""Pixels along a cell: 0.7 degrees each, so that little of the camera's noise is left in them."""
_SIGMA = 1.5
"""Pixels over which light is taken to be even."""
_REACH = 8
_DARK = 1e-4
SMOOTH = 0.02
"""Roughness at which a surface is half trusted to be paint, in natural logarithms. In rendered rooms white
paint shows 0.003 to 0.006, rough plaster 0.010 to 0.016, boards, tiles and carpet 0.02 to 0.07."""
NOISE_SHARE = 0.1
"""The smoothest tenth of a frame shows what its camera adds: shot noise; its square falls with the light."""


def smoothness(rows: Rows) -> Matrix:
    """How likely each cell is painted, by its finest structure alone.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space, the whole sphere.

    Returns
    -------
    ndarray of shape (64, 128), dtype float64
        1 for a surface without any structure, 0.5 at `SMOOTH`. The median over a cell counts, so that an edge
        across a cell is no grain.
    """
    height = _FINE * CELL_ROWS
    small = cv2.resize(rows, (2 * height, height), interpolation=cv2.INTER_AREA)
    level = np.log(np.maximum(small @ LUMINANCE_OF_WORKING.astype(np.float32), np.float32(_DARK)))
    around = cv2.GaussianBlur(pad(level[..., None], _REACH)[..., 0], (0, 0), _SIGMA)
    fine = np.abs(level - around[_REACH:-_REACH, _REACH:-_REACH])
    cells = fine.reshape(CELL_ROWS, _FINE, 2 * CELL_ROWS, _FINE).swapaxes(1, 2)
    square = (
        np.median(cells.reshape(CELL_ROWS, 2 * CELL_ROWS, _FINE * _FINE), axis=-1).astype(np.float64) ** 2
    )
    light = np.exp(level.reshape(CELL_ROWS, _FINE, 2 * CELL_ROWS, _FINE).mean(axis=(1, 3)))
    noise = np.quantile(square * light, NOISE_SHARE) / light
    return np.asarray(1 / (1 + np.maximum(square - noise, 0) / SMOOTH**2))
