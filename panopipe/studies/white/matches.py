"""Surfaces that two frames both see, and how differently the camera recorded them.

Local features are found in the belt around the horizon, where an equirectangular frame is least stretched
and all that two positions share comes to lie. A pair of frames is believed only if its matches agree with
one motion of the shoot: a camera upright on its monopod, turned by some angle and moved level.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column
from panopipe.studies.white.cones import CONES_FROM_WORKING, place_from_cones
from panopipe.studies.white.evidence import RECORDED

BELT_DEG = 50.0
MOST_FEATURES = 400
_WIDTH = 512
"""Columns of the frame that features are sought in: what is finer looks different from two metres on."""
RATIO = 0.82
"""A match counts if its distance is below this share of the second best (Lowe 2004, section 7.1: 0.8)."""
OFF_PLANE_DEG = 1.2
"""How far a match may lie from the plane through both camera positions: tilt of the monopod and noise."""
NEAR_IN_WALK = 100
"""Frames further apart on the way through a job are of two houses: hardly any house is photographed from so
many places. In a job of no more frames all are matched with all."""
FEWEST = 8
FIRST_LOOK = 160
_TURNS_DEG = np.arange(0.0, 360.0, 2.5)
_HEADINGS_DEG = np.arange(0.0, 180.0, 4.0)

Index = NDArray[np.intp]
Units = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Features:
    """Local features of a frame.

    Attributes
    ----------
    descriptors : ndarray of shape (n, 128), dtype uint8
        SIFT descriptors.
    directions : ndarray of shape (n, 3), dtype float32
        Where they are seen.
    colours : ndarray of shape (n, 3), dtype float32
        Log cone ratios and log luminance there.
    """

    descriptors: NDArray[np.uint8]
    directions: NDArray[np.float32]
    colours: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Shared:
    """What two frames have in common.

    Attributes
    ----------
    count : int
        Matches that agree with one motion.
    ratio : tuple of float
        Median of first minus second frame: log cone ratios and log luminance.
    scatter : float
        Standard error of the two log cone ratios.
    """

    count: int
    ratio: tuple[float, float, float]
    scatter: float


@dataclass(frozen=True, slots=True)
class Pair:
    """Two frames, by their numbers, that share surfaces."""

    first: int
    second: int
    shared: Shared


def match_frames(features: Iterable[Features], rooms: Sequence[str]) -> list[Pair]:
    """Match frames of a room with each other, and frames of different rooms that look promising.

    Frames are in walking order; only those within `NEAR_IN_WALK` of each other are matched, and held.
    """
    pairs, before = [], deque[tuple[int, _Told]]()
    for j, frame in enumerate(features):
        while before and j - before[0][0] > NEAR_IN_WALK:
            before.popleft()
        if len(frame.descriptors) < FEWEST:
            continue
        told = _Told(_digest(frame), frame)
        for i, one in before:
            shared = _met(one, told, rooms[i] == rooms[j])
            if shared is not None:
                pairs.append(Pair(i, j, shared))
        before.append((j, told))
    return sorted(pairs, key=lambda pair: (pair.first, pair.second))


@dataclass(frozen=True, slots=True)
class _Told:
    """Features by what they are, so that two frames once matched are not matched again."""

    digest: bytes
    features: Features = field(compare=False)

    @property
    def unit(self) -> Units:
        return _unit_of(self)


def _digest(features: Features) -> bytes:
    digest = hashlib.blake2b(digest_size=16)
    for part in (features.descriptors, features.directions, features.colours):
        digest.update(np.ascontiguousarray(part).data)
    return digest.digest()


@lru_cache(maxsize=8192)
def _met(first: _Told, second: _Told, same_room: bool) -> Shared | None:
    if not (same_room or _may_share(first.unit, second.unit)):
        return None
    return _shared(first.features, second.features, *_matches(first.unit, second.unit))


@lru_cache(maxsize=128)
def _unit_of(told: _Told) -> Units:
    return _unit(told.features.descriptors)


def find_features(rows: Rows) -> Features:
    """Find local features in a frame at reduced size, float32 (height, width, 3), working space."""
    if rows.shape[1] > _WIDTH:
        rows = np.asarray(cv2.resize(rows, (_WIDTH, _WIDTH // 2), interpolation=cv2.INTER_AREA), np.float32)
    height, width = rows.shape[:2]
    margin = width // 16
    first = int(height * (0.5 - BELT_DEG / 180))
    belt = rows[first : height - first]
    wrapped = np.concatenate([belt[:, -margin:], belt, belt[:, :margin]], axis=1)
    detector = cv2.SIFT.create(nfeatures=2 * MOST_FEATURES, contrastThreshold=0.02)
    points, descriptors = detector.detectAndCompute(_for_eyes(wrapped), None)
    if descriptors is None:
        return Features(
            np.zeros((0, 128), np.uint8), np.zeros((0, 3), np.float32), np.zeros((0, 3), np.float32)
        )
    at = np.array([point.pt for point in points]) - (margin, 0)
    strength = np.array([point.response for point in points])
    colours, recorded = _colours_at(belt, at)
    inside = (at[:, 0] >= -0.5) & (at[:, 0] < width - 0.5) & recorded
    order = np.lexsort((at[:, 0], at[:, 1], -strength))
    keep = order[inside[order]][:MOST_FEATURES]
    where = direction(yaw_of_column(at[keep, 0], width), pitch_of_row(at[keep, 1] + first, height))
    return Features(
        np.clip(descriptors[keep], 0, 255).astype(np.uint8),
        where.astype(np.float32),
        colours[keep].astype(np.float32),
    )


def _may_share(first: Units, second: Units) -> bool:
    """Cheap look at the strongest features only: whether a full match is worth while."""
    return len(_matches(first[:FIRST_LOOK], second[:FIRST_LOOK])[0]) >= FEWEST


def _shared(a: Features, b: Features, first: Index, second: Index) -> Shared | None:
    """What two frames have in common, given the pairs that their features make."""
    if len(first) < FEWEST:
        return None
    inlier = _one_motion(a.directions[first].astype(np.float64), b.directions[second].astype(np.float64))
    if int(inlier.sum()) < FEWEST:
        return None
    difference = a.colours[first[inlier]].astype(np.float64) - b.colours[second[inlier]]
    ratio = np.median(difference, axis=0)
    spread = 1.4826 * np.median(np.abs(difference[:, :2] - ratio[:2]))
    count = int(inlier.sum())
    return Shared(count, tuple(float(r) for r in ratio), float(spread / np.sqrt(count)))  # type: ignore[arg-type]


def _for_eyes(rows: Rows) -> NDArray[np.uint8]:
    """8-bit lightness in which a dark room and a bright window both have texture."""
    luminance = np.maximum(rows @ LUMINANCE_OF_WORKING.astype(np.float32), np.float32(1e-4))
    stops = (np.log2(luminance) + np.float32(11)) * np.float32(255 / 13)
    lightness: NDArray[np.uint8] = np.clip(stops, 0, 255).astype(np.uint8)
    return lightness


def _colours_at(belt: Rows, at: Matrix) -> tuple[Matrix, NDArray[np.bool_]]:
    smooth = cv2.blur(belt, (3, 3))
    column = np.mod(np.rint(at[:, 0]).astype(int), belt.shape[1])
    line = np.clip(np.rint(at[:, 1]).astype(int), 0, belt.shape[0] - 1)
    rgb = smooth[line, column].astype(np.float64)
    largest = rgb.max(axis=1)
    cones = rgb @ CONES_FROM_WORKING.T
    luminance = np.log(np.maximum(rgb @ LUMINANCE_OF_WORKING, 1e-6))
    colours = np.concatenate([place_from_cones(cones), luminance[:, None]], axis=1)
    return colours, (largest > RECORDED[0]) & (largest < RECORDED[1])


def _matches(first: Units, second: Units) -> tuple[Index, Index]:
    """Pairs that are each other's best and clearly better than the second best."""
    nothing = np.zeros(0, np.intp)
    if min(len(first), len(second)) < FEWEST:
        return nothing, nothing
    likeness = first @ second.T  # of unit vectors: the squared distance is 2 - 2 of it
    best, back = np.argmax(likeness, axis=1), np.argmax(likeness, axis=0)
    rows = np.arange(len(best))
    own = np.flatnonzero(back[best] == rows)
    likeness, best = likeness[own], best[own]
    rows = np.arange(len(own))
    nearest = np.maximum(2 - 2 * likeness[rows, best], 0)
    likeness[rows, best] = -1
    good = nearest < RATIO**2 * (2 - 2 * likeness.max(axis=1))
    return own[good], best[good]


def _unit(descriptors: NDArray[np.uint8]) -> Units:
    values = descriptors.astype(np.float32)
    unit: Units = values / np.maximum(np.linalg.norm(values, axis=1, keepdims=True), 1e-6)
    return unit


def _one_motion(a: Matrix, b: Matrix) -> NDArray[np.bool_]:
    """Matches that agree with the best turn about the vertical and level shift.

    With the turn known, a match allows one plane through both positions; all headings are tried. A match
    counts for less near the horizon, where every level shift explains it.
    """
    worth = np.clip(np.abs(a[:, 1]) / np.sin(np.radians(4.0)), 0.15, 1.0).astype(np.float32)
    heading = np.radians(_HEADINGS_DEG)
    shift = np.stack([np.sin(heading), np.cos(heading)]).astype(np.float32)
    turned = _turned(a, np.radians(_TURNS_DEG))
    across = np.cross(b[None], turned)[..., ::2].astype(np.float32)
    ahead = np.sum(turned * b[None], axis=-1) > -0.5
    # Off the plane by less than the sine of the angle, of what is left of the direction beside the shift.
    limit = np.float32(np.sin(np.radians(OFF_PLANE_DEG)) ** 2)
    off, along = across @ shift, turned[..., ::2].astype(np.float32) @ shift
    near = np.square(off, out=off) < limit * (1 - np.square(along, out=along))
    near &= ahead[..., None]
    score = worth @ near.astype(np.float32)
    turn, way = np.unravel_index(int(np.argmax(score)), score.shape)
    return near[turn, :, way] if score[turn, way] >= FEWEST / 2 else np.zeros(len(a), bool)


def _turned(directions: Matrix, angles: Matrix) -> Matrix:
    """Directions (n, 3) turned about the vertical by each angle (t), shape (t, n, 3)."""
    x, y, z = directions.T
    cosine, sine = np.cos(angles)[:, None], np.sin(angles)[:, None]
    return np.stack([cosine * x + sine * z, y + 0 * cosine, cosine * z - sine * x], axis=-1)
