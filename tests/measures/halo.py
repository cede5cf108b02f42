"""How far a rendering goes beyond its plateaus beside a step of light: the halo at a window's edge."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.float32]


class Overshoot(NamedTuple):
    """Largest excursion beyond the far plateau on either side, as a share of the rendered step's height."""

    dark: float
    bright: float


def step_frame(width: int, *, dark: float, height_ev: float) -> Rows:
    """Neutral frame whose left half is `dark` and whose right half lies `height_ev` above it."""
    rows = np.full((width // 2, width, 3), dark, dtype=np.float32)
    rows[:, width // 2 :] *= np.float32(2.0**height_ev)
    return rows


def overshoot(codes: NDArray[np.float64]) -> Overshoot:
    """Overshoot beside the step of a rendered `step_frame`.

    Parameters
    ----------
    codes : ndarray of shape (height, width)
        Rendered frame in display codes, any scale.

    Returns
    -------
    Overshoot
        Against the mean of each plateau 3 to 10 degrees from the edge (common practice, no source).
    """
    width = codes.shape[1]
    degree = width / 360
    line = codes[codes.shape[0] // 2]
    middle = width // 2
    near, far = round(3 * degree), round(10 * degree)
    dark = line[middle - far : middle - near].mean()
    bright = line[middle + near : middle + far].mean()
    height = bright - dark
    under = dark - line[middle - far : middle].min()
    over = line[middle : middle + far].max() - bright
    return Overshoot(float(under / height), float(over / height))
