"""A white set by hand: read from a spot of the frame."""

from __future__ import annotations

import numpy as np

from panopipe.frame import Rows
from panopipe.pixels.planes import highest_plane
from panopipe.sphere.geometry import direction, pitch_of_row, pixel_solid_angle, yaw_of_column
from panopipe.studies.white.cones import log_chromaticity_from_working
from panopipe.studies.white.evidence import RECORDED


def surface_log_chromaticity(
    rows: Rows, yaw_deg: float, pitch_deg: float, size_deg: float
) -> tuple[float, float] | None:
    """Place of the surface in a round spot.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        The whole sphere in linear light, working space.
    yaw_deg, pitch_deg : float
        Middle of the spot, in the array's own yaw.
    size_deg : float
        Diameter of the spot; at least the nearest pixel is read.

    Returns
    -------
    tuple of float or None
        None if nothing there is recorded: clipped or black.
    """
    height, width = rows.shape[:2]
    target = direction(yaw_deg, pitch_deg)
    lines = np.flatnonzero(
        np.abs(pitch_of_row(np.arange(height), height) - pitch_deg) <= size_deg / 2 + 180 / height
    )
    towards = (
        direction(yaw_of_column(np.arange(width), width)[None, :], pitch_of_row(lines, height)[:, None])
        @ target
    )
    inside = (towards >= np.cos(np.radians(size_deg / 2))) | (towards == towards.max())
    largest = highest_plane(np.ascontiguousarray(rows[lines]))
    weight = (
        inside * (largest > RECORDED[0]) * (largest < RECORDED[1]) * pixel_solid_angle(height)[lines, None]
    )
    if weight.sum() == 0:
        return None
    log_chromaticity = log_chromaticity_from_working(
        np.average(rows[lines].astype(np.float64), axis=(0, 1), weights=weight)
    )
    return float(log_chromaticity[0]), float(log_chromaticity[1])
