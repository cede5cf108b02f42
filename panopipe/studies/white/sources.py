"""Whether a frame sees lamps: what is far brighter than the room and as warm as a lamp is one, or its glow.

A room that is coloured all round shows warm surfaces under daylight as it does under lamps. Its sources tell
them apart: by day alone all that is bright is as cold as what the windows show.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.planes import highest_plane
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.studies.white.cones import locus, log_chromaticity_from_working, nearest_in_table

OVER_MIDDLE = 6.0
"""How far above the middle of a frame's light the largest channel of a source or its glow lies: 2.5 EV."""
WARM_MIRED = 300.0
"""Lamps of rooms lie at 330 to 450, wood beside a window at up to 290, tubes at 250."""
NO_LAMP, LAMP = 8e-4, 30e-4
"""Share of the sphere that is bright and warm up to which no lamp is seen, and from which one is. Rendered
rooms by day alone show 0 to 6e-4 (sun on a wooden floor), coloured ones with bulbs 300e-4 and more."""
LEAST_BRIGHT = 20e-4
"""Share that is bright at all from which that says something."""
_MIRED = np.arange(60.0, 660.0, 10.0)


def lamp_seen(rows: Rows, camera: tuple[float, float]) -> float:
    """How likely a frame sees a lamp, 0 to 1; 1 too where nothing is bright enough to tell.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space, the whole sphere.
    camera : tuple of float
        Place of the camera's own white as a real light.
    """
    light = rows @ LUMINANCE_OF_WORKING.astype(np.float32)
    share_of_row = pixel_solid_angle(len(rows)) / (4 * np.pi)
    middle = _middle(light, share_of_row)
    share = np.broadcast_to(share_of_row[:, None], light.shape)
    bright = highest_plane(rows) > OVER_MIDDLE * middle
    if share[bright].sum() < LEAST_BRIGHT:
        return 1.0
    places = log_chromaticity_from_working(rows[bright]) + np.array(camera)
    warm = _MIRED[nearest_in_table(places, locus(_MIRED, 0.0015))] >= WARM_MIRED
    return float(np.clip((share[bright][warm].sum() - NO_LAMP) / (LAMP - NO_LAMP), 0, 1))


def _middle(light: NDArray[np.float32], share_of_row: Matrix) -> np.float32:
    """The least light, 0 or more, that half of the sphere does not exceed.

    Found by halving: floats that are not negative rise with the whole number that their bits are. To sort all
    of a frame takes ten times as long.
    """
    low, high = -1, int(np.maximum(light.max(), 0).view(np.int32))
    while high - low > 1:
        at = (low + high) // 2
        under = (light <= np.int32(at).view(np.float32)).view(np.uint8)
        below = cv2.reduce(under, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S)[:, 0]
        low, high = (low, at) if below @ share_of_row >= 0.5 else (at, high)
    return np.int32(high).view(np.float32)
