"""Tone-mapped image quality index: how much of a scene's structure a rendering keeps, and how natural it is.

Written from the published model; the constants are those of the paper, its naturalness statistics included.
It sees luminance only, and likes mid-grey pictures: keep other measures beside it.

References
----------
.. [1] H. Yeganeh, Z. Wang, Objective quality assessment of tone-mapped images, IEEE Trans. Image Processing
   22 (2), 2013.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import beta, norm

Plane = NDArray[np.float64]

SHARE, FIDELITY_POWER, NATURAL_POWER = 0.8012, 0.3046, 0.7088
SCALE_WEIGHTS = (0.0448, 0.2856, 0.3001, 0.2363, 0.1333)
FREQUENCIES = (16, 8, 4, 2, 1)
"""Cycles per degree at the finest scale and below."""
C1, C2 = 0.01, 10.0
WINDOW, SIGMA = 11, 1.5
MEAN_CODE, MEAN_SPREAD = 115.94, 27.99
CONTRAST_SCALE, CONTRAST_A, CONTRAST_B = 64.29, 4.4, 10.1
HDR_TOP = 2.0**32 - 1


class Quality(NamedTuple):
    """The index, and the two terms it is made of: structural fidelity and naturalness."""

    index: float
    fidelity: float
    natural: float


def tmqi(scene: ArrayLike, rendering: ArrayLike) -> Quality:
    """Index of a rendering.

    Parameters
    ----------
    scene : array_like of shape (height, width)
        Linear luminance of the scene, any scale.
    rendering : array_like of shape (height, width)
        Luminance of the rendering in 8-bit codes, 0 to 255.

    Returns
    -------
    Quality
        All three between 0 and 1.

    Raises
    ------
    ValueError
        If sizes differ, the picture is smaller than the window at the coarsest scale, or the scene is flat.
    """
    hdr, ldr = np.asarray(scene, dtype=np.float64), np.asarray(rendering, dtype=np.float64)
    if hdr.shape != ldr.shape or min(hdr.shape) < WINDOW * 2 ** (len(FREQUENCIES) - 1):
        raise ValueError(f"cannot compare a scene of {hdr.shape} with a rendering of {ldr.shape}")
    low, high = hdr.min(), hdr.max()
    if low == high:
        raise ValueError("a flat scene has no structure to keep")
    fidelity = _structural_fidelity((hdr - low) * (HDR_TOP / (high - low)), ldr)
    natural = naturalness(ldr)
    index = SHARE * fidelity**FIDELITY_POWER + (1 - SHARE) * natural**NATURAL_POWER
    return Quality(index, fidelity, natural)


def naturalness(codes: Plane) -> float:
    """Likelihood of a picture's mean and mean block contrast among natural pictures, 1 at the likeliest."""
    brightness = float(np.exp(-0.5 * ((codes.mean() - MEAN_CODE) / MEAN_SPREAD) ** 2))
    rows, columns = (side // WINDOW * WINDOW for side in codes.shape)
    blocks = codes[:rows, :columns].reshape(rows // WINDOW, WINDOW, columns // WINDOW, WINDOW)
    contrast = blocks.std(axis=(1, 3), ddof=1).mean() / CONTRAST_SCALE
    likeliest = (CONTRAST_A - 1) / (CONTRAST_A + CONTRAST_B - 2)
    likelihood = beta.pdf([contrast, likeliest], CONTRAST_A, CONTRAST_B)
    return brightness * float(likelihood[0] / likelihood[1])


def visibility_threshold(frequency: float) -> float:
    """Standard deviation in codes that is seen half the time at a frequency in cycles per degree."""
    sensitivity = 260 * (0.0192 + 0.114 * frequency) * np.exp(-((0.114 * frequency) ** 1.1))
    return float(128 / (1.4 * sensitivity))


def _structural_fidelity(hdr: Plane, ldr: Plane) -> float:
    product = 1.0
    for frequency, weight in zip(FREQUENCIES, SCALE_WEIGHTS, strict=True):
        product *= max(_fidelity_at(hdr, ldr, frequency), 0.0) ** weight
        hdr, ldr = _half(hdr), _half(ldr)
    return product


def _fidelity_at(hdr: Plane, ldr: Plane, frequency: float) -> float:
    mean_hdr, mean_ldr = _local_mean(hdr), _local_mean(ldr)
    spread_hdr = np.sqrt(np.maximum(_local_mean(hdr * hdr) - mean_hdr**2, 0))
    spread_ldr = np.sqrt(np.maximum(_local_mean(ldr * ldr) - mean_ldr**2, 0))
    together = _local_mean(hdr * ldr) - mean_hdr * mean_ldr
    threshold = visibility_threshold(frequency)
    seen_hdr = norm.cdf(spread_hdr, threshold, threshold / 3)
    seen_ldr = norm.cdf(spread_ldr, threshold, threshold / 3)
    strength = (2 * seen_hdr * seen_ldr + C1) / (seen_hdr**2 + seen_ldr**2 + C1)
    structure = (together + C2) / (spread_hdr * spread_ldr + C2)
    return float((strength * structure).mean())


def _local_mean(plane: Plane) -> Plane:
    """Gaussian window, where it lies wholly inside."""
    reach = WINDOW // 2
    blurred = cv2.GaussianBlur(plane, (WINDOW, WINDOW), SIGMA)
    return np.asarray(blurred[reach:-reach, reach:-reach], dtype=np.float64)


def _half(plane: Plane) -> Plane:
    """Mean of each pixel and its right and lower neighbours, every other pixel."""
    tall = np.pad(plane, ((0, 1), (0, 1)), mode="symmetric")
    mean = (tall[:-1, :-1] + tall[1:, :-1] + tall[:-1, 1:] + tall[1:, 1:]) / 4
    return mean[::2, ::2]
