"""A ring map of the floor as square cells of the plane, and how far the floor's pattern ties two of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

_FINER = 3
"""Samples of the ring map along a cell's side."""
_UNRULY = 0.3
"""Share of the pattern's variance that is taken to repeat nowhere."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The floor around a foot, cell by cell.

    Attributes
    ----------
    values : ndarray of shape (n, n, channels), dtype float32
        Mean of each cell.
    known : ndarray of shape (n, n), dtype bool
        Cells that show floor.
    x, y : ndarray of shape (n, n), dtype float64
        Place in radii of the foot; x grows to yaw 90 degrees of the map, y to yaw 0.
    beyond_deg : ndarray of shape (n, n), dtype float64
        Angle from the foot's edge.
    """

    values: Picture
    known: Mask
    x: Float
    y: Float
    beyond_deg: Float


def cells_of(
    rings: Picture, step_deg: float, foot_deg: Float, *, from_deg: float, unit_deg: float, side: float
) -> Cells:
    """Draw a ring map as cells.

    Parameters
    ----------
    rings : ndarray of shape (rows, columns, channels), dtype float32
        Row 0 at the nadir, column 0 at yaw 0.
    step_deg : float
        Height of a row.
    foot_deg : ndarray of shape (columns,), dtype float64
        The foot's edge.
    from_deg : float
        How far from the foot's edge floor begins.
    unit_deg, side : float
        Angular radius of the foot, and side of a cell in such radii.
    """
    rows, columns = rings.shape[:2]
    unit = float(np.tan(np.radians(unit_deg)))
    count = 2 * int(np.ceil(np.tan(np.radians((rows - 1) * step_deg)) / unit / side))
    angle, column = _places(count * _FINER, side / _FINER, unit, columns)
    closed = np.concatenate([rings[:, -1:], rings, rings[:, :1]], axis=1)
    along, down = (column + np.float32(0.5)), angle * np.float32(1 / step_deg) - np.float32(0.5)
    drawn = cv2.remap(closed, along, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = cv2.resize(drawn, (count, count), interpolation=cv2.INTER_AREA)
    x, y = places_of_cells(count, side)
    angle, column = _places(count, side, unit, columns)
    beyond = angle - np.interp(column, np.arange(columns) + 0.5, foot_deg, period=columns)
    return Cells(values, (beyond > from_deg) & (angle < (rows - 1) * step_deg), x, y, beyond)


def places_of_cells(count: int, side: float) -> tuple[Float, Float]:
    """Place of each of count x count cells of this side about their middle, see `Cells`."""
    x, y = np.meshgrid(_middles(count, side), _middles(count, side))
    return x, y


def _middles(count: int, side: float) -> Float:
    return np.asarray((np.arange(count) + 0.5 - count / 2) * side, np.float64)


@lru_cache(maxsize=4)
def _places(count: int, side: float, unit: float, columns: int) -> tuple[Picture, Picture]:
    """Angle from the nadir in degrees, and column of a ring map (whole numbers at left edges), of each cell.

    Kept, as the frames of a job have the same foot.
    """
    x, y = _middles(count, side)[None, :], _middles(count, side)[:, None]
    angle = np.degrees(np.arctan(np.hypot(x, y) * unit))
    column = np.arctan2(x, y) % (2 * np.pi) * (columns / (2 * np.pi))
    return angle.astype(np.float32), column.astype(np.float32)


def covariance(pattern: Float, used: Mask, known: Mask) -> Float:
    """Covariance of the used cells, as the floor's own pattern has it between any two so far apart.

    Joints run on and boards keep their tone: what lies along a board is expected to be as dark, what lies
    aside is not. The covariance of a pattern cut to what is known is never indefinite.

    Parameters
    ----------
    pattern : ndarray of shape (n, n), dtype float64
        The floor about its mean; zero where it is not known.
    used, known : ndarray of shape (n, n), dtype bool

    Returns
    -------
    ndarray of shape (m, m), dtype float64
        For the m used cells in the order of rows.
    """
    size = (2 * len(pattern), 2 * len(pattern))
    power = np.square(np.abs(np.fft.rfft2(pattern, size)))
    alike = np.fft.irfft2(power, size) / max(int(known.sum()), 1)
    rows, columns = np.nonzero(used)
    shared: Float = alike[rows[:, None] - rows, columns[:, None] - columns]
    shared.ravel()[:: len(rows) + 1] += _UNRULY * alike[0, 0] + 1e-9
    return shared
