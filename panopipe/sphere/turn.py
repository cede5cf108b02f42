"""Turning the sphere: a frame whose zenith is brought to another place, in place and in little memory."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.sphere.geometry import pitch_of_row, yaw_of_column
from panopipe.sphere.sampling import REACH, sample_frame

Float = NDArray[np.float64]
Single = NDArray[np.float32]
_CHUNK_PIXELS = 1 << 18


def levelling_rotation(tilt_deg: float, toward_yaw_deg: float) -> Float:
    """Shortest rotation that takes the frame's zenith to the place `tilt_deg` from it.

    Parameters
    ----------
    tilt_deg : float
        Angle between the frame's zenith and the true one.
    toward_yaw_deg : float
        Yaw in which the true zenith lies from the frame's.

    Returns
    -------
    ndarray of shape (3, 3), dtype float64
        Directions of the level frame to directions of the tilted one. Its axis is horizontal, so headings
        stay where they are, but for the lean itself.

    References
    ----------
    .. [1] O. Rodrigues, 1840: rotation by an angle about an axis (closed form).
    """
    yaw, tilt = math.radians(toward_yaw_deg), math.radians(tilt_deg)
    x, z = math.cos(yaw), -math.sin(yaw)  # up cross (sin yaw, 0, cos yaw)
    cross = np.array([[0.0, -z, 0.0], [z, 0.0, -x], [0.0, x, 0.0]])
    rotation: Float = np.eye(3) + math.sin(tilt) * cross + (1 - math.cos(tilt)) * cross @ cross
    return rotation


def turn_in_place(rows: NDArray[np.float32], rotation: ArrayLike, *, kernel: str = "cubic") -> None:
    """Turn a whole frame: the pixel in direction d becomes what lay in direction ``rotation @ d``.

    Parameters
    ----------
    rows : ndarray of shape (height, width, channels), dtype float32
        A whole 2:1 frame; changed in place.
    rotation : array_like of shape (3, 3)
        A rotation that moves no direction's pitch far: the rows that it reaches above and below are held
        beside the frame.
    kernel : str
        "linear", "cubic" or "lanczos".

    Raises
    ------
    ValueError
        If `rows` is not a whole 2:1 frame.
    """
    height, width = rows.shape[:2]
    if width != 2 * height:
        raise ValueError(f"{width}x{height} is not a whole 2:1 frame")
    matrix = np.asarray(rotation, dtype=np.float64)
    lean = math.acos(min(1.0, max(-1.0, float(matrix[1, 1]))))
    reach = min(height, math.ceil(lean / math.pi * height) + 1 + REACH)
    step = max(8, _CHUNK_PIXELS // width)
    behind = rows[:0].copy()
    for first in range(0, height, step):
        last = min(first + step, height)
        window = np.concatenate([behind, rows[first : min(last + reach, height)]])
        start = first - len(behind)
        behind = window[max(0, last - reach - start) : last - start].copy()
        places = _places(matrix, first, last, width)
        rows[first:last] = sample_frame(window, start, *places, kernel=kernel, even_near_poles=False)


def _places(matrix: Float, first: int, last: int, width: int) -> tuple[Single, Single]:
    """Column and row that each pixel of some rows comes from.

    Sines and cosines are of rows and of columns, not of pixels, and the rest is in single precision: off by
    less than 2e-3 of a pixel at 12,288 wide.
    """
    height = width // 2
    pitch = np.radians(pitch_of_row(np.arange(first, last), height))[:, None]
    yaw = np.radians(yaw_of_column(np.arange(width), width))[None]
    level, up = np.float32(np.cos(pitch)), np.float32(np.sin(pitch))
    x, y, z = (
        level * np.float32(m[0] * np.sin(yaw) + m[2] * np.cos(yaw)) + up * np.float32(m[1]) for m in matrix
    )
    across = np.maximum(np.sqrt(x * x + z * z), np.float32(1e-30))
    column = np.arctan2(x, z) * np.float32(width / (2 * np.pi)) + np.float32(width / 2 - 0.5)
    row = np.float32(height / 2 - 0.5) - np.arctan(y / across) * np.float32(height / np.pi)
    return column, row
