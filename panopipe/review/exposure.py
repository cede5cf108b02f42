"""How light lies on the sphere of a finished picture: clipped, crushed, mean exposure."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pixel_solid_angle

CLIPPED_CODE = 253
"""A pixel with all three channels here or above holds no more light to show (common practice, no source)."""
CRUSHED_CODE = 3
"""A pixel with all three channels here or below shows nothing (common practice, no source)."""

_STEPS = 100
"""Steps in which EV are told apart."""

_SRGB = np.arange(256) / 255
_LINEAR = np.where(_SRGB <= 0.04045, _SRGB / 12.92, ((_SRGB + 0.055) / 1.055) ** 2.4).astype(np.float32)
"""sRGB codes to linear light, IEC 61966-2-1."""


def share_of_sphere(chosen: NDArray[np.bool_]) -> float:
    """Share of the sphere's solid angle that a mask of shape (height, 2 height) covers, 0 to 1."""
    per_row = pixel_solid_angle(chosen.shape[0]) / (4 * np.pi)
    return float(per_row @ np.count_nonzero(chosen, axis=1))


def clipped_share(rgb8: NDArray[np.uint8]) -> float:
    """Share of the sphere that is blank white, 0 to 1, of a whole frame (height, width, 3) in sRGB."""
    red, green, blue = cv2.split(rgb8)
    return share_of_sphere(cv2.min(cv2.min(red, green), blue) >= CLIPPED_CODE)


def crushed_share(rgb8: NDArray[np.uint8]) -> float:
    """Share of the sphere that is solid black, 0 to 1, of a whole frame (height, width, 3) in sRGB."""
    red, green, blue = cv2.split(rgb8)
    return share_of_sphere(cv2.max(cv2.max(red, green), blue) <= CRUSHED_CODE)


def median_exposure_ev(rgb8: NDArray[np.uint8]) -> float:
    """Median luminance over the sphere in EV from diffuse white, weighted by solid angle.

    Parameters
    ----------
    rgb8 : ndarray of shape (height, width, 3), dtype uint8
        A whole frame in sRGB, red first.

    Returns
    -------
    float
        log2 of the luminance that half the sphere lies under; 0 is white, 18 % grey is -2.47. A black
        frame gives -16.
    """
    light = cv2.LUT(rgb8, _LINEAR[:, np.newaxis])
    luminance = cv2.transform(light, np.array([[0.2126, 0.7152, 0.0722]], dtype=np.float32))  # ITU-R BT.709
    ev = cv2.log(np.maximum(luminance, 2.0**-16)) * np.float32(1 / np.log(2))
    step = np.minimum((ev + np.float32(16)) * np.float32(_STEPS), 16 * _STEPS - 1).astype(np.intp)
    weight = np.broadcast_to(pixel_solid_angle(rgb8.shape[0])[:, np.newaxis], step.shape)
    running = np.cumsum(np.bincount(step.ravel(), weight.ravel(), 16 * _STEPS))
    half = int(np.searchsorted(running, running[-1] / 2))
    return (half + 0.5) / _STEPS - 16
