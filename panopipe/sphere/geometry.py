"""Pixels, directions and solid angle of the equirectangular frame: the one convention of the house.

Pixel centres lie at half-integers. Column 0 starts at yaw -180 degrees and yaw grows to the right; row 0
starts at pitch +90 degrees (the zenith). A direction is (x right, y up, z forward), forward being yaw 0 at
the middle of the frame. Pixel *indices* (what `cv2.remap` takes) are integers at pixel centres.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float = NDArray[np.float64]


def direction(yaw_deg: ArrayLike, pitch_deg: ArrayLike) -> Float:
    """Unit vector of a yaw and pitch.

    Parameters
    ----------
    yaw_deg, pitch_deg : array_like
        Degrees, broadcast against each other.

    Returns
    -------
    ndarray of shape (..., 3), dtype float64
        x right, y up, z forward.
    """
    yaw, pitch = np.radians(yaw_deg), np.radians(pitch_deg)
    level = np.cos(pitch)  # of rows and columns, not of each pixel: a sine costs as much as all else here
    parts = np.broadcast_arrays(level * np.sin(yaw), np.sin(pitch), level * np.cos(yaw))
    return np.stack(parts, axis=-1)


def yaw_pitch(direction: ArrayLike) -> tuple[Float, Float]:
    """Yaw and pitch in degrees of directions of shape (..., 3), which need not be of unit length."""
    x, y, z = np.moveaxis(np.asarray(direction, dtype=np.float64), -1, 0)
    return np.degrees(np.arctan2(x, z)), np.degrees(np.arctan2(y, np.hypot(x, z)))


def pixel_of(yaw_deg: ArrayLike, pitch_deg: ArrayLike, width: int) -> tuple[Float, Float]:
    """Column and row index (integers at pixel centres) of a yaw and pitch; the column is not wrapped."""
    height = width / 2
    column = (np.asarray(yaw_deg, dtype=np.float64) / 360 + 0.5) * width - 0.5
    row = (0.5 - np.asarray(pitch_deg, dtype=np.float64) / 180) * height - 0.5
    return column, row


def yaw_of_column(column: ArrayLike, width: int) -> Float:
    """Yaw in degrees at column index `column`."""
    return ((np.asarray(column, dtype=np.float64) + 0.5) / width - 0.5) * 360


def pitch_of_row(row: ArrayLike, height: int) -> Float:
    """Pitch in degrees at row index `row`."""
    return (0.5 - (np.asarray(row, dtype=np.float64) + 0.5) / height) * 180


def row_of_pitch(pitch_deg: float, height: int) -> float:
    """Row index (integer at a pixel's centre) of a pitch in degrees."""
    return (0.5 - pitch_deg / 180) * height - 0.5


def pixel_solid_angle(height: int) -> Float:
    """Solid angle of one pixel, row by row, in a 2:1 equirectangular frame.

    Parameters
    ----------
    height : int
        Rows of the frame; the width is twice that.

    Returns
    -------
    ndarray of shape (height,), dtype float64
        Steradians, row 0 at the zenith. Over all pixels the sum is 4 pi.

    Raises
    ------
    ValueError
        If height is less than 1.

    References
    ----------
    .. [1] J. P. Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395, 1987, ch. 12.
    """
    if height < 1:
        raise ValueError(f"a frame of {height} rows has no pixels")
    edges = np.sin(np.radians(90 - 180 * np.arange(height + 1) / height))
    solid_angle: Float = (np.pi / height) * (edges[:-1] - edges[1:])
    return solid_angle
