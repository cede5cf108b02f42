"""The level at which a frame is really cut off, when it lies below the white level that its file gives.

A stitcher that evens out exposure scales saturated samples down together with all others, and may still
write the highest number as the white level. What gives them away is a plateau: a patch of the sphere
where all planes stand at their highest values at once, in a colour that no light has, magenta.
"""

from __future__ import annotations

import numpy as np

from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.studies.clipped.rebuild import TRUSTED, Floats, Lights

_TOP = 1e-4
"""Share of the picked samples that may stand above the plateau: single hot pixels."""
_FLAT = 0.985
_NEAR = 0.9
_LEAST_SHARE = 2e-4
"""Of the sphere: a lamp of 3 degrees across."""
_MAGENTA = -0.1
"""Tint (natural logarithm) from which a bright plateau is no light; lights keep within 0.02 of the line."""


def cut_level(share: Floats, lights: Lights) -> Floats:
    """Find where each plane is really cut off, shape (3,), as a share of the white level that was given.

    Parameters
    ----------
    share : ndarray of shape (height, width, 3), dtype float64
        Samples picked from the whole frame, as a share of the white level.
    lights : Lights
        The frame's lights.

    Returns
    -------
    ndarray of shape (3,), dtype float64
        Ones unless a plateau was found.
    """
    planes = [np.ascontiguousarray(share[:, :, k]) for k in range(3)]
    above = planes[0].size - _place(planes[0])
    if any(np.count_nonzero(plane >= TRUSTED) >= above for plane in planes):
        return np.ones(3)  # as most frames have it; to find the value itself takes far longer
    top = np.array([_near_highest(plane) for plane in planes])
    if np.any(top <= 0) or _tint(top, lights) > _MAGENTA:
        return np.ones(3)
    weight = pixel_solid_angle(share.shape[0])[:, None] / (4 * np.pi)
    flat, near = (float(np.sum(weight * _all_above(planes, top * part))) for part in (_FLAT, _NEAR))
    is_plateau = flat >= _LEAST_SHARE and flat >= near - flat
    return top if is_plateau else np.ones(3)


def _place(plane: Floats) -> int:
    """Samples that lie below the plateau's level, if there is one."""
    return int((1 - _TOP) * (plane.size - 1))


def _near_highest(plane: Floats) -> float:
    """Value of a sample, not a mean of two: the same for any order of the samples."""
    return float(np.partition(plane.ravel(), _place(plane))[_place(plane)])


def _tint(share: Floats, lights: Lights) -> float:
    red, green, blue = np.log(share / lights.neutral)
    a = lights.share_of_red
    return float(green - a * red - (1 - a) * blue)


def _all_above(planes: list[Floats], level: Floats) -> Floats:
    above = [plane >= limit for plane, limit in zip(planes, level, strict=True)]
    return np.asarray(above[0] & above[1] & above[2])
