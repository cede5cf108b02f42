"""What pieces of floor are compared by: level and slopes, each at its own weight."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

LEVEL_SHARE = 0.35
"""Share of the level in what is compared; the rest is slopes."""


def _slopes(picture: Picture) -> tuple[Picture, Picture]:
    """Differences to the next pixel across and down, of the sum of the channels."""
    grey: Picture = picture[..., 0].copy()
    for channel in range(1, picture.shape[-1]):
        grey += picture[..., channel]
    across, down = np.zeros_like(grey), np.zeros_like(grey)
    np.subtract(grey[..., 1:], grey[..., :-1], out=across[..., :-1])
    np.subtract(grey[..., 1:, :], grey[..., :-1, :], out=down[..., :-1, :])
    return across, down


def scales_of(picture: Picture, where: Mask, *, level_share: float = LEVEL_SHARE) -> tuple[float, float]:
    """Weights of level and slopes, so that each has unit variance on the known floor times its share."""
    level = max(float(np.square(picture[where]).sum(-1).mean()), 1e-9)
    steep = max(float(sum(np.square(slope[where]).mean() for slope in _slopes(picture))), 1e-9)
    return math.sqrt(level_share / level), math.sqrt((1 - level_share) / steep)


def compared_by(picture: Picture, scales: tuple[float, float]) -> Picture:
    """What a seam is judged by: joining in the gradient domain mends levels, but not a line cut short."""
    count = picture.shape[-1]
    compared: Picture = np.empty((*picture.shape[:-1], count + 2), np.float32)
    np.multiply(picture, np.float32(scales[0]), out=compared[..., :count])
    for at, slope in enumerate(_slopes(picture)):
        np.multiply(slope, np.float32(scales[1]), out=compared[..., count + at])
    return compared
