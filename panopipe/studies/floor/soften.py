"""A soft fill: the floor's light and colour carried into the hole, with no detail."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.logs import from_log, offset_for, to_log
from panopipe.studies.floor.poisson import fill_smoothly

Picture = NDArray[np.float32]


def fill_softly(light: Picture, hole: NDArray[np.bool_]) -> Picture:
    """Fill a hole of a straight-down view with the smoothest continuation of what surrounds it."""
    offset = offset_for(light, ~hole)
    return from_log(fill_smoothly(to_log(light, offset), hole), offset)
