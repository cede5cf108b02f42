"""The shoulder of the tonal rendering, written plainly: what `panopipe.pixels.render` does to grey light."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.studies.light.curve import KNEE


def shoulder(light: ArrayLike, shoulder_ev: float, knee: float = KNEE) -> NDArray[np.float64]:
    """Display light of linear light, 1.0 at diffuse white: bent from the knee on, 1.0 at the white point.

    References
    ----------
    .. [1] E. Reinhard et al., Photographic tone reproduction for digital images, SIGGRAPH 2002, equation 4
       (the shoulder's form, here above the knee only).
    """
    y = np.asarray(light, dtype=np.float64)
    if shoulder_ev <= 0:
        return y
    room = (2.0**shoulder_ev - knee) / (1 - knee)
    t = np.clip((y - knee) / (1 - knee), 0, room)
    shown: NDArray[np.float64] = np.minimum(y, knee) + (1 - knee) * t * (1 + t / room**2) / (1 + t)
    return shown
