"""Noise in the shadows of a frame, as far as one picture tells."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

BLOCK = 8
"""Side of the blocks that are compared, in pixels."""
DARKER = 0.35
"""Share of the blocks that are the shadows."""
BLACK_EV = -8.0
"""Log2 of light after exposure, against diffuse white, below which nothing is seen, noise neither."""
SMOOTHEST = 0.2
"""Share of blocks that have no texture of their own and show noise alone (common practice, no source)."""
SIGMA_OF_MEDIAN = 1 / 0.6745
"""Standard deviation of a normal distribution over the median of its magnitude."""


def grain_ev(light_ev: NDArray[np.float32]) -> float:
    """Standard deviation of the noise of a pixel in the shadows, in EV.

    Parameters
    ----------
    light_ev : ndarray of shape (height, width), dtype float32
        Log2 luminance after exposure.

    Returns
    -------
    float
        0 if the shadows are black.
    """
    height, width = (size // BLOCK * BLOCK for size in light_ev.shape)
    if not height or not width:
        return 0.0
    bent = light_ev - (np.roll(light_ev, 1, axis=1) + np.roll(light_ev, -1, axis=1)) / 2
    blocks = [
        plane[:height, :width].reshape(height // BLOCK, BLOCK, -1, BLOCK).swapaxes(1, 2).reshape(-1, BLOCK**2)
        for plane in (light_ev, np.abs(bent))
    ]
    dark = np.median(blocks[0], axis=1)
    spread = np.median(blocks[1], axis=1)[(dark > BLACK_EV) & (dark <= np.quantile(dark, DARKER))]
    if not len(spread):
        return 0.0
    return float(np.quantile(spread, SMOOTHEST) * SIGMA_OF_MEDIAN / np.sqrt(1.5))  # of what is bent: 1 + 2/4
