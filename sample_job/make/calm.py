"""Even out what the denoiser leaves of noise in the colour of plain matt surfaces.

On one even coat of paint the mixture of lights, and their colour after a bounce or two, change slowly from
place to place; blotches are remains of noise. Luminance stays as it is.
"""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
REACH_DEG = 3.5
"""Standard deviation of the filter on the sphere's equator; blotches measure 1 to 4 degrees."""
STEP = 0.04
"""A change of that much, of a light's colour (light over luminance) or of twice the root of its share, is
taken for real: blotches stay below .02."""
LEAST_SHARE = 0.01
"""A light of a smaller share of the luminance colours nothing."""
ROUNDS = 3


def calmed(lights: Mapping[str, Picture], plain: NDArray[np.uint8]) -> dict[str, Picture]:
    """Lights whose mixture and colour are smooth on plain surfaces.

    Parameters
    ----------
    lights : mapping of str to ndarray of shape (H, W, 3), dtype float32
        Linear light of an equirectangular frame, by its light.
    plain : ndarray of shape (H, W), dtype uint8
        A number for each even coat of paint, 0 for everything else.

    Returns
    -------
    dict of str to ndarray of shape (H, W, 3), dtype float32
        Of the same joint luminance.
    """
    names = list(lights)
    stack = np.concatenate([lights[name] for name in names], -1)
    luminance = np.maximum(sum(lights[name] @ LUMINANCE for name in names), 1e-6)[..., None]
    factor = max(1, stack.shape[1] // 512)
    small = (stack.shape[1] // factor, stack.shape[0] // factor)
    coat = cv2.resize(plain, small, interpolation=cv2.INTER_NEAREST)
    # A coat's number and a clean cell: one that holds nothing else.
    whole = cv2.resize((plain == 0).astype(np.float32), small, interpolation=cv2.INTER_AREA) == 0
    coat = np.where(whole, coat, 0)
    before = _shrunk(stack / luminance, small)
    after = before
    for _ in range(ROUNDS):
        after = _averaged(before, _guide(after), coat, REACH_DEG / 360 * small[0])
    change = _grown(np.where(coat[..., None] > 0, after - before, 0), factor)
    result = stack + change * luminance * (plain > 0)[..., None]
    return {name: np.maximum(result[..., 3 * k : 3 * k + 3], 0) for k, name in enumerate(names)}


def _guide(mixture: Picture) -> Picture:
    """Colour of every light, and twice the root of its share: near a lamp shares of others change fast."""
    lights = mixture.reshape(*mixture.shape[:2], -1, 3)
    share = np.maximum(lights @ LUMINANCE, LEAST_SHARE)
    colour = lights / share[..., None]
    return np.concatenate([colour.reshape(mixture.shape), 2 * np.sqrt(share)], -1)


def _shrunk(values: Picture, size: tuple[int, int]) -> Picture:
    planes = [cv2.resize(values[..., k], size, interpolation=cv2.INTER_AREA) for k in range(values.shape[-1])]
    return np.stack(planes, -1)


def _grown(values: Picture, factor: int) -> Picture:
    if factor == 1:
        return values
    wide = np.concatenate([values[:, -2:], values, values[:, :2]], 1)
    size = (wide.shape[1] * factor, wide.shape[0] * factor)
    grown = np.stack(
        [cv2.resize(wide[..., k], size, interpolation=cv2.INTER_LINEAR) for k in range(wide.shape[-1])], -1
    )
    return grown[:, 2 * factor : -2 * factor]


def _averaged(values: Picture, guide: Picture, coat: NDArray[np.uint8], reach: float) -> Picture:
    """Mean of `values` about every cell over the same coat, where `guide` is alike (joint bilateral)."""
    far = int(np.ceil(2 * reach))
    total, weight = np.zeros_like(values), np.zeros((*coat.shape, 1), np.float32)
    rows = np.arange(len(coat))
    for down in range(-far, far + 1):
        source = np.clip(rows + down, 0, len(coat) - 1)
        for right in range(-far, far + 1):
            if np.hypot(down, right) > far:
                continue
            there = np.roll(guide[source], -right, 1)
            apart = ((there - guide) ** 2).sum(-1, keepdims=True) / (2 * STEP**2)
            near = np.exp(-(down**2 + right**2) / (2 * reach**2) - apart)
            near = near * (np.roll(coat[source], -right, 1) == coat)[..., None]
            total += near * np.roll(values[source], -right, 1)
            weight += near
    return (total / np.maximum(weight, 1e-9)).astype(np.float32)
