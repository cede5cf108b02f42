"""Light and shade of a floor apart from the floor itself: what is too broad to be its pattern."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_GRID = 5
"""Standard deviation of what is broad, in pixels of the grid on which it is found."""
_HALF_POWER = 1.2
"""A Gaussian's standard deviation over the length at which a spline as broad passes half."""
_TENSION = 1.0
"""Price of slope against bend at that length: at 0 it swings wide, far above 1 it is a membrane."""
_STEPS = 60


def broad_shade(logs: Picture, known: Mask, broad_px: float) -> Picture:
    """Smooth a picture over about `broad_px`, from its known pixels alone, and continue it everywhere.

    Parameters
    ----------
    logs : ndarray of shape (h, w, channels), dtype float32
        Logarithm of light (see `panopipe.studies.floor.logs`), so that shade adds.
    known : ndarray of shape (h, w), dtype bool
    broad_px : float
        Standard deviation of the Gaussian.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32
    """
    height, width = known.shape
    step = max(1, int(broad_px / _GRID))
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


def continued_shade(logs: Picture, known: Mask, broad_px: float) -> Picture:
    """Light and shade of a floor, continued into what is not known with their own slope.

    A smoothing spline in tension on a coarse grid: near the known floor about what `broad_shade` gives; where
    nothing is known, a glow that fades towards the hole goes on fading there, and does not swing.

    Parameters
    ----------
    logs : ndarray of shape (h, w, channels), dtype float32
        Logarithm of light.
    known : ndarray of shape (h, w), dtype bool
    broad_px : float
        Breadth of what counts as light and shade, as the standard deviation of a Gaussian.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32

    References
    ----------
    .. [1] P. H. C. Eilers, B. D. Marx, Flexible smoothing with B-splines and penalties, Statistical Science
       11(2), 1996 (a penalty on differences; two of them here, on slope and bend).
    """
    height, width = known.shape
    step = max(1, int(broad_px / _GRID))
    small = (max(2, width // step), max(2, height // step))
    weight = known.astype(np.float32)
    sums = cv2.resize(cv2.copyTo(logs, known.view(np.uint8)), small, interpolation=cv2.INTER_AREA)
    sums = sums.reshape(small[1], small[0], -1)
    share = cv2.resize(weight, small, interpolation=cv2.INTER_AREA)
    shares = cv2.merge([share] * sums.shape[-1]).reshape(sums.shape)
    guess = broad_shade(sums / np.maximum(shares, 1e-6), share > 0.5, broad_px / step)
    even = _spline(guess, sums, shares, (broad_px / step / _HALF_POWER) ** 2)
    grown: Picture = cv2.resize(even, (width, height), interpolation=cv2.INTER_CUBIC).reshape(logs.shape)
    return grown


def _spline(guess: Picture, sums: Picture, shares: Picture, breadth: float) -> Picture:
    """Least of share (u - mean)^2, tension and bend, by conjugate gradients from a good guess."""
    tension, bend = np.float32(_TENSION * breadth), np.float32(breadth * breadth)

    def bent(of: Picture) -> Picture:
        curl = _laplacian(of)
        return np.asarray(shares * of - tension * curl + bend * _laplacian(curl), np.float32)

    light = guess.copy()
    rest = sums - bent(light)
    ahead, size = rest.copy(), _dot(rest, rest)
    for _ in range(_STEPS):
        push = bent(ahead)
        length = np.float32(size / max(_dot(ahead, push), 1e-30))
        light += length * ahead
        rest -= length * push
        last, size = size, _dot(rest, rest)
        if size <= 1e-12 * rest.size:
            break
        ahead *= np.float32(size / last)
        ahead += rest
    return light


def _dot(first: Picture, second: Picture) -> float:
    return float(np.einsum("i,i->", first.ravel(), second.ravel()))


def _laplacian(picture: Picture) -> Picture:
    curl: Picture = cv2.Laplacian(picture, -1, ksize=1, borderType=cv2.BORDER_REPLICATE)
    return curl.reshape(picture.shape)


def _wide(picture: Picture, sigma: float) -> Picture:
    wide: Picture = cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    return wide
