"""Light and shade of a floor apart from the floor itself: what is too broad to be its pattern."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]


def broad_shade(logs: Picture, known: Mask, broad_px: float) -> Picture:
    """Smooth a picture over about `broad_px`, from its known pixels alone, and continue it everywhere.

    Parameters
    ----------
    logs : ndarray of shape (h, w, channels), dtype float32
        Logarithm of light (see `panopipe.floor.logs`), so that shade adds.
    known : ndarray of shape (h, w), dtype bool
    broad_px : float
        Standard deviation of the Gaussian.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32
    """
    height, width = known.shape
    step = max(1, int(broad_px / 5))
    small = (max(2, width // step), max(2, height // step))
    weight = known.astype(np.float32)
    sums = cv2.resize(logs * weight[..., None], small, interpolation=cv2.INTER_AREA)
    share = cv2.resize(weight, small, interpolation=cv2.INTER_AREA)
    sigma = broad_px / step
    wide_sums, wide_share = _wide(sums, sigma), _wide(share, sigma)
    wide_sums = wide_sums.reshape(*wide_share.shape, -1)
    shade = wide_sums / np.maximum(wide_share, 1e-6)[..., None]
    # Where nothing known lies near, an ever wider average steps in.
    wider_sums, wider_share = _wide(sums, 3 * sigma), _wide(share, 3 * sigma)
    wider_sums = wider_sums.reshape(*wider_share.shape, -1)
    fallback = wider_sums / np.maximum(wider_share, 1e-6)[..., None]
    trust = np.clip(wide_share / 0.05, 0, 1)[..., None]
    even = (fallback + (shade - fallback) * trust).astype(np.float32)
    grown: Picture = cv2.resize(even, (width, height), interpolation=cv2.INTER_CUBIC).reshape(logs.shape)
    return grown


def _wide(picture: Picture, sigma: float) -> Picture:
    wide: Picture = cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    return wide
