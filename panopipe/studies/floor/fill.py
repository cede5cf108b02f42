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
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.butts import with_butts
from panopipe.studies.floor.draw_joints import with_joints
from panopipe.studies.floor.edge import Edge
from panopipe.studies.floor.features import LEVEL_SHARE, compared_by, scales_of
from panopipe.studies.floor.grain import with_grain
from panopipe.studies.floor.join import joined
from panopipe.studies.floor.joints import joints_in
from panopipe.studies.floor.labels import label_hole
from panopipe.studies.floor.logs import from_log, offset_for, to_log
from panopipe.studies.floor.pattern_shade import patternless_shade
from panopipe.studies.floor.scene import Scene, Sides, lessened, shrunk
from panopipe.studies.floor.select import chosen_shifts, refined, unexplained
from panopipe.studies.floor.shade import continued_shade
from panopipe.studies.floor.shifts import best_shifts, likeness
from panopipe.studies.floor.straighten import bent_back, straightened

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_COARSE_RADIUS_PX = 32
"""Radius of the hole on the grid on which shifts and labels are chosen."""
_COARSE_STRIP_PX = 20
"""The same of a long strip, by the radius of a round hole that is judged as it is."""
_SHADE_SHARE = 0.4
"""Breadth of what counts as light and shade, in radii of the hole."""
_MOST_MENDED = 0.15
"""Strongest mending of levels, in log light, where two kinds of floor meet."""
_RANDOM, _MOST_MENDED_RANDOM = 0.55, 0.02
"""Agreement below which a floor is chips, stones or pile, and the strongest mending there: each seam cuts
stones of all tones, and mending them would leave blotches broader than any stone."""
_ODD_PRICE, _ODD_FROM = 3.0, 0.3
"""Price of copying a pixel whose surroundings are unlike the floor at the rim, and where it begins."""
_SHADE_SHARE_AT_EDGE = 0.8
"""The same where two kinds of floor meet: their patterns near the edge are no shade."""
_STRIP_REACH = 3.5
"""Radius of a round hole that is judged as a strip is, in half breadths."""
_STRIP, _STRIP_PX, _LOOSE_PX = 0.05, 2.0, 1.2
"""How near to an edge floor is copied along it only, in radii of the hole and at least in pixels; and by how
many pixels it may be moved aside in that."""
_LEAST_SPREAD = 0.01
"""Least rms of a floor's detail, in log light, that is taken for its pattern."""
_LEAST_LEFT = 40
"""Pixels outside an arc that are worth a fill of their own."""
_LEAST_SIDE = 0.05
"""Share of the view that must show a kind of floor to tell how it repeats."""
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
    edge : bool
        Whether two kinds of floor were told apart.
    """

    picture: Picture
    ring_agreement: float
    strange: float
    edge: bool = False


def fill_floor(
    light: Picture,
    known: Mask,
    hole: Mask,
    *,
    unlike: Picture | None = None,
    edge: Edge | None = None,
    half_px: float | None = None,
    shown: Mask | None = None,
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
    edge : Edge, optional
        Where two kinds of floor meet in the hole: each side is filled from its own kind, and what lies at
        the edge from further along it.
    half_px : float, optional
        Half the breadth of a hole that is a long strip: what fits it is judged that near to it.
    shown : ndarray of shape (n, n), dtype bool, optional
        Where the view shows floor, if in shade: of the hole, what lies beside the foot itself.

    Returns
    -------
    Filled or None
        None where too little floor is known to copy from.
    """
    if edge is None or edge.bend == 0:
        return _filled(light, known, hole, unlike, edge, half_px, shown)
    return _filled_at_arc(light, known, hole, unlike, edge)


def _filled_at_arc(
    light: Picture, known: Mask, hole: Mask, unlike: Picture | None, edge: Edge
) -> Filled | None:
    """Fill the inside of an arc and its edge where they run straight, then what lies outside as it is."""
    drawn, seen, hidden, line = straightened(light, known, hole, edge)
    along = _filled(drawn, seen, hidden, None, line)
    if along is None:
        return None
    radius = math.sqrt(hole.sum() / math.pi)
    distance, (low, high) = edge.distances(hole.shape), _strip_px(edge, radius)
    inside = hole & ((distance > low) if edge.bend > 0 else (distance < high))
    if not inside.any():
        return _filled(light, known, hole, unlike, edge)
    picture = light.copy()
    picture[inside] = bent_back(along.picture, inside, edge)
    rest = hole & ~inside
    if rest.sum() < _LEAST_LEFT:
        return Filled(picture, along.ring_agreement, along.strange, edge=True)
    return _filled(picture, known & ~hole, rest, unlike, edge)


def _filled(
    light: Picture,
    known: Mask,
    hole: Mask,
    unlike: Picture | None,
    edge: Edge | None,
    half_px: float | None = None,
    shown: Mask | None = None,
) -> Filled | None:
    """Fill a hole from one or two kinds of floor, whose edge is straight where it is copied along."""
    known = known & ~hole
    radius = broad = math.sqrt(hole.sum() / math.pi)
    coarse_px = _COARSE_RADIUS_PX
    if half_px is not None:
        radius, coarse_px = _STRIP_REACH * half_px, _COARSE_STRIP_PX
    sides = _sides(edge, hole.shape, radius)
    level_share = LEVEL_SHARE
    offset = offset_for(light, known)
    detail = to_log(light, offset)
    factor = max(1, round(radius / coarse_px))
    if half_px is None:
        shade = _shade(detail, known, sides, radius, factor)
    else:
        shade = continued_shade(detail, known, _SHADE_SHARE * broad)
    detail -= shade
    seen = None if shown is None else detail.copy()
    # Nothing of the foot may leak into what is compared.
    detail[hole] = 0
    plain = shrunk(detail, factor)
    scene = Scene(detail, known, hole, sides)
    judged = scene if sides is None else replace(scene, detail=_evened(scene, sides))
    small = _coarse(judged, factor, level_share)
    pool = _candidates(small, radius / factor, edge)
    odd = _dear(unlike, small, factor)
    if not len(pool):
        return None
    apart = None if small.sides is None else small.sides.distance
    joints = joints_in(plain.mean(-1), small.known, small.hole, radius / factor, apart)
    coarse, general = chosen_shifts(small, pool, odd, joints, radius / factor, count=_KEPT)
    strange = unexplained(Scene(plain, ~small.hole, small.hole), coarse, radius / factor)
    shifts = refined(judged, coarse * factor, factor, radius)
    blocks, labels = label_hole(
        judged, shifts, general, odd, joints, factor=factor, radius=radius, level_share=level_share
    )
    random = 1 - float(general.min()) < _RANDOM
    most = _MOST_MENDED_RANDOM if random else _MOST_MENDED if sides else math.inf
    box = scene.box(round(0.3 * radius))
    detail[box] = joined(scene, shifts, blocks, labels, box, most=most)
    detail = with_joints(scene, detail, joints.courses, factor, radius)
    if seen is not None and shown is not None:
        detail = with_butts(scene, detail, seen, shown, joints.courses, factor)
    filled = with_grain(detail[box], hole[box])
    picture = light.copy()
    inside = hole[box]
    picture[box][inside] = from_log((filled + shade[box])[inside], offset)
    return Filled(picture, float(1 - general.min()), strange, sides is not None)


def _sides(edge: Edge | None, shape: tuple[int, ...], radius: float) -> Sides | None:
    """The two sides of an edge, at full size."""
    if edge is None:
        return None
    return Sides(edge.distances(shape).astype(np.float32), _strip_px(edge, radius), _LOOSE_PX)


def _strip_px(edge: Edge, radius: float) -> tuple[float, float]:
    """From which to which distance floor is copied along an edge only: its hem at least."""
    least = max(_STRIP_PX, _STRIP * radius)
    return min(-least, edge.hem_px[0]), max(least, edge.hem_px[1])


def _shade(logs: Picture, known: Mask, sides: Sides | None, radius: float, factor: int) -> Picture:
    """Light and shade; what parts two kinds of floor is none, and stays in the detail."""
    if sides is None:
        return patternless_shade(logs, known, radius, factor, _SHADE_SHARE * radius)
    shade = np.zeros_like(logs)
    for side in (sides.distance <= 0, sides.distance > 0):
        own = continued_shade(logs, known & side, _SHADE_SHARE_AT_EDGE * radius)
        mean = np.array(cv2.mean(own, (known & side).view(np.uint8))[:3], np.float32)
        cv2.copyTo(own - mean, side.view(np.uint8), shade)
    return shade


def _evened(scene: Scene, sides: Sides) -> Picture:
    """Detail of two kinds of floor about the mean of each and more alike in strength: each has joints."""
    evened = np.zeros_like(scene.detail)
    for side in (sides.distance > 0, sides.distance <= 0):
        seen = (scene.known & side).view(np.uint8)
        mean, spread = (
            np.ravel(moment).astype(np.float32) for moment in cv2.meanStdDev(scene.detail, mask=seen)
        )
        strength = max(float(np.sqrt(np.square(spread).mean())), _LEAST_SPREAD)
        cv2.copyTo((scene.detail - mean) / np.float32(math.sqrt(strength)), seen, evened)
    return evened


def _coarse(scene: Scene, factor: int, level_share: float) -> Scene:
    """What is compared, on the coarse grid: levels and slopes, where both are sure."""
    detail = lessened(scene.detail, factor)
    known = shrunk(scene.known.astype(np.float32), factor) > 0.99
    features = compared_by(detail, scales_of(detail, known, level_share=level_share))
    # A slope needs the next pixel too, and a softened one two more.
    near = np.ones((3, 3), np.uint8) if factor > 1 else np.ones((5, 5), np.uint8)
    sure = cv2.erode(known.astype(np.uint8), near).astype(bool)
    sides = None if scene.sides is None else scene.sides.shrunk(factor)
    return Scene(features, sure, shrunk(scene.hole.astype(np.float32), factor) > 0.01, sides)


def _candidates(small: Scene, radius: float, edge: Edge | None) -> NDArray[np.int64]:
    """Shifts under which the floor looks like itself; each side by itself, and along an edge."""
    reach, shortest = min(small.known.shape) // 2, _SHORTEST * radius
    if edge is None or small.sides is None:
        return best_shifts(likeness(small.detail, small.known, reach), shortest=shortest, count=_POOL)
    pools = [] if edge.bend else [_along(edge, radius)]
    for side in (small.sides.distance > 1, small.sides.distance < -1):
        known = small.known & side
        if known.mean() > _LEAST_SIDE:
            unlike = likeness(small.detail, known, reach)
            pools.append(best_shifts(unlike, shortest=shortest, count=_POOL // 2))
    return np.concatenate(pools) if pools else np.zeros((0, 2), np.int64)


def _dear(unlike: Picture | None, small: Scene, factor: int) -> Picture:
    """Price of copying each pixel of the coarse grid."""
    if unlike is None:
        return np.zeros(small.known.shape, np.float32)
    costly: Picture = _ODD_PRICE * np.square(np.maximum(shrunk(unlike, factor) - _ODD_FROM, 0))
    return costly


def _along(edge: Edge, radius: float) -> NDArray[np.int64]:
    """Shifts along an edge, (down, across), out to what carries its known parts through the hole."""
    far = np.linspace(_SHORTEST, 2.4, 25) * radius
    far = np.concatenate([far, -far])
    return np.round(np.stack([far * math.cos(edge.angle), -far * math.sin(edge.angle)], -1)).astype(np.int64)
