"""Which features of two frames may be the same thing, before and after it is known how the camera moved."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.features import Features
from panopipe.studies.stands.floor import Floor
from panopipe.studies.stands.motion import OFF_PLANE_DEG, turned

Float = NDArray[np.float64]
Single = NDArray[np.float32]
Index = NDArray[np.intp]
Pairs = tuple[Index, Index]

RATIO = 0.88
"""A match counts if its distance is below this share of the second best. Lowe (2004, section 7.1) takes 0.8
among features of any form; here they stand upright and in one view, and their motion is tested after."""
GUIDED_RATIO = 0.9
_OFF_ANGLE_DEG = 25.0
_LIKE_STANCE = np.float32(np.cos(np.radians(_OFF_ANGLE_DEG)))
_LEAST_LIKE = 0.77
_OCTAVES = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Ready:
    """A frame's features made ready for matching."""

    features: Features
    units: Single = field(repr=False)
    floor: Floor = field(repr=False)
    by_view: tuple[Index, ...] = field(repr=False)
    directions: Float = field(repr=False)
    stance: Single = field(repr=False)
    """How each feature stands, as cosine and sine."""
    depth_of_unit: Single = field(repr=False)
    """Of a unit step along each direction: how far it goes along the axis of its view."""

    @staticmethod
    def of(features: Features) -> Ready:
        """Prepare a frame's features."""
        views = tuple(np.flatnonzero(features.views == number) for number in range(4))
        axis = np.radians(features.heading_deg + 90.0 * features.views.astype(np.float64))
        directions = features.directions.astype(np.float64)
        ahead = directions[:, 0] * np.sin(axis) + directions[:, 2] * np.cos(axis)
        return Ready(
            features, _units(features.descriptors), Floor(features.floor, features.heading_deg), views,
            directions, _unit_circle(features.angles_deg), ahead.astype(np.float32),
        )  # fmt: skip


def _unit_circle(angles_deg: Single) -> Single:
    angles = np.radians(angles_deg)
    return np.stack([np.cos(angles), np.sin(angles)], axis=1)


def _units(descriptors: NDArray[np.uint8]) -> Single:
    """Descriptors whose products are the affinity of their histograms (Arandjelovic & Zisserman 2012)."""
    roots = np.sqrt(descriptors.astype(np.float32))
    units: Single = roots / np.maximum(np.linalg.norm(roots, axis=1, keepdims=True), np.float32(1e-6))
    return units


def tentative(one: Ready, other: Ready, quarter: int) -> Pairs:
    """Matches where the other frame's walls are turned by `quarter` right angles more."""
    first, second = [], []
    for view, index in enumerate(one.by_view):
        there = other.by_view[(view + quarter) % 4]
        a, b = _mutual(one.units[index], other.units[there], RATIO)
        first.append(index[a])
        second.append(there[b])
    a, b = np.concatenate(first), np.concatenate(second)
    upright = _like_angle(one.features.angles_deg[a], other.features.angles_deg[b])
    return a[upright], b[upright]


def alike(one: Ready, other: Ready) -> Single:
    """Likeness of each feature to each of the other frame, whatever the motion; -1 if they lean apart."""
    upright = one.stance @ other.stance.T > _LIKE_STANCE
    return np.where(upright, one.units @ other.units.T, np.float32(-1))


def guided(
    one: Ready, other: Ready, likeness: Single, turn_deg: float, back_deg: float
) -> tuple[Pairs, Single]:
    """Matches that agree with a motion, the best in each other's reach, and what each is worth.

    `likeness` is what `alike` found between the two.
    """
    ra = turned(one.directions, turn_deg)
    back = np.radians(back_deg)
    shift = np.array([np.sin(back), 0.0, np.cos(back)])
    across = np.cross(ra, shift)
    away = np.maximum(np.linalg.norm(across, axis=1), 0.02)
    off = (across / away[:, None]).astype(np.float32) @ other.directions.T.astype(np.float32)
    near = np.abs(off) < np.float32(np.sin(np.radians(OFF_PLANE_DEG)))
    near &= _ahead(ra, other.directions, shift)
    within = np.where(near, likeness, np.float32(-1))
    a, b = _mutual_of(within, GUIDED_RATIO, least=_LEAST_LIKE)
    return (a, b), worth(within[a, b])


def worth(likeness: Single) -> Single:
    """What matches of such likeness are worth: 1 at 0.84, where one by chance in two is left.

    Of likeness 0.8 to 0.84, a true motion of rooms has three times the matches of a wrong one; above 0.92,
    forty times (measured on generated houses, see the benchmark).
    """
    weighed: Single = np.clip((likeness - np.float32(0.76)) / np.float32(0.08), 0, 2)
    return weighed


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """Features of other frames, and where one frame should see what they show.

    Attributes
    ----------
    directions : ndarray of shape (m, 3), dtype float64
        Where it should be seen.
    units : ndarray of shape (m, 128), dtype float32
        What it looks like.
    stance : ndarray of shape (m, 2), dtype float32
        How it stands.
    frames : ndarray of shape (m,), dtype intp
        Which frame shows it.
    """

    directions: Float
    units: Single
    stance: Single
    frames: Index


def seen_where_told(one: Ready, told: Told, *, near_deg: float = 1.3) -> tuple[Pairs, Single]:
    """Features of a frame that look like those told, where they should be seen, or `near_deg` off.

    Both are the best of each other, among those that one other frame shows; their worth is returned, too.
    """
    directions = told.directions.astype(np.float32)
    close = one.features.directions @ directions.T > np.float32(np.cos(np.radians(near_deg)))
    a, b = np.divmod(np.flatnonzero(close), max(len(directions), 1))
    upright = np.einsum("ij,ij->i", one.stance[a], told.stance[b]) > _LIKE_STANCE
    a, b = a[upright], b[upright]
    likeness = np.einsum("ij,ij->i", one.units[a], told.units[b])
    _, seen = np.unique(a + len(one.units) * told.frames[b], return_inverse=True)
    own, its = np.zeros(len(seen), np.float32), np.zeros(len(directions), np.float32)
    np.maximum.at(own, seen, likeness)
    np.maximum.at(its, b, likeness)
    best = (likeness >= np.maximum(own[seen], its[b])) & (likeness >= _LEAST_LIKE)
    return (a[best], b[best]), worth(likeness[best])


def _ahead(ra: Float, b: Float, shift: Float) -> NDArray[np.bool_]:
    """Whether a pair of directions can meet before both cameras: the nearer one has turned further away."""
    along_a, along_b = (ra @ shift).astype(np.float32), (b @ shift).astype(np.float32)
    # The first camera lies along `shift` from the second: its rays are turned towards -shift, beyond b's.
    able: NDArray[np.bool_] = along_a[:, None] < along_b[None, :] + np.float32(0.01)
    return able


def like_scale(one: Ready, other: Ready, pairs: Pairs, first: Float, second: Float) -> NDArray[np.bool_]:
    """Whether the sizes of matches stand in the ratio that their depths say."""
    a, b = pairs
    near = np.maximum(first, 1e-6) * np.abs(one.depth_of_unit[a])
    far = np.maximum(second, 1e-6) * np.abs(other.depth_of_unit[b])
    size = np.log2(one.features.sizes[a] / other.features.sizes[b])
    like: NDArray[np.bool_] = np.abs(size - np.log2(far / near)) < _OCTAVES
    return like


def _like_angle(one: Single, other: Single) -> NDArray[np.bool_]:
    like: NDArray[np.bool_] = np.abs(np.mod(one - other + 180, 360) - 180) < _OFF_ANGLE_DEG
    return like


def _mutual(one: Single, two: Single, ratio: float) -> Pairs:
    if min(len(one), len(two)) < 2:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    return _mutual_of(one @ two.T, ratio)


def _mutual_of(likeness: Single, ratio: float, *, least: float = 0.0) -> Pairs:
    """Pairs that are each other's best and clearly better than the second best."""
    best = likeness.argmax(axis=1)
    top = likeness[np.arange(len(best)), best]
    own = np.flatnonzero((top > least) & (top == likeness.max(axis=0)[best]))
    rows, best, top = likeness[own], best[own], top[own]
    at = np.arange(len(own))
    rows[at, best] = -1
    good = 2 - 2 * top < ratio**2 * (2 - 2 * rows.max(axis=1, initial=-1))
    return own[good], best[good]
