"""Mixed light inside one frame: a map of the light in a few smooth modes on the sphere.

The modes are the real spherical harmonics up to degree 2 in the light's log cone ratios: enough for a lamp
side and a window side, too few to follow the surfaces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.matrix import transform_rows
from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column
from panopipe.studies.white.cones import CONES_FROM_WORKING, WORKING_FROM_CONES

Modes = tuple[tuple[float, float], ...]
"""One pair of log cone ratios for each of the nine harmonics."""

MOST = 0.6
"""The map moves a place by no more than this: about 105 mired either way."""
_GRID_ROWS = 64


def harmonics(directions: Matrix) -> Matrix:
    """Real spherical harmonics of degree 0 to 2, not normalised, shape (..., 3) to (..., 9)."""
    x, y, z = np.moveaxis(np.asarray(directions, dtype=np.float64), -1, 0)
    one = np.ones_like(x)
    return np.stack([one, x, y, z, x * y, y * z, x * z, x * x - z * z, 3 * y * y - 1], axis=-1)


def fit_modes(light: Matrix, weight: Matrix) -> Modes:
    """Fit the modes to places (height, width, 2) by weighted least squares; the mean is left out."""
    basis = harmonics(_directions(light.shape[0])).reshape(-1, 9)
    root = np.sqrt(weight.ravel())[:, None]
    steady = 1e-3 * np.sqrt(weight.sum()) * np.eye(9)
    left = np.concatenate([basis * root, steady])
    right = np.concatenate([light.reshape(-1, 2) * root, np.zeros((9, 2))])
    fitted = np.linalg.lstsq(left, right, rcond=None)[0]
    fitted[0] = 0
    return tuple((float(a), float(b)) for a, b in fitted)


@dataclass(frozen=True, slots=True)
class LightMap:
    """Gains of the three cone responses over the sphere.

    Attributes
    ----------
    gains : ndarray of shape (64, 129, 3), dtype float32
        On a grid whose columns start at yaw -180 + 1.4 degrees and come back to it.
    """

    gains: NDArray[np.float32]

    def apply(self, rows: Rows, first: int) -> Rows:
        """Take the light's variation out of rows that start at row `first` of their frame."""
        width = rows.shape[1]
        gains = self._gains_at(np.arange(first, first + len(rows)), width)
        cones = transform_rows(rows, CONES_FROM_WORKING)
        np.multiply(cones, gains, out=cones)
        return transform_rows(cones, WORKING_FROM_CONES, out=rows)

    def _gains_at(self, lines: NDArray[np.int_], width: int) -> NDArray[np.float32]:
        """Gains bilinear between the grid's cells, shape (n, width, 3)."""
        down = np.clip((lines + 0.5) * (2 * _GRID_ROWS / width) - 0.5, 0, _GRID_ROWS - 1)
        top = np.minimum(down.astype(int), _GRID_ROWS - 2)
        part = (down - top).astype(np.float32)[:, None, None]
        line = self.gains[top] * (1 - part) + self.gains[top + 1] * part
        across = np.mod((np.arange(width) + 0.5) * (2 * _GRID_ROWS / width) - 0.5, 2 * _GRID_ROWS)
        left = np.minimum(across.astype(int), 2 * _GRID_ROWS - 1)
        share = (across - left).astype(np.float32)[None, :, None]
        gains: NDArray[np.float32] = line[:, left] * (1 - share) + line[:, left + 1] * share
        return gains


def light_map(modes: Modes, share: float) -> LightMap:
    """Make the map that takes `share` of the light's variation out; a neutral keeps its luminance."""
    field = harmonics(_directions(_GRID_ROWS)) @ np.array(modes)
    length = np.linalg.norm(field, axis=-1, keepdims=True)
    field = field * (MOST * np.tanh(length / MOST) / np.maximum(length, 1e-12))
    cones = np.exp(np.stack([field[..., 0], 0 * field[..., 0], field[..., 1]], axis=-1) * -share)
    luminance = (cones @ WORKING_FROM_CONES.T) @ LUMINANCE_OF_WORKING
    gains = cones / luminance[..., None]
    return LightMap(np.concatenate([gains, gains[:, :1]], axis=1).astype(np.float32))


def _directions(height: int) -> Matrix:
    yaw, pitch = yaw_of_column(np.arange(2 * height), 2 * height), pitch_of_row(np.arange(height), height)
    return direction(yaw[None, :], pitch[:, None])
