"""What a filled floor still shows that no floor does: looked for after filling, as a viewer would.

A patch of floor in or beside the hole that has no like anywhere around is a flaw: a piece of the foot, a
joint broken off, a torn pattern. So is a joint that the floor around carries through the hole and the hole
does not show, a straight thin shadow that ends at the hole, and a spot smoother or darker than any around.
Each is measured against the same measure of the floor around, which holds no flaw.

References
----------
.. [1] A. A. Efros, T. K. Leung, Texture synthesis by non-parametric sampling, ICCV 1999 (floor is what has
   its like elsewhere).
.. [2] M. M. Breunig et al., LOF: identifying density-based local outliers, SIGMOD 2000 (how far off is judged
   by how far off the likes themselves are).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.broken import broken_joint
from panopipe.studies.floor.edge import Edge
from panopipe.studies.floor.logs import offset_for, to_log
from panopipe.studies.floor.scene import distance_from, lessened, shrunk, within

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

BARS = {"pattern": 1.7, "joint": 0.35, "dark spot": 1.7, "line": 1.95, "blur": 1.05}
"""Excess from which a kind of flaw is one (of a joint, the gap in it in radii of the hole), weighed by
`python -m tests.benchmarks.flaws`: of whole floors and good fills one in twenty shows so much of any."""
_GRID_RADIUS_PX, _FINER_RADIUS_PX = 20, 32
"""Radius of the hole on the grids on which patches are compared and joints followed."""
_PATCH, _PARTS = 7, 16
"""Side of a patch on that grid, and principal parts by which patches are compared."""
_LEVEL = 0.4
"""Weight of a patch's mean against its detail."""
_BROAD, _NEAR, _QUIET = 0.25, 0.6, 0.3
"""Breadth of light and shade that count for nothing in a patch, and of the surroundings by whose contrast its
own is judged, in radii of the hole; and the least such contrast, in medians."""
_BESIDE, _CLEAR = 0.35, 0.15
"""How far from the hole flaws are looked for, in its radii; and how far from there lies the floor that serves
as the measure."""
_SAMPLES, _USUAL_PERCENT = 700, 97
"""Patches of floor around by which is told what is usual, and how unlike their likes they are at worst."""
_APART = (0.9, 1.4)
"""Distances to which a patch's surroundings are held to be covered too, beside its own breadth, in radii of
the hole: floor amid it has its likes as far off."""
_AT_ONCE, _NONE = 64, 1e30
"""Patches compared at once, and the distance to what is no floor."""
_FEWEST = 100
_SPOT = 1.0
"""Standard deviation of the window over which unlike patches are averaged, on the grid."""
_SPOT_INSIDE, _SPOT_AROUND, _FAINT = 0.13, 0.45, 0.012
"""Breadth of a dark spot and of what it is compared with, in radii; and a loss of light that nobody sees."""
_STREAKS, _STREAK_LONG, _STREAK_WIDE, _STREAK_ASIDE = 12, 0.175, 0.06, 0.175
"""Directions of streaks; their length, width, and what they are compared with, as deviations in radii."""
_STREAK_BAR, _STREAK_USUAL = 2.2, 99.5
"""Excess from which a streak is a flaw; the percentile of the floor's own in the same direction, which is the
measure: joints run in some directions only."""
_DIRECTIONS, _ALONG, _ASIDE, _WIDTH, _FAINT_LINE = 120, 40, 21, 0.1, 0.006
"""Directions in which a shadow is looked for, places along it, lines beside it to compare with, its width in
radii, and a loss of light along it that nobody sees."""
_LINE_SHARE = 0.6
"""Share of a line's places that must be darker than the floor on both sides."""
_BENT = 3
"""Directions by which a joint that passes the middle at a distance seems to be bent there."""
_AT_EDGE = 1.35
"""By how much more a pattern or a line must stand out where two floors meet."""
_EDGE_DEG, _ARC, _EDGE_ROOM = 12.0, 1.2, 0.35
"""How near to the direction of an edge of two floors no shadow is looked for: hems run there; how far along
an arc, in radii, its ends are looked at; and room beside a hem in which no spot counts, in radii."""
_LUMA = np.array((0.3, 0.6, 0.1), np.float32)


@dataclass(frozen=True, slots=True)
class Flaw:
    """The gravest flaw of a filled floor.

    Attributes
    ----------
    kind : str
        "pattern", "joint", "dark spot", "line" or "blur".
    size : float
        Excess over what the floor around shows, over its bar: a flaw from 1 on.
    row, column : float
        Where it lies in the view.
    beside : bool
        Whether it lies at the rim or beside the hole, not in it.
    """

    kind: str
    size: float
    row: float
    column: float
    beside: bool


def gravest_flaw(light: Picture, hole: Mask, edge: Edge | None) -> Flaw:
    """Look at a filled floor.

    Parameters
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Straight-down view after filling, linear light.
    hole : ndarray of shape (n, n), dtype bool
        What was filled.
    edge : Edge or None
        Where two kinds of floor meet in the hole, by what is seen around it.
    """
    by_kind = flaws(light, hole, edge)
    kind = max(by_kind, key=lambda name: by_kind[name][0] / BARS[name])
    size, row, column = by_kind[kind]
    depth = distance_from(~hole)
    at = min(int(row), hole.shape[0] - 1), min(int(column), hole.shape[1] - 1)
    rim = 0.1 * math.sqrt(hole.sum() / math.pi)
    return Flaw(kind, size / BARS[kind], row, column, bool(depth[at] < rim))


def flaws(light: Picture, hole: Mask, edge: Edge | None) -> dict[str, tuple[float, float, float]]:
    """Excess of each kind of flaw over what the floor around shows, and its row and column in the view."""
    radius = math.sqrt(hole.sum() / math.pi)
    factor = max(1, round(radius / _GRID_RADIUS_PX))
    offset = offset_for(light)
    logs = to_log(np.maximum(shrunk(light, factor), 0), offset)
    taken = shrunk(hole.astype(np.float32), factor) > 0
    unit = radius / factor
    zone, around = within(taken, _BESIDE * unit), ~within(taken, (_BESIDE + _CLEAR) * unit)
    luma = logs @ _LUMA
    pattern, line = (
        _unlike(_structure(logs, unit), zone, around, unit),
        _line(luma, taken, unit, edge, radius),
    )
    if edge is not None:
        # Hems run along an edge, and joints end at it.
        zone = zone & ~_at_hem(edge, zone.shape, factor, radius)
        pattern, line = _lessened(pattern), _lessened(line)
    by_kind = {
        "pattern": pattern,
        "dark spot": _spot(luma, zone, around, unit),
        "line": line,
        "blur": _blur(light, hole, factor, offset),
    }
    found = {name: _at_full_size(each, factor) for name, each in by_kind.items()}
    finer = max(1, round(radius / _FINER_RADIUS_PX))
    found["joint"] = _at_full_size(_joint(light, hole, edge, radius, finer, offset), finer)
    return found


def _at_full_size(flaw: tuple[float, float, float], factor: int) -> tuple[float, float, float]:
    size, row, column = flaw
    return size, (row + 0.5) * factor, (column + 0.5) * factor


def _joint(
    light: Picture, hole: Mask, edge: Edge | None, radius: float, factor: int, offset: float
) -> tuple[float, float, float]:
    """The longest gap in a joint that the floor around carries through the hole."""
    if edge is not None and edge.bend:
        # What runs along an arc is bent, and a pattern's rows may be taken for one.
        return 0.0, 0.0, 0.0
    luma = to_log(lessened(light, factor), offset).mean(-1)
    luma -= cv2.GaussianBlur(luma, (0, 0), _NEAR * radius / factor)
    taken = shrunk(hole.astype(np.float32), factor) > 0
    distance = None if edge is None else edge.distances(taken.shape, factor) / factor
    return broken_joint(luma, taken, radius / factor, distance)


def _structure(logs: Picture, unit: float) -> Picture:
    """Joints and patterns alone: without light and shade, and as strong in a quiet place as in a loud one."""
    fine = logs - cv2.GaussianBlur(logs, (0, 0), _BROAD * unit)
    loud = np.sqrt(cv2.GaussianBlur(np.square(fine).sum(-1), (0, 0), _NEAR * unit))
    fine /= (loud + _QUIET * float(np.median(loud)) + 1e-6)[..., None]
    return np.asarray(fine, np.float32)


def _unlike(structure: Picture, zone: Mask, around: Mask, unit: float) -> tuple[float, float, float]:
    """How much less alike the floor around the worst patch is than floor so far from its likes is to them."""
    half = _PATCH // 2
    inner = np.s_[half : zone.shape[0] - half, half : zone.shape[1] - half]
    chequer = np.indices(zone.shape).sum(0) % 2 == 0
    asked = np.argwhere((zone & chequer)[inner])
    clear = cv2.erode(around.astype(np.uint8), np.ones((_PATCH, _PATCH), np.uint8))[inner] > 0
    shown = np.argwhere(clear)
    if len(shown) < _FEWEST or not len(asked):
        return 0.0, 0.0, 0.0
    parts = _parts(structure, shown)
    apart = [_PATCH, *(math.ceil(share * unit) for share in _APART)]
    samples = shown[:: max(1, len(shown) // _SAMPLES)]
    usual = _usual(_nearest(parts, clear, samples, apart))
    far = _nearest(parts, clear, asked, [0])[0]
    # A patch amid the hole has its likes further off than one at the rim.
    depth = distance_from(~zone)
    off = depth[inner][asked[:, 0], asked[:, 1]] + _CLEAR * unit + half
    unlike, weight = np.zeros((2, *zone.shape), np.float32)
    unlike[inner][asked[:, 0], asked[:, 1]] = far / np.interp(off, apart, usual)
    weight[inner][asked[:, 0], asked[:, 1]] = 1
    spread = np.maximum(cv2.GaussianBlur(weight, (0, 0), _SPOT), 0.15)
    return _worst(cv2.GaussianBlur(unlike, (0, 0), _SPOT) / spread)


def _usual(distances: Float) -> list[float]:
    """How far off the likes of floor are, by how much around it is covered; where that is all, as before."""
    usual = [_NONE]
    for own in distances:
        some = own[own < math.sqrt(_NONE) / 2]
        usual.append(float(np.percentile(some, _USUAL_PERCENT)) if some.size >= _FEWEST else usual[-1])
    return usual[1:]


def _parts(structure: Picture, shown: Whole) -> Picture:
    """What tells patches apart, of all of them, by those shown: shape (rows, columns, parts)."""
    windows = np.lib.stride_tricks.sliding_window_view(structure, (_PATCH, _PATCH), axis=(0, 1))
    some = shown[:: max(1, len(shown) // _SAMPLES)]
    basis = _principal(_described(windows[some[:, 0], some[:, 1]]))
    rows = [_described(row) @ basis for row in windows]
    return np.asarray(rows, np.float32)


def _described(patches: Picture) -> Picture:
    """Patches of shape (n, channels, side, side) as rows: their detail, and their mean at a lower weight."""
    mean = patches.mean((2, 3), keepdims=True)
    return np.asarray((patches - (1 - _LEVEL) * mean).reshape(len(patches), -1), np.float32)


def _worst(excess: Picture | Float) -> tuple[float, float, float]:
    row, column = np.unravel_index(int(excess.argmax()), excess.shape)
    return float(excess[row, column]), float(row), float(column)


def _principal(patches: Picture) -> Picture:
    """The directions in which patches differ most, as columns."""
    centred = patches - patches.mean(0)
    _, vectors = np.linalg.eigh(centred.T @ centred)
    return np.asarray(vectors[:, -_PARTS:], np.float32)


def _nearest(parts: Picture, clear: Mask, places: Whole, apart: Sequence[int]) -> Float:
    """Distance of the patches at some places to the most alike one that is clear and lies so far apart.

    Shape (distances apart, places); the distances apart grow.
    """
    flat = parts.reshape(-1, parts.shape[-1])
    square = np.where(clear.ravel(), np.square(flat).sum(1), np.float32(_NONE))
    least = np.empty((len(apart), len(places)), np.float64)
    for first in range(0, len(places), _AT_ONCE):
        some = np.s_[first : first + _AT_ONCE]
        own = parts[places[some, 0], places[some, 1]]
        off = own @ (-2 * flat.T)
        off += square
        for number, reach in enumerate(apart):
            for one, (row, column) in zip(off.reshape(-1, *clear.shape), places[some], strict=True):
                one[_about(row, reach), _about(column, reach)] = _NONE
            least[number, some] = off.min(1) + np.square(own).sum(1)
    return np.sqrt(np.maximum(least, 1e-12))


def _about(place: int, reach: int) -> slice:
    return slice(max(0, place - reach + 1), place + reach)


def _dark(luma: Picture, zone: Mask, around: Mask, unit: float) -> tuple[float, float, float]:
    """How much darker than its surroundings the darkest spot is, over the darkest such spots around."""
    inside, wider = (cv2.GaussianBlur(luma, (0, 0), share * unit) for share in (_SPOT_INSIDE, _SPOT_AROUND))
    loss = wider - inside
    usual = max(float(np.percentile(loss[around], 99)), _FAINT) if around.any() else 1.0
    return _worst(np.where(zone, loss, 0) / np.float32(usual))


def _lessened(excess: tuple[float, float, float]) -> tuple[float, float, float]:
    return (excess[0] / _AT_EDGE, *excess[1:])


def _spot(luma: Picture, zone: Mask, around: Mask, unit: float) -> tuple[float, float, float]:
    """The worse of the darkest spot and the darkest streak, as a spot."""
    spot, streak = _dark(luma, zone, around, unit), _streak(luma, zone, around, unit)
    as_spot = (streak[0] / _STREAK_BAR * BARS["dark spot"], *streak[1:])
    return max(spot, as_spot)


def _at_hem(edge: Edge, shape: tuple[int, ...], factor: int, radius: float) -> Mask:
    """Blocks of pixels at the edge of two floors, where stripes run along it."""
    distance = edge.distances(shape, factor)
    room = _EDGE_ROOM * radius
    return np.asarray((distance > edge.hem_px[0] - room) & (distance < edge.hem_px[1] + room), np.bool_)


def _streak(luma: Picture, zone: Mask, around: Mask, unit: float) -> tuple[float, float, float]:
    """How much darker than on either side of it the darkest short streak is, over those around of its way."""
    clear = cv2.erode(around.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    worst = (0.0, 0.0, 0.0)
    if not clear.any():
        return worst
    for angle in np.arange(_STREAKS) * (math.pi / _STREAKS):
        loss = cv2.filter2D(luma, -1, _streak_kernel(float(angle), unit), borderType=cv2.BORDER_REFLECT)
        usual = max(float(np.percentile(loss[clear], _STREAK_USUAL)), _FAINT)
        worst = max(worst, _worst(np.where(zone, loss, 0) / np.float32(usual)))
    return worst


def _streak_kernel(angle: float, unit: float) -> Picture:
    """The mean beside a streak less that on it."""
    half = math.ceil(2.5 * _STREAK_LONG * unit)
    y, x = np.indices((2 * half + 1, 2 * half + 1), np.float64) - half
    along, aside = (
        (np.cos(angle) * x + np.sin(angle) * y) / unit,
        (np.cos(angle) * y - np.sin(angle) * x) / unit,
    )
    long = np.exp(-np.square(along / _STREAK_LONG) / 2)
    inner, outer = (long * np.exp(-np.square(aside / width) / 2) for width in (_STREAK_WIDE, _STREAK_ASIDE))
    return np.asarray(outer / outer.sum() - inner / inner.sum(), np.float32)


def _line(
    luma: Picture, taken: Mask, unit: float, edge: Edge | None, radius: float
) -> tuple[float, float, float]:
    """How much darker than on either side of it a straight line out of the hole is, over others beside it."""
    at = np.argwhere(taken)
    middle = np.asarray((at.min(0) + at.max(0)) / 2, np.float64)
    angle = np.linspace(0, 2 * math.pi, _DIRECTIONS, endpoint=False, dtype=np.float64)
    excess = np.min([_beyond_usual(loss) for loss in _losses(luma, middle, angle, unit)], axis=0)
    if edge is not None:
        excess[_along_edge(edge, angle, radius)] = 0
    worst = int(excess.argmax())
    far = 1.5 * unit
    return (
        float(excess[worst]),
        float(middle[0] + math.sin(angle[worst]) * far),
        float(middle[1] + math.cos(angle[worst]) * far),
    )


def _beyond_usual(loss: Float) -> Float:
    """How much more the line through the middle loses in each direction than those beside it."""
    others = np.delete(loss, _ASIDE // 2, axis=1)
    usual = np.maximum(others.max(1), max(_FAINT_LINE, float(np.percentile(others, 99))))
    own = loss[:, _ASIDE // 2]
    # A joint goes on beyond the hole, a shadow ends at the foot.
    behind = np.max([np.roll(own, _DIRECTIONS // 2 + by) for by in range(-_BENT, _BENT + 1)], axis=0)
    return np.asarray(own / np.maximum(usual, behind), np.float64)


def _along_edge(edge: Edge, angle: Float, radius: float) -> Mask:
    """Directions out of the hole in which hems run: of a straight edge, or of the two ends of an arc."""
    lean = math.degrees(_ARC * abs(edge.bend) * radius)
    off = np.abs(np.degrees(angle - edge.angle) % 180 - 90)
    return np.asarray(off < _EDGE_DEG + lean, np.bool_)


def _losses(luma: Picture, middle: Float, angle: Float, unit: float) -> tuple[Float, Float]:
    """Log light lost along lines in some directions, through the middle (the middle one) and beside it.

    Against the side that is darker in the middle of the way: an edge is darker than one side only, and no
    shadow. And against both sides at most places: between a joint and a mat it is some places.
    """
    along = np.linspace(1.05, 2.4, _ALONG) * unit
    width = _WIDTH * unit
    beside = np.arange(-(_ASIDE // 2), _ASIDE // 2 + 1) * width
    beside += np.sign(beside) * 2 * width
    offsets = (beside[:, None] + np.array((-width, 0, width))).ravel()
    cosine, sine = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
    rows = middle[0] + sine * along + cosine * offsets[:, None]
    columns = middle[1] + cosine * along - sine * offsets[:, None]
    shape = (len(angle) * len(offsets), len(along))
    seen = cv2.remap(
        cv2.GaussianBlur(luma, (0, 0), 0.04 * unit + 0.4),
        columns.reshape(shape).astype(np.float32),
        rows.reshape(shape).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(len(angle), _ASIDE, 3, len(along))
    left, right = seen[:, :, 0] - seen[:, :, 1], seen[:, :, 2] - seen[:, :, 1]
    side = np.minimum(np.median(left, axis=-1), np.median(right, axis=-1))
    at = round((1 - _LINE_SHARE) * _ALONG)
    both = np.partition(np.minimum(left, right), at, axis=-1)[..., at]
    return np.asarray(side, np.float64), np.asarray(both, np.float64)


def _blur(light: Picture, hole: Mask, factor: int, offset: float) -> tuple[float, float, float]:
    """How much less fine detail the smoothest spot in the hole has than the smoothest around."""
    step = max(2, 4 * factor)
    grey = to_log(cv2.transform(light, np.full((1, 3), 1 / 3, np.float32)), offset)
    fine = np.square(grey - cv2.GaussianBlur(grey, (0, 0), 1.5))
    energy = np.sqrt(cv2.GaussianBlur(shrunk(fine, step), (0, 0), 0.7)) + np.float32(1e-4)
    inside = shrunk(hole.astype(np.float32), step) > 0.999
    outside = shrunk((~within(hole, 2 * step)).astype(np.float32), step) > 0.999
    if not inside.any() or not outside.any():
        return 0.0, 0.0, 0.0
    usual = np.float32(np.percentile(energy[outside], 2))
    size, row, column = _worst(np.where(inside, usual / energy, 0))
    return size, row * step / factor, column * step / factor
