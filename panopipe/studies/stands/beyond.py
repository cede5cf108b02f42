"""What lies beyond: two frames that see each other see the same things, each past the other.

Around the direction of the other frame, a frame sees what the other sees behind its own back, from nearer:
drawn larger about that direction, by how much depends on how far it is. With a wall between them they see
different things. So what is seen past the other is drawn as it would look from there, for upright surfaces
at some distances, facing the line or standing along the walls, and the best agreement of all is what counts.
Level edges, such as a ceiling's, fit at any distance and tell nothing: only what changes sideways counts.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.around import HIGHEST, sampled_around
from panopipe.studies.stands.between import Way
from panopipe.studies.stands.matching import Ready

Float = NDArray[np.float64]
Single = NDArray[np.float32]

_STEP_DEG, _REACH_DEG = 0.5, 8.0
_UP, _SLOPE = 24, 0.4
"""Rows that are compared, up to that slope from the horizon."""
_WINDOW = 5
"""Columns, to both sides, of each of the three windows that must agree: to the left, ahead, to the right."""
_SIDEWAYS = 6.0
"""Blur sideways, in columns, that must be left for a column to tell something."""
_DISTANCES = np.geomspace(0.3, 7.0, 10)
"""Camera heights beyond the other frame that surfaces are tried at."""
_NEAREST, _NEARER, _NOT_BEFORE = 0.4, 14, 0.15
"""From where on, and at how many distances, nearer surfaces are tried, and how near the other they end."""
_CLOSEST = 0.15
"""Camera heights that a surface is away from whoever sees it."""
_SLANTED_DEG = 70.0
_APART = np.geomspace(0.5, 3.2, 14)
"""Camera heights that two frames of unknown distance are tried at."""
_OFF_DEG = 1.5
"""How far off directions are tried to both sides."""
_FAINT = 150.0
"""Square sum of detail that noise and grain may have."""


def seen_beyond(one: Ready, other: Ready, way: Way) -> float:
    """How well what one frame sees past the other agrees with what that sees behind its back, up to 1.

    Parameters
    ----------
    one, other : Ready
        The frames.
    way : Way
        From the one to the other.
    """
    return float(_seen_beyond(one, other, way, np.array([way.distance]))[0])


def _seen_beyond(one: Ready, other: Ready, way: Way, apart: Float) -> Float:
    """The same if the other frame stood at each of some distances in the direction of a way."""
    ends = apart[:, None] + _DISTANCES
    surfaces = _surfaces(ends.ravel(), _walls(one, way.yaw_deg))
    shape = (-1, *ends.shape)
    away = np.broadcast_to(apart[:, None], (len(surfaces) // ends.size, *ends.shape)).reshape(-1, 1)
    told = _agreement(one, other, way, way.yaw_deg, surfaces, away, away)
    best: Float = told.reshape(shape).max(axis=(0, 2))
    return best


def seen_past_each_other(
    one: Ready, other: Ready, yaw_deg: float, back_yaw_deg: float
) -> tuple[float, float]:
    """The best of both views past each other together, up to 2, and the distance that it is seen at.

    Directions may be a little off: few matches tell them to a degree or two.

    Parameters
    ----------
    one, other : Ready
        The frames.
    yaw_deg, back_yaw_deg : float
        Yaw at which each sees the other, in its own arrays.
    """
    way = Way(yaw_deg, back_yaw_deg, 1.0)
    best = _APART[
        int(np.argmax(_seen_beyond(one, other, way, _APART) + _seen_beyond(other, one, way.back, _APART)))
    ]
    off = itertools.product((-_OFF_DEG, 0.0, _OFF_DEG), repeat=2)
    near = (Way(yaw_deg + one_off, back_yaw_deg + other_off, float(best)) for one_off, other_off in off)
    return max(seen_beyond(one, other, to) + seen_beyond(other, one, to.back) for to in near), float(best)


def seen_before(one: Ready, others: Iterable[tuple[Ready, Way]], way: Way) -> float:
    """How well what one frame sees towards another agrees with something nearer, up to 1; 0 without others.

    Parameters
    ----------
    one : Ready
        The frame.
    others : iterable of (Ready, Way)
        Frames that stand beside the way and may see the same, and the way to each.
    way : Way
        To the frame that may be hidden.
    """
    near = np.geomspace(_NEAREST, max(way.distance - _NOT_BEFORE, 1.1 * _NEAREST), _NEARER)
    surfaces = _surfaces(near, _walls(one, way.yaw_deg))
    return max(
        (
            float(_agreement(one, other, to, way.yaw_deg, surfaces, to.distance, 0.0).max())
            for other, to in others
        ),
        default=0.0,
    )


def _agreement(
    one: Ready, other: Ready, way: Way, yaw_deg: float, far: Float, away: Float | float, beyond: Float | float
) -> Single:
    """The agreement in some direction, if each of some upright surfaces stood there.

    `far` is how far each is in each direction, `away` how far the other frame is along the way, and `beyond`
    how far ahead a surface must be to count.
    """
    yaw, slope = _columns(), _slopes()
    steady = np.repeat(slope, len(yaw), axis=1)
    ahead = sampled_around(one.features.around, np.radians(yaw_deg) + yaw, steady) @ _sideways()
    off = np.radians(way.yaw_deg - yaw_deg)
    east = far * np.sin(yaw) - away * np.sin(off)
    north = far * np.cos(yaw) - away * np.cos(off)
    its = np.maximum(np.hypot(east, north), 1e-3)
    its_slope = slope * (far / its).astype(np.float32)[:, None, :]
    turn = np.radians(way.back_yaw_deg + 180 - way.yaw_deg + yaw_deg)
    its_yaw = (np.arctan2(east, north) + turn)[:, None, :]
    able = (its > _CLOSEST) & (far * np.cos(yaw) > beyond + _CLOSEST)
    seen = ((np.abs(its_slope) < np.float32(HIGHEST)) & able[:, None, :]).astype(np.float32)
    told = sampled_around(other.features.around, its_yaw, its_slope) @ _sideways()
    told *= seen
    sums = [
        _windows(np.einsum(f"{rows},src->sc", one_side, other_side))
        for rows, one_side, other_side in (
            ("rc", ahead, told),
            ("rc", ahead * ahead, seen),
            ("src", told, told),
        )
    ]
    agreement = sums[0] / np.sqrt((sums[1] + _FAINT) * (sums[2] + _FAINT))
    least: Single = agreement.min(axis=1)
    return least


def _walls(one: Ready, yaw_deg: float) -> float:
    """Heading of the walls from a direction, in radians."""
    return float(np.radians(one.features.heading_deg - yaw_deg))


def _windows(sums: Single) -> Single:
    """Sums over the windows to the left, ahead and to the right."""
    middle = sums.shape[1] // 2
    return np.stack(
        [
            sums[:, middle + begin * _WINDOW : middle + end * _WINDOW + 1].sum(axis=1)
            for begin, end in ((-2, 0), (-1, 1), (0, 2))
        ],
        axis=1,
    )


def _surfaces(distances: Float, walls: float) -> Float:
    """How far upright surfaces at such distances ahead are, in each direction: (surfaces, columns)."""
    yaw = _columns()
    ends = distances[:, None]
    found = [np.broadcast_to(ends, (len(ends), len(yaw)))]
    for number in range(4):
        normal = (walls + number * np.pi / 2 + np.pi) % (2 * np.pi) - np.pi
        if abs(normal) < np.radians(_SLANTED_DEG):
            found.append(ends * np.cos(normal) / np.maximum(np.cos(yaw - normal), 0.12))
    return np.concatenate(found)


@cache
def _columns() -> Float:
    side = round(_REACH_DEG / _STEP_DEG)
    columns: Float = np.radians(np.arange(-side, side + 1) * _STEP_DEG)
    return columns


@cache
def _slopes() -> Single:
    """Slopes of the rows that are compared, as a column."""
    slopes: Single = ((0.5 - (np.arange(_UP) + 0.5) / _UP) * 2 * _SLOPE).astype(np.float32)[:, None]
    return slopes


@cache
def _sideways() -> Single:
    """Makes of rows, from the right, what changes from column to column: themselves less their blur."""
    each = np.eye(len(_columns()), dtype=np.float32)
    broad = cv2.GaussianBlur(each, (0, 0), sigmaX=_SIDEWAYS, sigmaY=0.01, borderType=cv2.BORDER_REPLICATE)
    changes: Single = each - broad
    return changes
