"""Colour that is left on what should be white, in a finished picture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import D65_XY, XYZ_FROM_SRGB, xyz_from_xy
from panopipe.colour.transfer import srgb_decode
from panopipe.sphere.geometry import pixel_solid_angle

_WIDTH = 512
_LIGHTEST = (55.0, 97.0)
"""CIE L* of the surfaces looked at: ceilings, trim, tiles; above them clipping takes colour away."""
_MOST_CHROMA = 255
_SHARE = 0.08
"""Share of those surfaces, the least coloured, that counts as meant to be white."""


_LINEAR = srgb_decode(np.arange(256) / 255).astype(np.float32)[:, np.newaxis]
_RELATIVE_XYZ_FROM_SRGB = (XYZ_FROM_SRGB / xyz_from_xy(D65_XY)[:, np.newaxis]).astype(np.float32)


def _luminance(lightness: float) -> float:
    """Luminance of a CIE L* above 8, white being 1."""
    return ((lightness + 16) / 116) ** 3


def neutral_cast(rgb8: NDArray[np.uint8]) -> tuple[float, float] | None:
    """Colour of the least coloured light surfaces of a frame.

    A balanced room has something white in it, whatever colour its walls are; a cast lies on all of it.

    Parameters
    ----------
    rgb8 : ndarray of shape (height, width, 3), dtype uint8
        A whole frame, sRGB.

    Returns
    -------
    tuple of float or None
        CIE a*, b* under D65, the mean over those surfaces; None when hardly anything in the frame is
        light enough to judge by.
    """
    small = cv2.resize(rgb8, (_WIDTH, _WIDTH // 2), interpolation=cv2.INTER_AREA)
    linear = cv2.transform(cv2.LUT(small, _LINEAR), _RELATIVE_XYZ_FROM_SRGB)
    light = (linear[..., 1] > _luminance(_LIGHTEST[0])) & (linear[..., 1] < _luminance(_LIGHTEST[1]))
    places = np.flatnonzero(light)
    weight = pixel_solid_angle(_WIDTH // 2)[places // _WIDTH]
    if weight.sum() < 0.03 * 4 * np.pi:
        return None
    xyz, share = linear.reshape(-1, 3).take(places, axis=0), _SHARE * weight.sum()
    step = np.minimum(_rough_chroma(xyz), _MOST_CHROMA).astype(np.intp)
    last = np.searchsorted(np.cumsum(np.bincount(step, weight)), share)
    least = np.flatnonzero(step <= last + 1)  # only what may be among them is worked out to the end
    weight = weight[least]
    _, a, b = lab_from_xyz(xyz[least], 1.0).T
    order = np.argsort(np.hypot(a, b), kind="stable")
    inside = order[np.cumsum(weight[order]) <= share]
    if len(inside) == 0:
        return None
    total = weight[inside].sum()
    return float(weight[inside] @ a[inside] / total), float(weight[inside] @ b[inside] / total)


def _rough_chroma(relative_xyz: NDArray[np.float32]) -> NDArray[np.float32]:
    """CIE C*ab in single precision, right to well within half a unit (CIE 15:2018, 8.2.1)."""
    f = cv2.pow(relative_xyz, 1 / 3)
    dark = relative_xyz <= 216 / 24389
    f[dark] = (24389 / 27 * relative_xyz[dark] + 16) / 116
    return np.asarray(np.hypot(500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])), dtype=np.float32)
