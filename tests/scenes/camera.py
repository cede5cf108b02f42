"""A camera for the test scenes: exposure, clipping and noise on linear light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.adaptation import working_adaptation
from panopipe.colour.spaces import D65_XY, xyz_from_xy


def expose(
    rows: NDArray[np.float32],
    *,
    exposure_ev: float = 0.0,
    white_xy: tuple[float, float] = D65_XY,
    full_well: float = 30000.0,
    clip: float = 1.0,
    seed: int | None = 0,
) -> NDArray[np.float32]:
    """Photograph linear light.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Radiance in the working space.
    exposure_ev : float
        Gain in EV; after it 1.0 is the sensor's full scale.
    white_xy : tuple of float
        The camera's manual white balance: this chromaticity becomes neutral.
    full_well : float
        Electrons at full scale; shot noise goes with their square root, read noise is 4 electrons.
    clip : float
        Full scale, at which each channel saturates; inf keeps everything.
    seed : int or None
        Seed of the noise; None for none.

    Returns
    -------
    ndarray of shape (height, width, 3), dtype float32
        Linear light as recorded.
    """
    light = np.maximum(rows * np.float32(2.0**exposure_ev), 0)
    if seed is not None:
        random = np.random.default_rng(seed)
        sigma = np.sqrt(np.minimum(light, 4) / full_well + (4 / full_well) ** 2)
        light = light + sigma * random.standard_normal(light.shape, dtype=np.float32)
    balance = working_adaptation(xyz_from_xy(white_xy), xyz_from_xy(D65_XY)).astype(np.float32)
    return np.minimum(light @ balance.T, np.float32(clip)).astype(np.float32)
