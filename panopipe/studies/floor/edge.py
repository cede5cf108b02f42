"""The line or arc at which two kinds of floor meet, in a straight-down view."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.bool_]
Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Edge:
    """A line or arc in a straight-down view.

    Attributes
    ----------
    middle : tuple of float
        Row and column of the place from which the edge is reckoned.
    angle : float
        Direction in which the distance grows, from across to down, in radians.
    offset_px : float
        Distance from the middle to the edge in that direction.
    bend : float
        Curvature in 1 / pixels; above 0 where the arc's centre lies in that direction.
    hem_px : tuple of float
        From which to which distance lines run along the edge: hem, stripes, the shadow beside a rug.
    """

    middle: tuple[float, float]
    angle: float
    offset_px: float
    bend: float
    hem_px: tuple[float, float] = (0.0, 0.0)

    @property
    def row(self) -> Float:
        """Angle, offset and bend as one edge of many."""
        return np.array([[self.angle, self.offset_px, self.bend]])

    def distance(self, rows: Float, columns: Float) -> Float:
        """Signed distance of places in the view to the edge, in pixels; arrays of one shape."""
        y, x = rows - self.middle[0], columns - self.middle[1]
        return signed_distance(self.row, y.ravel(), x.ravel()).reshape(y.shape)

    def distances(self, shape: tuple[int, ...], factor: int = 1) -> Float:
        """Signed distance in pixels of all blocks of `factor` x `factor` pixels, (h, w) of them."""
        y, x = (
            np.asarray((np.arange(size) + 0.5) * factor - 0.5 - at, np.float64)
            for size, at in zip(shape, self.middle, strict=True)
        )
        distances: Float = signed_distance(self.row[..., None], y[:, None], x)[0]
        return distances

    def along(self, rows: Float, columns: Float) -> Float:
        """How far along the edge places lie, as reckoned on it, from where it is nearest to the middle."""
        y, x = rows - self.middle[0], columns - self.middle[1]
        across = math.cos(self.angle) * y - math.sin(self.angle) * x
        if self.bend == 0:
            return np.asarray(across)
        forward = math.cos(self.angle) * x + math.sin(self.angle) * y
        radius = 1 / self.bend
        sign = math.copysign(1.0, self.bend)
        return np.asarray(np.arctan2(sign * across, sign * (self.offset_px + radius - forward)) * radius)

    def places(self, along: Float, aside: Float) -> tuple[Float, Float]:
        """Rows and columns in the view of places so far along the edge and so far from it."""
        radius = 1 / self.bend if self.bend else 1.0
        turn = along * self.bend
        bent = radius - (radius - aside) * np.cos(turn)
        forward = self.offset_px + (bent if self.bend else aside)
        across = (radius - aside) * np.sin(turn) if self.bend else along
        cosine, sine = math.cos(self.angle), math.sin(self.angle)
        return (
            self.middle[0] + sine * forward + cosine * across,
            self.middle[1] + cosine * forward - sine * across,
        )


def signed_distance(edges: Float, y: Float, x: Float) -> Float:
    """Signed distance of places from each edge."""
    angle, offset, bend = (edges[:, at, None] for at in range(3))
    forward = np.cos(angle) * x + np.sin(angle) * y - offset
    straight = np.abs(bend) < 1e-9
    if straight.all():
        return np.asarray(forward)
    radius = 1 / np.where(straight, 1, bend)
    aside = np.cos(angle) * y - np.sin(angle) * x
    round_ = (np.abs(radius) - np.hypot(forward - radius, aside)) * np.sign(radius)
    return np.asarray(np.where(straight, forward, round_))


def lies_beyond(edges: Float, y: Float, x: Float) -> Mask:
    """Whether places lie beyond each edge, without roots."""
    angle, offset, bend = (edges[:, at, None] for at in range(3))
    forward = np.cos(angle) * x + np.sin(angle) * y - offset
    if not edges[:, 2].any():
        return np.asarray(forward > 0)
    # Inside the circle: the square of the distance from its centre is less than that of its radius.
    inside = 2 * forward - bend * (forward * forward + np.square(np.cos(angle) * y - np.sin(angle) * x))
    return np.asarray(inside > 0)


def places_at(edges: Float, along: Float, aside: float) -> tuple[Float, Float]:
    """Rows and columns, from the middle, of places so far along each edge and so far from it."""
    angle, offset, bend = (edges[:, at, None] for at in range(3))
    straight = np.abs(bend) < 1e-9
    radius = 1 / np.where(straight, 1, bend)
    turn = along * np.where(straight, 0, bend)
    forward = np.where(straight, offset + aside, offset + radius - (radius - aside) * np.cos(turn))
    across = np.where(straight, along, (radius - aside) * np.sin(turn))
    return (
        np.sin(angle) * forward + np.cos(angle) * across,
        np.cos(angle) * forward - np.sin(angle) * across,
    )
