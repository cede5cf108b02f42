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

from panopipe.studies.floor.features import EDGE_LEVEL_SHARE, LEVEL_SHARE, compared_by, scales_of
from panopipe.studies.floor.grain import with_grain
from panopipe.studies.floor.join import joined
from panopipe.studies.floor.labels import label_hole
from panopipe.studies.floor.logs import from_log, offset_for, to_log
from panopipe.studies.floor.scene import Scene, lessened, shrunk
from panopipe.studies.floor.select import chosen_shifts, fit, refined, unexplained
from panopipe.studies.floor.shade import continued_shade
from panopipe.studies.floor.shifts import best_shifts, likeness

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_COARSE_RADIUS_PX = 32
"""Radius of the hole on the grid on which shifts and labels are chosen."""
_SHADE_SHARE = 0.4
"""Breadth of what counts as light and shade, in radii of the hole."""
_MOST_MENDED = 0.25
"""Strongest mending of levels, in log light, where two kinds of floor meet."""
_RANDOM, _MOST_MENDED_RANDOM = 0.55, 0.02
"""Agreement below which a floor is chips, stones or pile, and the strongest mending there: each seam cuts
stones of all tones, and mending them would leave blotches broader than any stone."""
_ODD_PRICE, _ODD_FROM = 3.0, 0.3
"""Price of copying a pixel whose surroundings are unlike the floor at the rim, and where it begins."""
_POOL = 120
_KEPT = 18
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
    strange : float
        Relative contrast of broad forms around the hole that show nowhere else.
    """

    picture: Picture
    ring_agreement: float
    strange: float


def fill_floor(
    light: Picture,
    known: Mask,
    hole: Mask,
    *,
    unlike: Picture | None = None,
    edge_deg: float | None = None,
) -> Filled | None:
    """Fill a hole with floor.

    Parameters
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Straight-down view, linear light.
    known : ndarray of shape (n, n), dtype bool
        Where the view shows floor that may be copied.
    hole : ndarray of shape (n, n), dtype bool
        What to fill; must not touch the border.
    unlike : ndarray of shape (n, n), dtype float32, optional
        How unlike the floor at the rim each pixel's surroundings are; such pixels are copied unwillingly.
    edge_deg : float, optional
        Where two kinds of floor meet at the hole, direction of the edge between them, from across to down:
        what parts them is no shade, and stays in the detail; and it goes on along the edge.

    Returns
    -------
    Filled or None
        None where too little floor is known to copy from.
    """
    known = known & ~hole
    edge = edge_deg is not None
    level_share = EDGE_LEVEL_SHARE if edge else LEVEL_SHARE
    radius = math.sqrt(hole.sum() / math.pi)
    offset = offset_for(light, known)
    detail = to_log(light, offset)
    factor = max(1, round(radius / _COARSE_RADIUS_PX))
    shade = continued_shade(detail, known, _SHADE_SHARE * radius)
    if edge:
        plain = shrunk(detail - shade, factor)
        shade = np.broadcast_to(cv2.mean(detail, known.view(np.uint8))[:3], detail.shape).astype(np.float32)
    detail -= shade
    # Nothing of the foot may leak into what is compared.
    detail[hole] = 0
    if not edge:
        plain = shrunk(detail, factor)
    scene = Scene(detail, known, hole)
    small = _coarse(scene, factor, level_share)
    pool = _candidates(small, radius / factor, edge_deg)
    odd = _dear(unlike, small, factor)
    if not len(pool):
        return None
    coarse, general = chosen_shifts(small, pool, odd, radius / factor, count=_KEPT)
    evened = Scene(plain, small.known, small.hole)
    judged = fit(evened, coarse, radius / factor) if edge else general
    strange = unexplained(Scene(plain, ~small.hole, small.hole), coarse, radius / factor)
    shifts = refined(scene, coarse * factor, factor, radius)
    blocks, labels = label_hole(
        scene, shifts, general, odd, factor=factor, radius=radius, level_share=level_share
    )
    random = 1 - float(judged.min()) < _RANDOM
    most = _MOST_MENDED_RANDOM if random else _MOST_MENDED if edge else math.inf
    box = scene.box(round(0.3 * radius))
    filled = with_grain(joined(scene, shifts, blocks, labels, box, most=most), hole[box])
    picture = light.copy()
    inside = hole[box]
    picture[box][inside] = from_log((filled + shade[box])[inside], offset)
    return Filled(picture, float(1 - judged.min()), strange)


def _coarse(scene: Scene, factor: int, level_share: float) -> Scene:
    """What is compared, on the coarse grid: levels and slopes, where both are sure."""
    detail = lessened(scene.detail, factor)
    known = shrunk(scene.known.astype(np.float32), factor) > 0.99
    features = compared_by(detail, scales_of(detail, known, level_share=level_share))
    # A slope needs the next pixel too, and a softened one two more.
    near = np.ones((3, 3), np.uint8) if factor > 1 else np.ones((5, 5), np.uint8)
    sure = cv2.erode(known.astype(np.uint8), near).astype(bool)
    return Scene(features, sure, shrunk(scene.hole.astype(np.float32), factor) > 0.01)


def _candidates(small: Scene, radius: float, edge_deg: float | None) -> NDArray[np.int64]:
    """Shifts under which the floor looks like itself, and those along an edge."""
    found = likeness(small.detail, small.known, min(small.known.shape) // 2)
    pool = best_shifts(found, shortest=_SHORTEST * radius, count=_POOL)
    return pool if edge_deg is None else np.concatenate([_along(edge_deg, radius), pool])


def _dear(unlike: Picture | None, small: Scene, factor: int) -> Picture:
    """Price of copying each pixel of the coarse grid."""
    if unlike is None:
        return np.zeros(small.known.shape, np.float32)
    costly: Picture = _ODD_PRICE * np.square(np.maximum(shrunk(unlike, factor) - _ODD_FROM, 0))
    return costly


def _along(edge_deg: float, radius: float) -> NDArray[np.int64]:
    """Shifts along an edge, (down, across), out to what carries its known parts through the hole."""
    far = np.linspace(_SHORTEST, 2.4, 19) * radius
    far = np.concatenate([far, -far])
    angle = math.radians(edge_deg)
    return np.round(np.stack([far * math.sin(angle), far * math.cos(angle)], -1)).astype(np.int64)
