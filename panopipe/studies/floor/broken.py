"""Joints that reach a filled hole and are broken in it: what the eye finds first.

Where a joint runs that comes out again on the far side of the hole, or ends at another floor, is told by the
floor around (see `joints`). A fill that does not show it there has moved, scrambled or lost it. Blocks of
parquet have joints in line that other blocks part: a joint that is as broken outside the hole is none.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.joints import Course, joints_in, ridge

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

_SHOWN = 0.35
"""Share of its contrast at the rim from which a joint shows."""
_ASIDE = np.arange(-1.5, 1.75, 0.5)
"""How far aside of its way a joint may lie, in pixels of the grid."""


def broken_joint(
    luma: Picture, hole: Mask, radius: float, distance: Float | None, straight: Mask
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
    straight : ndarray of shape (h, w), dtype bool
        Where lines run straight: not on a round rug, whose stripes follow its edge.

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
        long, at = _gap(luma, hole & straight, course, start, way, length)
        # Beyond what is seen of it, another block may part it as far.
        beside = [_gap(luma, ~hole, course, start, -way, 2 * length)[0]]
        beside += [_gap(luma, ~hole, course, end, way, 2 * length)[0]] if course.through else []
        size = (long - max(beside)) / radius
        if size > worst[0]:
            worst = (size, *(start + at * way))
    return worst


def _gap(
    luma: Picture, where: Mask, course: Course, start: Float, way: Float, length: float
) -> tuple[float, float]:
    """The longest part of a way, within a mask, on which a joint does not show, and where its middle lies."""
    along = np.arange(0.0, math.ceil(length))
    places = start + along[:, None] * way
    pixels = np.rint(places).astype(np.int64)
    inside = np.asarray(((pixels >= 0) & (pixels < luma.shape)).all(1), np.bool_)
    inside[inside] = where[tuple(pixels[inside].T)]
    normal = np.array((way[1], -way[0]))
    moved = places + _ASIDE[:, None, None] * normal
    contrast = ridge(luma, moved[..., 0], moved[..., 1], np.broadcast_to(normal, moved.shape)).T
    shown = np.convolve((contrast / course.contrast).max(1), np.full(3, 1 / 3), "same")
    cuts = np.diff((inside & (shown < _SHOWN)).astype(np.int8), prepend=0, append=0)
    first, last = np.flatnonzero(cuts > 0), np.flatnonzero(cuts < 0)
    if not first.size:
        return 0.0, 0.0
    longest = int((last - first).argmax())
    return float(last[longest] - first[longest]), float(first[longest] + last[longest] - 1) / 2
