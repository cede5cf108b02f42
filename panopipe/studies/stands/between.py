"""The floor between two frames of known places: where both see it, no wall stands between them.

Of a floor that both see along the straight line between them, the views straight down agree, laid over each
other; where a wall hides it from one of them, they do not. Beside the line they agree, too, if both stand in
one room: through a door, all that lies beside it is hidden.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.floor import CODES, FOOT, PIXELS, REACH, SIDE, Floor

Float = NDArray[np.float64]
Single = NDArray[np.float32]

_STEP = 1.0 / PIXELS
_ASIDE = 0.1
"""Half the width of the way, in camera heights: 0.3 m between its sides, at a camera height of 1.5 m."""
_SHORT_STRETCH, _STRETCH, _STRETCH_LESS = 8, 12, 0.1
"""Steps of a stretch beside the way and along it, 0.4 and 0.6 camera heights, and how much less its floor may
agree than all of it."""
_BESIDE = (0.45, 1.1)
"""From and to where beside the way one room goes on; half a wide door is 0.45."""
_MIDDLE, _LEAST_MIDDLE = 0.35, 0.3
"""The part of the way beside which is looked, as a share of it to both sides of its middle, and the least."""
_SHORTEST, _LONG, _SHORT_LESS = 0.5, 1.6, 0.25
"""Camera heights of a way that can be compared at least, that leave little to chance, and what each less than
that counts."""
_FAR, _FAR_LESS = 3.0, 0.05
"""Distance from which on the floor is seen slantingly by both, and what each camera height beyond counts."""
_CLEAR_TO = 3.0
"""How far from a frame the floor is seen clearly enough for it."""
_SLIPS = (-_STEP, 0.0, _STEP)
"""What is left of the error of a place."""
_PATTERN = 0.1
"""Least mean square of the detail, in its own variances, that a floor has anything to tell with."""


@dataclass(frozen=True, slots=True)
class Way:
    """The straight line between two frames.

    Attributes
    ----------
    yaw_deg, back_yaw_deg : float
        Yaw at which each sees the other, in its own arrays.
    distance : float
        In camera heights.
    """

    yaw_deg: float
    back_yaw_deg: float
    distance: float

    @property
    def back(self) -> Way:
        """The same from the other end."""
        return Way(self.back_yaw_deg, self.yaw_deg, self.distance)


def seen_by_both(one: Floor, other: Floor, way: Way) -> float | None:
    """How well the floor along a way agrees, up to 1; None where too little can be compared.

    It is the correlation of all of it or, where less, a little more than that of its worst stretch; less the
    chance that a short way leaves. Of both halves of the way's width the worse counts.
    """
    begin, end = max(FOOT, way.distance - _CLEAR_TO), min(_CLEAR_TO, way.distance - FOOT)
    if end - begin < _SHORTEST:
        return None
    along, across = np.meshgrid(np.arange(begin, end, _STEP), np.arange(-_ASIDE, _ASIDE + _STEP / 2, _STEP))
    own = _sampled(one, way.yaw_deg, along, across)
    if float(np.square(own).mean()) < _PATTERN:
        return None
    slips = _slips()[:, :, None, None]
    its = _sampled(other, way.back_yaw_deg, way.distance - along + slips[0], slips[1] - across)
    best = _best_worse_half(own, its)
    chance = _SHORT_LESS * max(0.0, _LONG - (end - begin)) + _FAR_LESS * max(0.0, way.distance - _FAR)
    return best - chance


@cache
def _slips() -> Float:
    """What is left of the errors of a place, along and aside: shape (2, 9)."""
    return np.array(list(itertools.product(_SLIPS, _SLIPS))).T


def _best_worse_half(one: Single, others: Single) -> float:
    """The best of several agreements, each that of the worse half of the width."""
    middle = others.shape[1] // 2
    halves = slice(middle + 1), slice(middle, None)
    both, first, second = (
        np.stack([product[:, half].sum(axis=1) for half in halves], axis=1)
        for product in (others * one, np.broadcast_to(one * one, others.shape), others * others)
    )
    whole, stretch = (
        _correlation(_run(both, many), _run(first, many), _run(second, many)).min(axis=2)
        for many in (both.shape[2], _STRETCH)
    )
    return float(np.minimum(whole, stretch + np.float32(_STRETCH_LESS)).min(axis=1).max())


def _run(sums: Single, many: int) -> Single:
    """Sums over stretches of so many steps, or over all where there are fewer."""
    total = np.zeros((*sums.shape[:-1], sums.shape[-1] + 1), np.float32)
    np.cumsum(sums, axis=-1, out=total[..., 1:])
    many = min(many, sums.shape[-1])
    runs: Single = total[..., many:] - total[..., :-many]
    return runs


def _correlation(both: Single, one: Single, other: Single) -> Single:
    told: Single = both / np.sqrt(one * other + 1e-6)
    return told


def beside(one: Floor, other: Floor, way: Way) -> float | None:
    """How well the floor beside a way agrees in its worst stretch, on the better side; None if bare."""
    half = max(_LEAST_MIDDLE, _MIDDLE * way.distance)
    begin = max(0.0, way.distance / 2 - half, way.distance - REACH)
    end = min(way.distance / 2 + half, REACH)
    if end - begin < 4 * _STEP:
        return None
    told = []
    for side in (1.0, -1.0):
        along, across = np.meshgrid(np.arange(begin, end, _STEP), side * np.arange(*_BESIDE, _STEP))
        own = _sampled(one, way.yaw_deg, along, across)
        its = _sampled(other, way.back_yaw_deg, way.distance - along, -across)
        if min(float(np.square(own).mean()), float(np.square(its).mean())) < _PATTERN:
            return None
        sums = [(a * b).sum(axis=0)[None] for a, b in ((own, its), (own, own), (its, its))]
        told.append(_correlation(*(_run(part, _SHORT_STRETCH) for part in sums)))
    return float(np.maximum(*told).min())


def _sampled(floor: Floor, yaw_deg: float, along: Float, across: Float) -> Single:
    """Detail of a floor at places along a yaw and to the right of it, in standard deviations."""
    yaw = np.radians(yaw_deg - floor.heading_deg)
    right = along * np.sin(yaw) + across * np.cos(yaw)
    forward = along * np.cos(yaw) - across * np.sin(yaw)
    column, row = right * PIXELS + (SIDE / 2 - 0.5), (SIDE / 2 - 0.5) - forward * PIXELS
    flat = (-1, column.shape[-1])
    sampled: Single = cv2.remap(
        floor.detail.astype(np.float32), column.astype(np.float32).reshape(flat),
        row.astype(np.float32).reshape(flat), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
    ).reshape(column.shape) / np.float32(CODES)  # fmt: skip
    return sampled
