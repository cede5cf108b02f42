"""Joints that reach a filled hole and are broken in it: what the eye finds first.

Where a joint runs that comes out again on the far side of the hole, or ends at another floor, is told by the
floor around (see `joints`). A fill that does not show it there has moved, scrambled or lost it. Blocks of
parquet have joints in line that other blocks part: a joint that is as broken outside the hole is none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.joints import joints_in, longest_gap

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]


def broken_joint(
    luma: Picture, hole: Mask, radius: float, distance: Float | None
) -> tuple[float, float, float]:
    """Find the joint that is missing over the longest way in a filled hole.

    Parameters
    ----------
    luma : ndarray of shape (h, w), dtype float32
        Log light of the floor, hole filled, without light and shade, on a coarse grid.
    hole : ndarray of shape (h, w), dtype bool
    radius : float
        Radius of the hole in pixels.
    distance : ndarray of shape (h, w), dtype float64, optional
        Signed distance to where two kinds of floor meet.

    Returns
    -------
    tuple of float
        The length of the gap, in radii, and its row and column.
    """
    worst = (0.0, 0.0, 0.0)
    for course in joints_in(luma, ~hole, hole, radius, distance).courses:
        start, end = np.array(course.start), np.array(course.end)
        length = float(np.hypot(*(end - start)))
        if length < 1:
            continue
        way = (end - start) / length
        long, at = longest_gap(luma, hole, start, way, length, course.contrast)
        size = (long - course.parted) / radius
        if size > worst[0]:
            worst = (size, *(start + at * way))
    return worst
