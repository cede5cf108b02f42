"""Rebuild the floor inside a hole of a straight-down view, from the floor around it.

Light and shade are taken off first; the floor is then continued by its own shifts (periods of planks and
tiles, or whatever repeats best), each pixel by the shift that fits the rim and its neighbours; the pieces
are joined in the gradient domain and the shade is put back.

References
----------
.. [1] K. He, J. Sun, Statistics of patch offsets for image completion, ECCV 2012.
.. [2] Y. Pritch, E. Kav-Venaki, S. Peleg, Shift-map image editing, ICCV 2009.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.floor.features import compared_by, scales_of
from panopipe.floor.grain import WRITTEN_SHARE, with_grain
from panopipe.floor.join import joined
from panopipe.floor.labels import label_hole
from panopipe.floor.logs import from_log, offset_for, to_log
from panopipe.floor.scene import Scene, shrunk
from panopipe.floor.select import chosen_shifts, refined
from panopipe.floor.shade import broad_shade
from panopipe.floor.shifts import best_shifts, likeness

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_COARSE_RADIUS_PX = 40
"""Radius of the hole on the grid on which shifts and labels are chosen."""
_SHADE_SHARE = 0.4
"""Breadth of what counts as light and shade, in radii of the hole."""
_POOL = 120
_KEPT = 20
_SHORTEST = 0.6
"""Shortest shift, in radii of the hole: shorter ones reach only its rim."""


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """A rebuilt floor.

    Attributes
    ----------
    picture : ndarray of shape (n, n, 3), dtype float32
        The view with the hole filled, linear light.
    ring_agreement : float
        How well the best shift explains the known floor around the hole: 1 when it repeats it exactly,
        0 when it does no better than unrelated floor.
    """

    picture: Picture
    ring_agreement: float


def fill_floor(light: Picture, known: Mask, hole: Mask) -> Filled:
    """Fill a hole with floor.

    Parameters
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Straight-down view, linear light.
    known : ndarray of shape (n, n), dtype bool
        Where the view shows floor that may be copied.
    hole : ndarray of shape (n, n), dtype bool
        What to fill; must not touch the border.
    """
    known = known & ~hole
    radius = math.sqrt(hole.sum() / math.pi)
    offset = offset_for(light[known])
    logs = to_log(light, offset)
    shade = broad_shade(logs, known, _SHADE_SHARE * radius)
    scene = Scene(logs - shade, known, hole)
    factor = max(1, round(radius / _COARSE_RADIUS_PX))
    small = Scene(
        shrunk(scene.detail, factor),
        shrunk(known.astype(np.float32), factor) > 0.99,
        shrunk(hole.astype(np.float32), factor) > 0.01,
    )
    features = compared_by(small.detail, scales_of(small.detail, small.known))
    # A slope needs the next pixel too.
    sure = cv2.erode(small.known.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    small = Scene(features, sure, small.hole)
    found = likeness(small.detail, small.known, min(small.known.shape) // 2)
    pool = best_shifts(found, shortest=_SHORTEST * radius / factor, count=_POOL)
    coarse, general = chosen_shifts(small, pool, radius / factor, count=_KEPT)
    shifts = refined(scene, coarse * factor, factor, radius)
    box, labels = label_hole(scene, shifts, general, factor=factor, radius=radius)
    detail = joined(scene, shifts, box, labels)
    box = scene.box(round(0.3 * radius))
    detail = with_grain(detail, scene.detail, hole, box, written=WRITTEN_SHARE)
    picture = light.copy()
    inside = hole[box]
    picture[box][inside] = from_log((detail[box] + shade[box])[inside], offset)
    return Filled(picture, float(1 - general.min()))
