"""Which features of two frames may be the same thing, before and after it is known how the camera moved."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

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
_LEAST_SECOND = 1 - (1 - _LEAST_LIKE) / GUIDED_RATIO**2
"""Likeness below which a second best keeps nothing from being a match."""
_OCTAVES = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Ready:
    """A frame's features made ready for matching, those of one view together."""

    features: Features
    units: Single = field(repr=False)
    floor: Floor = field(repr=False)
    views: tuple[slice, ...] = field(repr=False)
    """Where the features of each view are."""
    strongest: Index = field(repr=False)
    """The features, the strongest first."""
    directions: Float = field(repr=False)
    stance: Single = field(repr=False)
    """How each feature stands, as cosine and sine."""
    depth_of_unit: Single = field(repr=False)
    """Of a unit step along each direction: how far it goes along the axis of its view."""

    @staticmethod
    def of(found: Features) -> Ready:
        """Prepare a frame's features."""
        order = np.argsort(found.views, kind="stable")
        features = replace(
            found, descriptors=found.descriptors[order], directions=found.directions[order],
            views=found.views[order], angles_deg=found.angles_deg[order], sizes=found.sizes[order],
        )  # fmt: skip
        starts = np.searchsorted(features.views, np.arange(5)).tolist()
        axis = np.radians(features.heading_deg + 90.0 * features.views.astype(np.float64))
        directions = features.directions.astype(np.float64)
        ahead = directions[:, 0] * np.sin(axis) + directions[:, 2] * np.cos(axis)
        return Ready(
            features, _units(features.descriptors), Floor(features.floor, features.heading_deg),
            tuple(slice(*ends) for ends in itertools.pairwise(starts)), np.argsort(order, kind="stable"),
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


def affinity(one: Ready, other: Ready) -> Single:
    """Likeness of each feature to each of the other frame: 1 for the same."""
    likeness: Single = one.units @ other.units.T
    return likeness


def tentative(one: Ready, other: Ready, likeness: Single) -> list[Pairs]:
    """Matches by how many right angles the other frame's walls are turned more: of none, one, two and three.

    `likeness` is what `affinity` found between the two.
    """
    own_view = one.features.views
    found: list[tuple[Index, Index, Index]] = []
    tops = [likeness[view].max(axis=0) if view.stop - view.start > 1 else None for view in one.views]
    for there, view in enumerate(other.views):
        if view.stop - view.start < 2:
            continue
        block = likeness[:, view]
        best = block.argmax(axis=1)
        top = block[np.arange(len(best)), best]
        mutual = np.concatenate(
            [
                np.zeros(own.stop - own.start, bool)
                if of_all is None
                else (top[own] > 0) & (top[own] == of_all[view][best[own]])
                for own, of_all in zip(one.views, tops, strict=True)
            ]
        )
        a = np.flatnonzero(mutual)
        a = a[_stands_out(block[a], best[a], top[a], RATIO)]
        found.append((a, best[a] + view.start, (there - own_view[a].astype(np.intp)) % 4))
    a, b, quarter = (np.concatenate(part) for part in zip(*found, strict=True)) if found else [_NONE] * 3
    upright = _like_angle(one.features.angles_deg[a], other.features.angles_deg[b])
    return [(a[on], b[on]) for on in (upright & (quarter == number) for number in range(4))]


_NONE = np.zeros(0, np.intp)


def _stands_out(rows: Single, best: Index, top: Single, ratio: float) -> NDArray[np.bool_]:
    """Whether the best of each row, whose likeness is `top`, is clearly better than its second best."""
    rows[np.arange(len(best)), best] = -1
    good: NDArray[np.bool_] = 2 - 2 * top < ratio**2 * (2 - 2 * rows.max(axis=1, initial=-1))
    return good


@dataclass(frozen=True, slots=True, eq=False)
class Alike:
    """Features of two frames, pair by pair, that are alike and stand alike, whatever the motion.

    Those that are less alike can neither match nor be the second best of a match.
    """

    a: Index
    b: Index
    likeness: Single

    @staticmethod
    def of(one: Ready, other: Ready, likeness: Single) -> Alike:
        """Choose them; `likeness` is what `affinity` found between the two."""
        a, b = np.divmod(np.flatnonzero(likeness > _LEAST_SECOND), likeness.shape[1])
        upright = np.einsum("ij,ij->i", one.stance[a], other.stance[b]) > _LIKE_STANCE
        a, b = a[upright], b[upright]
        return Alike(a, b, likeness[a, b])


def guided(one: Ready, other: Ready, alike: Alike, turn_deg: float, back_deg: float) -> tuple[Pairs, Single]:
    """Matches that agree with a motion, the best in each other's reach, and what each is worth."""
    ra = turned(one.directions, turn_deg)
    back = np.radians(back_deg)
    along = np.array([np.sin(back), 0.0, np.cos(back)])
    across = np.stack(
        [ra[:, 1] * along[2], ra[:, 2] * along[0] - ra[:, 0] * along[2], -ra[:, 1] * along[0]], 1
    )
    across /= np.maximum(np.sqrt(np.square(across).sum(axis=1)), 0.02)[:, None]
    a, b = alike.a, alike.b
    off = np.einsum("ij,ij->i", across[a], other.directions[b])
    # The first camera lies along the shift from the second: its rays are turned further from it.
    near = np.abs(off) < np.sin(np.radians(OFF_PLANE_DEG))
    near &= (ra @ along)[a] < (other.directions @ along)[b] + 0.01
    a, b, likeness = a[near], b[near], alike.likeness[near]
    order = np.lexsort((-likeness, a))
    a, b, likeness = a[order], b[order], likeness[order]
    its = np.full(len(other.units), -1, np.float32)
    np.maximum.at(its, b, likeness)
    first = np.flatnonzero(np.diff(a, prepend=-1))
    second = np.append(likeness, np.float32(-1))[first + 1]
    second[np.append(a, -1)[first + 1] != a[first]] = -1
    a, b, top = a[first], b[first], likeness[first]
    good = (top > _LEAST_LIKE) & (top == its[b]) & (2 - 2 * top < GUIDED_RATIO**2 * (2 - 2 * second))
    return (a[good], b[good]), worth(top[good])


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
