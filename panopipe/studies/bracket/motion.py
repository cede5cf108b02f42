"""Where the camera looked from in one exposure against another: a turn, and a smooth drift for all else.

A monopod sways about its foot: the lens does not only turn, it moves, and near things more than far ones. So
to the turn comes a drift that changes smoothly over the sphere, told as a small vector at each direction:
unlike columns and rows it has no trouble at the poles.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import direction, pitch_of_row, pixel_of, yaw_of_column, yaw_pitch
from panopipe.sphere.wrap import pad

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

GRID = 128
"""Columns of the drift's grid: 2.8 degrees each."""
_FAR = 0.035
"""Longest drift that is followed: 2 degrees, 28 mm at .8 m. What is further moved by itself."""
_MARGIN = 4
_MOST = 0.5
"""Longest drift that is believed of what a job folder tells."""


@dataclass(frozen=True, slots=True)
class Motion:
    """How directions in one exposure belong to those in the reference.

    Attributes
    ----------
    turn : ndarray of shape (3, 3), dtype float64
        Rotation of directions in the reference to directions in the exposure.
    drift : ndarray of shape (GRID / 2, GRID, 3), dtype float32
        What is added to a unit direction before it is turned, on a grid over the sphere.
    """

    turn: Floats
    drift: Picture

    def is_sound(self) -> bool:
        """Whether it can be a motion: it may come from a job folder that a stranger made."""
        turn, drift = self.turn, self.drift
        is_turn = isinstance(turn, np.ndarray) and turn.shape == (3, 3) and turn.dtype == np.float64
        shape = (GRID // 2, GRID, 3)
        is_drift = isinstance(drift, np.ndarray) and drift.shape == shape and drift.dtype == np.float32
        if not (is_turn and is_drift and np.isfinite(turn).all() and np.all(np.abs(drift) < _MOST)):
            return False
        return bool(np.allclose(turn @ turn.T, np.eye(3), atol=1e-6))

    def is_still(self, width: int) -> bool:
        """Whether nothing moves by a twentieth of a pixel."""
        most = 0.05 * 2 * np.pi / width
        return bool(np.abs(self.turn - np.eye(3)).max() < most and np.abs(self.drift).max() < most)

    def turned(self, by: Floats) -> Motion:
        """The same after a further small turn, a vector in radians, in the reference."""
        return Motion(self.turn @ cv2.Rodrigues(np.asarray(by, np.float64))[0], self.drift)

    def drifted(self, by: Floats) -> Motion:
        """The same with more drift, as far as a sway can make it."""
        drift = self.drift + by
        long = np.linalg.norm(drift, axis=-1, keepdims=True)
        return Motion(self.turn, (drift * np.minimum(1, _FAR / np.maximum(long, _FAR))).astype(np.float32))

    def places(self, yaw_deg: Floats, pitch_deg: Floats, width: int) -> tuple[Floats, Floats]:
        """Columns and rows, in the exposure `width` wide, of directions in the reference."""
        towards = direction(yaw_deg, pitch_deg) + self._drift_at(yaw_deg, pitch_deg)
        return pixel_of(*yaw_pitch(towards @ self.turn.T), width)

    def seen(self, picture: Picture) -> Picture:
        """Lay a whole small picture (height, width, planes) of the exposure on the reference."""
        width = picture.shape[1]
        towards = cv2.transform(_rays(width) + _enlarged(self.drift, width), self.turn)
        x, y, z = cv2.split(towards)
        column = np.arctan2(x, z) * np.float32(width / (2 * np.pi)) + np.float32(width / 2 - 0.5)
        row = np.float32(width / 4 - 0.5) - np.arctan2(y, cv2.magnitude(x, z)) * np.float32(
            width / (2 * np.pi)
        )
        wide = pad(picture, _MARGIN)
        column[column < 0] += np.float32(width)
        laid = cv2.remap(wide, column + np.float32(_MARGIN), row + np.float32(_MARGIN), cv2.INTER_CUBIC)
        return np.asarray(laid, np.float32).reshape(picture.shape)

    def _drift_at(self, yaw_deg: Floats, pitch_deg: Floats) -> Floats:
        column, row = pixel_of(yaw_deg, pitch_deg, GRID)
        column, row = np.broadcast_arrays(column, row)
        wide = pad(self.drift, 2)
        left, top = np.floor(column).astype(int), np.floor(row).astype(int)
        across, down = (column - left)[..., None], (row - top)[..., None]
        left, top = left % GRID + 2, np.clip(top, -1, GRID // 2 - 1) + 2
        above = wide[top, left] + across * (wide[top, left + 1] - wide[top, left])
        below = wide[top + 1, left] + across * (wide[top + 1, left + 1] - wide[top + 1, left])
        return np.asarray(above + down * (below - above), np.float64)


@cache
def _rays(width: int) -> Picture:
    """Directions of a small picture's pixels."""
    yaw, pitch = yaw_of_column(np.arange(width), width), pitch_of_row(np.arange(width // 2), width // 2)
    return direction(yaw[None], pitch[:, None]).astype(np.float32)


def _enlarged(drift: Picture, width: int) -> Picture:
    """A drift at the pixels of a picture, whose width is a multiple of the grid's: linear between its own."""
    by = width // GRID
    wide = cv2.resize(pad(drift, 1), None, fx=by, fy=by, interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide[by:-by, by:-by], np.float32)


def still() -> Motion:
    """No motion at all."""
    return Motion(np.eye(3), np.zeros((GRID // 2, GRID, 3), np.float32))
