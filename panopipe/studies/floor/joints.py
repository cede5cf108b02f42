"""Joints and other thin lines that end at the rim of a hole, and where they run on in it.

A line that is cut short is the first thing that the eye finds in a rebuilt floor, and costs little where
every pixel counts alike. What reaches the rim over some length is a line; one that comes out again on the
far side runs through; another ends where it meets one of those, as the butt of a board does at the next gap.

References
----------
.. [1] J. Sun, L. Yuan, J. Jia, H.-Y. Shum, Image completion with structure propagation, ACM Transactions on
   Graphics 24(3), 2005 (structure before texture).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.scene import distance_from, within

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

_ASIDE_PX = 2.5
"""How far from a line the floor on either side is compared, in pixels of the coarse grid."""
_LENGTH, _CLEAR_PX = 0.42, 1.5
"""How far a line must be seen outside the hole, in radii, and from where on: a rim is mixed."""
_TURNS, _MOST_TURN_DEG = 29, 70.0
"""Directions in which lines may leave a place at the rim, and how far aside from straight out."""
_FINER_TURNS, _FINER_MOVES = np.radians(np.linspace(-4, 4, 9)), np.linspace(-1, 1, 5)
"""Turns and moves aside by which an end is made exact."""
_LEAST, _OF_STRONGEST, _PLAIN = 0.07, 0.1, 0.2
"""Least contrast of a line, in log light, its least share of the strongest at the rim, and the contrast from
which a break is plain to see: grain of wood is fainter."""
_DRAWN = 0.12
"""Contrast from which a line is sure enough to be drawn."""
_LASTS = 0.7
"""Share of a line's contrast that it has over a longer way, if it goes on."""
_ALIKE = 0.25
"""Difference in contrast, as a share, that does not break a line."""
_EVEN = 0.35
"""Share of its median contrast that a line has along four fifths of it."""
_SHOWN, _ASIDE = 0.35, np.arange(-1.5, 1.75, 0.5)
"""Share of its contrast from which a line shows, and how far aside of its way it may lie, in pixels."""
_SAME_DEG, _SAME_PX, _MOST = 9.0, 2.5, 32
"""How near in direction and place two lines are one, and how many are followed."""
_PAIRED_DEG, _FAR = 4.5, 0.9
"""How well two ends must agree to be those of one line; and how far out, in radii, its direction is taken."""
_TWICE = 1.8
"""How many times stronger or fainter a line may be than one at which it ends: a hem's stripe ends nothing."""
_CROSSING_DEG = 25.0
"""Least angle at which a line ends at one that runs through."""
_FADES = 0.3
"""Length over which a line that meets no other is less and less likely to go on, in radii."""


@dataclass(frozen=True, slots=True)
class Course:
    """A line's way through a hole.

    Attributes
    ----------
    start, end : tuple of float
        Row and column where it begins, at the rim, and ends: at the rim again, or at another line or floor.
    through : bool
        Whether it comes out again.
    contrast : float
        How much lighter (or darker) than the floor on either side it is.
    parted : float
        Length of its longest gap outside the hole, within twice its way: blocks of parquet have joints in
        line that other blocks part.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    through: bool
    contrast: float
    parted: float = 0.0

    @property
    def length(self) -> float:
        """Length of its way through the hole."""
        return math.dist(self.start, self.end)


@dataclass(frozen=True, slots=True, eq=False)
class Joints:
    """Where lines run in a hole.

    Attributes
    ----------
    rows, columns : ndarray of shape (n,), dtype float64
        Places on lines, one pixel apart.
    normals : ndarray of shape (n, 2), dtype float64
        Direction across the line, down and across.
    contrast : ndarray of shape (n,), dtype float64
        How much lighter (or darker) than the floor on either side the line is.
    worth : ndarray of shape (n,), dtype float64
        How likely the line runs there, 0 to 1.
    luma : ndarray of shape (h, w), dtype float32
        The floor.
    courses : tuple of Course
        The lines whose ways are sure, the faintest first.
    """

    rows: Float
    columns: Float
    normals: Float
    contrast: Float
    worth: Float
    luma: Picture
    courses: tuple[Course, ...] = ()

    def broken(self, shifts: Whole | Float) -> tuple[Whole, Whole, Picture]:
        """How far the floor under some shifts lacks the lines: rows, columns, and 0 to 1 for each shift.

        Parameters
        ----------
        shifts : ndarray of shape (k, 2)
            Down and across.

        Returns
        -------
        rows, columns : ndarray of shape (n,), dtype int64
        ndarray of shape (k, n), dtype float32
        """
        rows, columns = (self.rows + shifts[:, :1]), (self.columns + shifts[:, 1:])
        shown = ridge(self.luma, rows, columns, self.normals) / self.contrast
        lacks = self.worth * np.clip((np.abs(1 - shown) - _ALIKE) / (1 - _ALIKE), 0, 1)
        at = np.rint(self.rows).astype(np.int64), np.rint(self.columns).astype(np.int64)
        return *at, lacks.astype(np.float32)


def ridge(luma: Picture, rows: Float, columns: Float, normals: Float) -> Float:
    """How much lighter (above 0) or darker places are than the floor on both sides of them."""
    if not rows.size:
        return np.zeros(rows.shape)
    sides = []
    for sign in (0, -_ASIDE_PX, _ASIDE_PX):
        down, across = rows + sign * normals[..., 0], columns + sign * normals[..., 1]
        shape = down.reshape(len(down), -1).shape
        seen = cv2.remap(
            luma,
            across.reshape(shape).astype(np.float32),
            down.reshape(shape).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        sides.append(seen.reshape(down.shape).astype(np.float64))
    left, right = sides[0] - sides[1], sides[0] - sides[2]
    least = np.where(left > 0, np.minimum(left, right), np.maximum(left, right))
    return np.asarray(np.where(left * right > 0, least, 0.0), np.float64)


@dataclass(frozen=True, slots=True)
class _End:
    """A line where it meets the rim: place, direction into the hole, contrast, whether it is long."""

    row: float
    column: float
    down: float
    across: float
    contrast: float
    lasts: bool = False


def joints_in(
    luma: Picture, known: Mask, hole: Mask, radius: float, distance: Picture | Float | None
) -> Joints:
    """Carry the lines that end at the rim of a hole through it.

    Parameters
    ----------
    luma : ndarray of shape (h, w), dtype float32
        Log light of the floor without light and shade, on a coarse grid.
    known, hole : ndarray of shape (h, w), dtype bool
    radius : float
        Radius of the hole in pixels.
    distance : ndarray of shape (h, w), optional
        Signed distance to where two kinds of floor meet: lines of one do not run on in the other.
    """
    ends = _ends(luma, known, hole, radius)
    apart = np.zeros(hole.shape, np.float32) if distance is None else distance
    side = np.where(np.abs(apart) > _ASIDE_PX, np.sign(apart), 0)
    sides = [side[round(end.row), round(end.column)] for end in ends]
    partners = _partners(ends, sides)
    through = [(ends[at], ends[other]) for at, other in enumerate(partners) if other > at]
    parts, courses = [np.zeros((0, 6))], list[Course]()
    for at, (end, other) in enumerate(zip(ends, partners, strict=True)):
        if other > at:
            parts.append(_within(_between(end, ends[other]), hole))
        elif other < 0:
            parts.append(_onwards(end, through, side, radius))
        else:
            continue
        course = _course(end, ends[other] if other >= 0 else None, parts[-1], apart)
        courses += [] if course is None else [replace(course, parted=_parted(luma, hole, course))]
    points = np.concatenate(parts)
    points = points[hole[_pixels(points)]]
    worth = points[:, 5] * np.minimum(np.abs(points[:, 4]) / _PLAIN, 1) ** 2
    return Joints(
        points[:, 0],
        points[:, 1],
        points[:, 2:4],
        points[:, 4],
        worth,
        luma,
        tuple(sorted(courses, key=lambda each: abs(each.contrast))),
    )


def _course(end: _End, other: _End | None, places: Float, apart: Picture | Float) -> Course | None:
    """The way of a line that is sure: a long one, to its other end at the rim or to another floor."""
    if len(places) < 2 or not end.lasts or abs(end.contrast) < _DRAWN:
        return None
    start = end.row, end.column
    if other is not None:
        return Course(start, (other.row, other.column), True, end.contrast) if other.lasts else None
    row, column = float(places[-1, 0]), float(places[-1, 1])
    near = float(apart[round(row), round(column)])
    if places[-1, 5] < 1 or not 0 < abs(near) < 2 * _ASIDE_PX:
        return None
    # What lies beside an edge belongs to neither floor, but a joint reaches the edge.
    for _ in range(math.ceil(2 * _ASIDE_PX)):
        further = _within(np.array([[row + end.down, column + end.across]]), apart)
        if not len(further) or apart[_pixels(further)] * near <= 0:
            break
        row, column = float(further[0, 0]), float(further[0, 1])
    return Course(start, (row, column), False, end.contrast)


def _parted(luma: Picture, hole: Mask, course: Course) -> float:
    """The longest gap of a line on either side of the hole."""
    start, end = np.array(course.start), np.array(course.end)
    way = (end - start) / max(course.length, 1.0)
    sides = ((start, -way), (end, way)) if course.through else ((start, -way),)
    return max(longest_gap(luma, ~hole, *side, 2 * course.length, course.contrast)[0] for side in sides)


def longest_gap(
    luma: Picture, where: Mask, start: Float, way: Float, length: float, contrast: float
) -> tuple[float, float]:
    """The longest part of a way, within a mask, on which a line does not show, and where its middle lies."""
    along = np.arange(0.0, math.ceil(length))
    places = start + along[:, None] * way
    pixels = np.rint(places).astype(np.int64)
    inside = np.asarray(((pixels >= 0) & (pixels < luma.shape)).all(1), np.bool_)
    inside[inside] = where[tuple(pixels[inside].T)]
    normal = np.array((way[1], -way[0]))
    moved = places + _ASIDE[:, None, None] * normal
    seen = ridge(luma, moved[..., 0], moved[..., 1], np.broadcast_to(normal, moved.shape)) / contrast
    shown = np.convolve(seen.max(0), np.full(3, 1 / 3), "same")
    cuts = np.diff((inside & (shown < _SHOWN)).astype(np.int8), prepend=0, append=0)
    first, last = np.flatnonzero(cuts > 0), np.flatnonzero(cuts < 0)
    if not first.size:
        return 0.0, 0.0
    longest = int((last - first).argmax())
    return float(last[longest] - first[longest]), float(first[longest] + last[longest] - 1) / 2


def _pixels(points: Float) -> tuple[Whole, Whole]:
    return np.rint(points[:, 0]).astype(np.int64), np.rint(points[:, 1]).astype(np.int64)


def _within(points: Float, view: Picture | Float | Mask) -> Float:
    """Places inside the view."""
    row, column = _pixels(points)
    inside: Float = points[(row >= 0) & (column >= 0) & (row < view.shape[0]) & (column < view.shape[1])]
    return inside


def _ends(luma: Picture, known: Mask, hole: Mask, radius: float) -> list[_End]:
    """Lines that end at the rim, the strongest first."""
    near = within(hole, _CLEAR_PX)
    rim = near & ~cv2.erode(near.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    # An end is moved by two pixels at most.
    rim[:3], rim[-3:], rim[:, :3], rim[:, -3:] = False, False, False, False
    rows, columns = np.nonzero(rim)
    if not rows.size:
        return []
    depth = distance_from(hole)
    down, across = cv2.Sobel(depth, cv2.CV_32F, 0, 1), cv2.Sobel(depth, cv2.CV_32F, 1, 0)
    outward = np.arctan2(down[rows, columns], across[rows, columns]).astype(np.float64)
    turn = np.radians(np.linspace(-_MOST_TURN_DEG, _MOST_TURN_DEG, _TURNS))
    angle = outward[:, None] + turn
    along = np.arange(1.0, max(7.0, _LENGTH * radius), 1.0)
    y = rows[:, None, None] + along * np.sin(angle)[..., None]
    x = columns[:, None, None] + along * np.cos(angle)[..., None]
    normals = np.stack([np.cos(angle), -np.sin(angle)], -1)[:, :, None]
    contrast = ridge(luma, y, x, np.broadcast_to(normals, (*y.shape, 2)))
    inside = (y > 0) & (x > 0) & (y < len(luma) - 1) & (x < luma.shape[1] - 1)
    at = (
        np.rint(y).astype(np.int64).clip(0, len(luma) - 1),
        np.rint(x).astype(np.int64).clip(0, luma.shape[1] - 1),
    )
    clear = (inside & known[at]).mean(-1) > 0.85
    middle = np.median(contrast, axis=-1)
    least = np.percentile(contrast * np.sign(middle)[..., None], 20, axis=-1)
    strength = np.where(clear & (least > _EVEN * np.abs(middle)), np.abs(middle), 0)
    bar = max(_LEAST, _OF_STRONGEST * float(strength.max()))
    apart = _apart(rows, columns, angle, np.where(strength > bar, middle, 0))
    return [_exact(end, luma, along, np.arange(1.0, _FAR * radius)) for end in apart]


def _apart(rows: Whole, columns: Whole, angle: Float, contrast: Float) -> list[_End]:
    """Of places and directions that show one line, the strongest."""
    left, kept = np.abs(contrast), list[_End]()
    while len(kept) < _MOST and left.max() > 0:
        at, turn = np.unravel_index(int(left.argmax()), left.shape)
        sine, cosine = math.sin(angle[at, turn]), math.cos(angle[at, turn])
        kept.append(_End(float(rows[at]), float(columns[at]), -sine, -cosine, float(contrast[at, turn])))
        y, x = rows - rows[at], columns - columns[at]
        aside = np.abs(cosine * y - sine * x)[:, None]
        like = np.cos(angle - angle[at, turn]) > math.cos(math.radians(_SAME_DEG))
        left[(np.hypot(y, x) < 2 * _SAME_PX)[:, None] & (like | (aside < _SAME_PX))] = 0
    return kept


def _exact(end: _End, luma: Picture, *lengths: Float) -> _End:
    """Turn and move an end to where the line shows best; a long line tells its direction better."""
    turn, aside = (part.ravel() for part in np.meshgrid(_FINER_TURNS, _FINER_MOVES))
    for along in lengths:
        angle = math.atan2(end.down, end.across) + turn
        down, across = np.sin(angle), np.cos(angle)
        row, column = end.row + aside * end.across, end.column - aside * end.down
        y, x = row[:, None] - along * down[:, None], column[:, None] - along * across[:, None]
        normals = np.broadcast_to(np.stack([across, -down], -1)[:, None], (*y.shape, 2))
        contrast = np.median(ridge(luma, y, x, normals), axis=-1) * np.sign(end.contrast)
        best = int(contrast.argmax())
        if contrast[best] < _LASTS * abs(end.contrast):
            break
        size = contrast[best] * np.sign(end.contrast)
        place = float(row[best]), float(column[best])
        lasts = along is lengths[-1]
        end = _End(*place, float(down[best]), float(across[best]), float(size), lasts)
    return end


def _off_way(line: _End, place: _End) -> float:
    """Angle between the way of a line and the way to a place, in degrees."""
    down, across = place.row - line.row, place.column - line.column
    ahead, aside = down * line.down + across * line.across, down * line.across - across * line.down
    return math.degrees(math.atan2(abs(aside), ahead))


def _partners(ends: list[_End], sides: list[float]) -> list[int]:
    """The end at which each line comes out again, -1 where it does not."""
    partners = [-1] * len(ends)
    found = []
    for at, one in enumerate(ends):
        for by in range(at + 1, len(ends)):
            other = ends[by]
            off = max(_off_way(one, other), _off_way(other, one))
            if sides[at] == sides[by] and one.contrast * other.contrast > 0 and off < _PAIRED_DEG:
                found.append((off, at, by))
    for _, at, by in sorted(found):
        if partners[at] < 0 and partners[by] < 0:
            partners[at], partners[by] = by, at
    return partners


def _between(one: _End, other: _End) -> Float:
    """Places from one end of a line to the other: row, column, normal, contrast, worth."""
    length = max(math.hypot(other.row - one.row, other.column - one.column), 1.0)
    share = np.arange(0.0, length) / length
    down, across = (other.row - one.row) / length, (other.column - one.column) / length
    contrast = one.contrast + (other.contrast - one.contrast) * share
    return _places(one, share * length, (down, across), contrast, np.ones_like(share))


def _onwards(end: _End, through: Sequence[tuple[_End, _End]], side: Picture, radius: float) -> Float:
    """Places on a line that does not come out again: to where it meets one that does, or other floor.

    A line that meets neither, or a stripe of another strength, is ever less likely to go on.
    """
    along = np.arange(0.0, 2 * radius)
    places = _places(
        end, along, (end.down, end.across), np.full_like(along, end.contrast), np.ones_like(along)
    )
    places = _within(places, side)
    sides = side[_pixels(places)]
    other = np.flatnonzero(sides != sides[0])
    last = int(other[0]) if other.size else len(places)
    ways = [(at, _alike(end, pair)) for pair in through if (at := _meets(end, pair)) is not None]
    met = min([way for way in ways if way[0] < last], default=None)
    if met is not None and met[1]:
        return places[: int(met[0])]
    if met is not None or not other.size:
        places[:, 5] = np.exp(-along[: len(places)] / (_FADES * radius))
    return places[:last]


def _alike(end: _End, pair: tuple[_End, _End]) -> bool:
    """Whether a line is as strong as another, so that it may end there."""
    return 1 / _TWICE < pair[0].contrast / end.contrast < _TWICE


def _meets(end: _End, pair: tuple[_End, _End]) -> float | None:
    """How far along its way a line meets one that runs through, if it does."""
    one, other = pair
    down, across = other.row - one.row, other.column - one.column
    length = max(math.hypot(down, across), 1e-6)
    cross = (end.down * across - end.across * down) / length
    if abs(cross) < math.sin(math.radians(_CROSSING_DEG)):
        return None
    y, x = one.row - end.row, one.column - end.column
    ahead = (y * across - x * down) / length / cross
    share = (y * end.across - x * end.down) / length / cross
    return ahead if ahead > 1 and -0.05 < share < 1.05 else None


def _places(
    start: _End, along: Float, direction: tuple[float, float], contrast: Float, worth: Float
) -> Float:
    down, across = direction
    one = np.ones_like(along)
    return np.stack(
        [start.row + along * down, start.column + along * across, across * one, -down * one, contrast, worth],
        -1,
    )
