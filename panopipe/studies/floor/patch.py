"""A round picture on the floor, flat to the viewer."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.from_view import write_view
from panopipe.sphere.views import straight_down

Picture = NDArray[np.float32]


def put_patch(rows: Picture, first: int, patch: Picture, radius_deg: float, heading_deg: float) -> None:
    """Write the disc inside a picture over the nadir, in place.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32
        Bottom rows of a frame, linear light.
    first : int
        Row of the frame that `rows[0]` is.
    patch : ndarray of shape (h, w, 4), dtype float32
        Linear light with straight alpha; the largest disc in its middle is used.
    radius_deg : float
        Angle from the nadir to the disc's rim.
    heading_deg : float
        Yaw, in the arrays, to which the picture's top points.
    """
    side = min(patch.shape[:2])
    top, left = (patch.shape[0] - side) // 2, (patch.shape[1] - side) // 2
    square = patch[top : top + side, left : left + side]
    centre = np.arange(side) + 0.5 - side / 2
    disc = np.clip(side / 2 - np.hypot(centre[None, :], centre[:, None]), 0, 1)
    focal_px = side / 2 / math.tan(math.radians(radius_deg))
    view = straight_down(side, focal_px, heading_deg)
    cover = (np.clip(square[..., 3], 0, 1) * disc).astype(np.float32)
    write_view(rows, first, view, np.ascontiguousarray(square[..., :3]), cover)
