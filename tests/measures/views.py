"""Upright views in any direction, and the rows that a view reads: what tests and benchmarks draw."""

import math

import numpy as np

from panopipe.sphere.geometry import pixel_of, yaw_pitch
from panopipe.sphere.sampling import REACH
from panopipe.sphere.views import View


def view_towards(
    yaw_deg: float, pitch_deg: float, *, field_deg: float, width: int, height: int | None = None
) -> View:
    """View towards a direction, upright.

    Parameters
    ----------
    yaw_deg, pitch_deg : float
        Line of sight. At the zenith and the nadir, yaw says which direction is up in the view (at the
        nadir: forward is up; at the zenith: forward is down).
    field_deg : float
        Angle from the left edge of the leftmost pixels to the right edge of the rightmost ones, below 180.
    width, height : int
        Pixels; square if no height is given.

    Raises
    ------
    ValueError
        If the field is not between 0 and 180 degrees.
    """
    if not 0 < field_deg < 180:
        raise ValueError(f"a flat view of {field_deg:g} degrees cannot be; it must lie between 0 and 180")
    yaw, pitch = math.radians(yaw_deg), math.radians(pitch_deg)
    right = (math.cos(yaw), 0.0, -math.sin(yaw))
    up = (-math.sin(pitch) * math.sin(yaw), math.cos(pitch), -math.sin(pitch) * math.cos(yaw))
    ahead = (math.cos(pitch) * math.sin(yaw), math.sin(pitch), math.cos(pitch) * math.cos(yaw))
    focal_px = width / 2 / math.tan(math.radians(field_deg) / 2)
    return View(width, height or width, focal_px, np.array([right, up, ahead]).T)


def rows_needed(view: View, width: int) -> tuple[int, int]:
    """First row and one past the last row of a frame `width` wide that a view reads, kernels included."""
    height = width // 2
    _, rows = pixel_of(*yaw_pitch(view.directions()), width)
    first = max(0, math.floor(float(rows.min())) - REACH)
    last = min(height, math.ceil(float(rows.max())) + 1 + REACH)
    return first, last
