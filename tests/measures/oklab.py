"""Chroma and hue of Oklab colours, as the tests measure them."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def chroma_hue(lab: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Chroma and hue angle in degrees, 0 to 360, of L, a, b of shape (..., 3)."""
    _, a, b = np.moveaxis(np.asarray(lab, dtype=np.float64), -1, 0)
    return np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360
