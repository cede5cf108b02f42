"""Joints drawn through a filled hole as they arrive at its rim: straight, sharp and whole.

Floor copied from elsewhere shows a joint where it happens to have one: broken where two pieces meet, a pixel
aside, or not at all. Where a joint runs is known before (see `joints`), and what it looks like across is seen
at the rim: the copied floor keeps its texture and gets that profile in place of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.joints import Course
from panopipe.studies.floor.scene import Scene

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

_STEP_PX = 0.5
"""Distance of places across a joint in a profile."""
_ASIDE, _LEAST_ASIDE_PX = 3.0, 4.0
"""How far to either side of a joint its profile reaches, in pixels of the coarse grid, and at least."""
_SEEN_FROM, _SEEN_TO = 0.06, 0.42
"""Between which distances outside the rim a profile is taken, in radii of the hole: a rim is mixed."""
_PARTS = (0.06, 0.34, 0.62, 0.9)
"""Parts of a joint that tell its direction where one side of the hole shows it only, in radii of the hole."""
_STEP = 0.5
"""Difference of the floor on both sides, as a share of a contrast, from which a line is an edge or stripe."""
_LEAST_KNOWN = 0.7
"""Share of those places that must be known floor."""
_THIN, _ELSEWHERE = 0.55, 0.3
"""Share of a profile's reach within which a thin line lies, and how much of its contrast may show beyond."""
_FAINT, _OFF, _MOSTLY, _HALF, _WHOLE = 0.4, 0.25, 0.8, 0.5, 0.9
"""Share of a joint's contrast from which the copied floor shows it, and to which it may be off; the share of
its way on which it must show it, as blocks of parquet have joints in line that other blocks part, and where
the floor around shows most of it as far again; and the share from which it is left as it is."""
_TAPER = 3.0
"""Share of its reach, as a divisor, over which a drawn profile gives way to the floor beside it."""
_OWN, _HEARD = 0.12, 11
"""How far along the copied floor its own profile is taken, in radii of the hole, and from how many places."""


@dataclass(frozen=True, slots=True)
class _Line:
    """A joint at full size: (row, column) of both ends, and whether the second is at the rim, too."""

    start: Float
    end: Float
    through: bool


def with_joints(
    scene: Scene, filled: Picture, courses: Sequence[Course], factor: int, radius: float
) -> Picture:
    """Draw joints through a filled hole.

    Parameters
    ----------
    scene : Scene
        The floor at full size.
    filled : ndarray of shape (h, w, channels), dtype float32
        Its detail, with the hole filled.
    courses : sequence of Course
        Where joints run, on the coarse grid.
    factor : int
        Pixels of that grid's blocks.
    radius : float
        Radius of the hole in pixels.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32
    """
    drawn, sure = filled.copy(), scene.known.astype(np.float32)[..., None]
    reach = max(_LEAST_ASIDE_PX, _ASIDE * factor)
    across = np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX)
    for course in courses:
        # Of the first block's pixels, the middle lies half a block in.
        start, end = ((np.array(place) + 0.5) * factor - 0.5 for place in (course.start, course.end))
        found = _profiles(filled, sure, _Line(start, end, course.through), across, radius)
        if found is not None:
            least = _HALF if course.parted < (1 - _MOSTLY) * course.length else _MOSTLY
            _draw(drawn, scene.hole & on_its_side(start, end, scene), *found, across, radius, least)
    return drawn


def on_its_side(start: Float, end: Float, scene: Scene) -> Mask:
    """Where a joint may be drawn: not on another floor or its hem, unless it runs along that."""
    if scene.sides is None:
        return scene.hole
    distance, (low, high) = scene.sides.distance, scene.sides.strip_px
    last = np.array(distance.shape) - 1
    off = [float(distance[tuple(np.rint(at).astype(np.int64).clip(0, last))]) for at in (start, end)]
    if max(off) > high:
        return np.asarray(distance > high, np.bool_)
    return np.asarray(distance < low, np.bool_) if min(off) < low else scene.hole


def _profiles(
    picture: Picture, known: Picture, line: _Line, across: Float, radius: float
) -> tuple[_Line, Picture, Picture] | None:
    """A joint laid through the middle of what is seen of it, and its profile at both ends."""
    way = line.end - line.start
    length = float(np.hypot(*way))
    if length < 1:
        return None
    way, seen = way / length, np.arange(_SEEN_FROM * radius, _SEEN_TO * radius)
    first = _profile(picture, known, line.start, -way, seen, across)
    last = _profile(picture, known, line.end, way, seen, across) if line.through else None
    if first is None or (line.through and last is None):
        return None
    # Seen in the other direction, the other side is on the right.
    first = first[::-1]
    last = first if last is None else last
    if not (_is_thin(first, across) and _is_thin(last, across)):
        return None
    if line.through:
        off = _middle(first, across), _middle(last, across)
    else:
        straight = _straight_on(picture, known, line, across, radius)
        if straight is None:
            return None
        off = straight
    normal = np.array([way[1], -way[0]])
    moved = _Line(line.start + off[0] * normal, line.end + off[1] * normal, line.through)
    return moved, _moved(first, across, _middle(first, across)), _moved(last, across, _middle(last, across))


def _straight_on(
    picture: Picture, known: Picture, line: _Line, across: Float, radius: float
) -> tuple[float, float] | None:
    """How far aside of its two ends a joint runs on that is seen on one side of the hole only."""
    way = line.end - line.start
    length = float(np.hypot(*way))
    aside = []
    for begin, end in pairwise(_PARTS):
        seen = np.arange(begin * radius, end * radius)
        profile = _profile(picture, known, line.start, -way / length, seen, across)
        if profile is None:
            return None
        aside.append(_middle(profile[::-1], across))
    places = [-0.5 * (begin + end) * radius for begin, end in pairwise(_PARTS)]
    slope, start = np.polyfit(places, aside, 1)
    return float(start), float(start + slope * length)


def _is_thin(profile: Picture, across: Float) -> bool:
    """Whether a profile shows one thin line, and not an edge or a stripe among others."""
    light = np.abs(profile.mean(-1))
    return float(light[np.abs(across) > _THIN * across[-1]].max()) < _ELSEWHERE * float(light.max())


def _profile(
    picture: Picture, known: Picture, at: Float, way: Float, along: Float, across: Float
) -> Picture | None:
    """Median profile across a joint outside the rim, about the line between its sides; no edge has one."""
    strip = _strip(picture, at, way, along, across)
    sure = _strip(known, at, way, along, across)[..., 0] > 0.99
    rows = sure.all(1)
    if rows.mean() < _LEAST_KNOWN:
        return None
    profile = np.median(strip[rows], axis=0).astype(np.float32)
    about = _about_sides(profile, across)
    light, side = profile.mean(-1), _side(across)
    step = abs(float(light[:side].mean() - light[-side:].mean()))
    return about if step < _STEP * float(np.abs(about.mean(-1)).max()) else None


def _side(across: Float) -> int:
    """How many places at either end of a profile show the floor beside a joint."""
    return max(2, len(across) // 6)


def _strip(picture: Picture, at: Float, way: Float, along: Float, across: Float) -> Picture:
    """Places along a way and to the right of it, (along, across, channels)."""
    rows = at[0] + along[:, None] * way[0] + across * way[1]
    columns = at[1] + along[:, None] * way[1] - across * way[0]
    seen: Picture = cv2.remap(
        picture, columns.astype(np.float32), rows.astype(np.float32), cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return seen.reshape(len(along), len(across), -1)


def _about_sides(profile: Picture, across: Float) -> Picture:
    """Profiles, the last axis but one, less what lies evenly between their two sides."""
    side = _side(across)
    left, right = profile[..., :side, :].mean(-2), profile[..., -side:, :].mean(-2)
    share = np.clip((across / across[-1] + 1) / 2, 0, 1)[:, None].astype(np.float32)
    return np.asarray(profile - (left[..., None, :] + (right - left)[..., None, :] * share), np.float32)


def _middle(profile: Picture, across: Float) -> float:
    """Where across it a joint has its middle."""
    light = profile.mean(-1)
    near = np.abs(across) < 0.7 * across[-1]
    strength = np.where(near, np.abs(light), 0)
    top = int(strength.argmax())
    weight = np.where(np.sign(light) == np.sign(light[top]), strength, 0)
    weight[weight < 0.5 * strength[top]] = 0
    weight[np.abs(across - across[top]) > 0.4 * across[-1]] = 0
    return float((weight * across).sum() / max(weight.sum(), 1e-9))


def _moved(profile: Picture, across: Float, by: float) -> Picture:
    return np.stack([np.interp(across + by, across, one) for one in profile.T], -1).astype(np.float32)


def _draw(
    drawn: Picture,
    hole: Mask,
    line: _Line,
    first: Picture,
    last: Picture,
    across: Float,
    radius: float,
    least: float,
) -> None:
    """Give the filled floor along a line the profile of its ends, in place, if that much of it shows."""
    way = line.end - line.start
    length = float(np.hypot(*way))
    way = way / length
    along = np.arange(0.0, length + 1)
    strip = _strip(drawn, line.start, way, along, across)
    share = (along / length)[:, None, None].astype(np.float32)
    wanted = first[None] * (1 - share) + last[None] * share
    own = _median_along(_about_sides(strip, across), max(3, round(_OWN * radius)))
    if not _is_broken(own, wanted, across, least):
        return
    level = _median_along(strip - own, max(5, round(2 * _OWN * radius)))
    taper = np.clip((1 - np.abs(across) / across[-1]) * _TAPER, 0, 1)[:, None]
    change = (wanted - own) * taper
    # Where another joint crosses, two of them are no darker than one.
    goal = level + wanted
    low, high = np.minimum(strip, goal), np.maximum(strip, goal)
    change = np.clip(strip + change, low, high) - strip
    rows, columns = np.nonzero(hole)
    y, x = rows - line.start[0], columns - line.start[1]
    ahead, aside = y * way[0] + x * way[1], y * way[1] - x * way[0]
    near = (ahead >= 0) & (ahead <= length) & (np.abs(aside) < across[-1])
    at = (aside[near] - across[0]) / _STEP_PX, ahead[near]
    change = cv2.remap(
        change.astype(np.float32), at[0].astype(np.float32), at[1].astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    drawn[rows[near], columns[near]] += change.reshape(-1, drawn.shape[-1])


def _is_broken(own: Picture, wanted: Picture, across: Float, least: float) -> bool:
    """Whether the copied floor shows enough of a joint, but not all of it as it is at the rim."""
    near = np.abs(across) < _THIN * across[-1]
    own, wanted = own.mean(-1)[:, near], wanted.mean(-1)[:, near]
    sign = np.sign(wanted.sum())
    peak = (wanted * sign).max(1)
    shown = (own * sign).max(1) > _FAINT * peak
    right = np.abs(own - wanted).max(1) < _OFF * peak
    return float(shown.mean()) >= least and float(right.mean()) < _WHOLE


def _median_along(strip: Picture, reach: int) -> Picture:
    """Running median along the first axis, from some rows of each window, at some places and between."""
    last = len(strip) - 1
    places = np.linspace(0, last, max(2, math.ceil(len(strip) / max(1, reach // 3))))
    window = places[:, None] + np.linspace(-reach, reach, _HEARD)
    medians = np.median(strip[np.rint(window).astype(np.int64).clip(0, last)], axis=1)
    at = np.arange(last + 1) / last * (len(places) - 1)
    low = np.minimum(at.astype(np.int64), len(places) - 2)
    share = (at - low)[:, None, None]
    return np.asarray(medians[low] * (1 - share) + medians[low + 1] * share, np.float32)
