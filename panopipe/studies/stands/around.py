"""The band about a frame's horizon, as on an upright cylinder: what is level with the camera, all around."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Single = NDArray[np.float32]
Around = NDArray[np.int8]

COLUMNS, ROWS, HIGHEST = 720, 48, 0.5
"""Columns around, and rows from that slope to the same below the horizon."""
_CODES_PER_EV, _BROAD_DEG = 48.0, 20.0
"""Codes that one EV of detail takes, and the blur that detail is what is left of."""


def band_around(light: Single) -> Around:
    """The band of a frame about its horizon, as on an upright cylinder: detail of its lightness.

    Parameters
    ----------
    light : ndarray of shape (height, width), dtype float32
        Luminance of a whole frame.

    Returns
    -------
    ndarray of shape (48, 720), dtype int8
        In 1/48 EV; rows lie evenly in the tangent of the pitch.
    """
    height, width = light.shape
    slope = (0.5 - (np.arange(ROWS) + 0.5) / ROWS) * 2 * HIGHEST
    row = (0.5 - np.arctan(slope) / np.pi) * height - 0.5
    column = (np.arange(COLUMNS) + 0.5) * (width / COLUMNS) - 0.5
    wide = np.concatenate([light[:, -1:], light, light[:, :1]], axis=1)
    x, y = np.meshgrid(column.astype(np.float32) + 1, row.astype(np.float32))
    stops = np.log2(np.maximum(cv2.remap(wide, x, y, cv2.INTER_LINEAR), np.float32(1e-4)))
    reach = COLUMNS // 4
    ringed = np.concatenate([stops[:, -reach:], stops, stops[:, :reach]], axis=1)
    broad = cv2.GaussianBlur(ringed, (0, 0), sigmaX=_BROAD_DEG * COLUMNS / 360, sigmaY=0.01)
    codes = np.rint((stops - broad[:, reach:-reach]) * _CODES_PER_EV)
    band: Around = np.clip(codes, -127, 127).astype(np.int8)
    return band


def sampled_around(band: Around, yaw: Float, slope: Single) -> Single:
    """Detail of a band, in codes, at slopes (..., columns) and at yaws in radians, of each or by columns."""
    column = np.mod((yaw + np.pi) * (COLUMNS / (2 * np.pi)) - 0.5, COLUMNS).astype(np.float32)
    row = (np.float32(0.5) - slope / np.float32(2 * HIGHEST)) * np.float32(ROWS) - np.float32(0.5)
    wide = np.concatenate([band, band[:, :1]], axis=1).astype(np.float32)
    flat = (-1, slope.shape[-1])
    columns = np.broadcast_to(column, slope.shape).reshape(flat)
    sampled = cv2.remap(wide, columns, row.reshape(flat), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    told: Single = sampled.reshape(slope.shape)
    return told
