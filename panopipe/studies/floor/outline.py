"""The outline of what stands under the camera: an angle from the nadir for each direction around it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.views import View

DIRECTIONS = 360
"""Directions in which an outline is known; direction i is centred on yaw i + .5 - 180 degrees."""

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A closed line around the nadir, star-shaped from it.

    Attributes
    ----------
    radius_deg : ndarray of shape (360,), dtype float64
        Angle from the nadir in each direction, one degree of yaw apart, in the yaw of the arrays.
    """

    radius_deg: Float

    @property
    def mean_deg(self) -> float:
        """Radius of the circle that covers as much of the sphere."""
        share = 1 - np.cos(np.radians(self.radius_deg))
        return float(np.degrees(np.arccos(1 - share.mean())))

    @property
    def largest_deg(self) -> float:
        """Largest angle from the nadir."""
        return float(self.radius_deg.max())

    def turned(self, yaw_deg: float) -> Outline:
        """Turn the outline to larger yaw."""
        centres = np.arange(DIRECTIONS) + 0.5
        return Outline(np.interp(centres - yaw_deg, centres, self.radius_deg, period=DIRECTIONS))

    def union(self, other: Outline) -> Outline:
        """Whatever one or the other covers."""
        return Outline(np.maximum(self.radius_deg, other.radius_deg))

    def grown(self, by_deg: float) -> Outline:
        """Move the outline outwards by an angle."""
        return Outline(self.radius_deg + by_deg)

    def distance(self, view: View) -> NDArray[np.float32]:
        """Distance to the outline in pixels of a straight-down view, along the radius; negative inside.

        Beyond twice the largest radius it is the distance to that.
        """
        right, up = (part.astype(np.float32) for part in view.plane())
        largest = math.tan(math.radians(self.largest_deg))
        far = np.sqrt(right * right + up * up)
        distance: NDArray[np.float32] = far - np.float32(largest)
        near = _within(up[:, 0], 2 * largest), _within(right[0], 2 * largest)
        heading_deg = math.degrees(math.atan2(view.axes[0, 1], view.axes[2, 1]))
        finer = 8
        angles = (np.arange(DIRECTIONS * finer) + 0.5) / finer + heading_deg
        radius = np.interp(angles, np.arange(DIRECTIONS) + 0.5, self.radius_deg, period=DIRECTIONS)
        # The left half is the right half's mirror image.
        middle = (near[1].stop - near[1].start) // 2
        half = np.arctan2(right[:, near[1]][:, middle:], up[near[0]])
        yaw = np.concatenate([-half[:, ::-1][:, :middle], half], axis=1)
        yaw += np.float32(np.pi)
        yaw *= np.float32(DIRECTIONS * finer / (2 * np.pi))
        index = np.minimum(yaw.astype(np.int32), DIRECTIONS * finer - 1)
        distance[near] = far[near] - np.tan(np.radians(radius)).astype(np.float32)[index]
        distance *= np.float32(view.focal_px)
        return distance


def _within(at: NDArray[np.float32], reach: float) -> slice:
    """Where coordinates that run through 0 are at most so far from it."""
    inside = np.flatnonzero(np.abs(at) <= reach)
    return slice(int(inside[0]), int(inside[-1]) + 1) if inside.size else slice(0, 0)


def circle(radius_deg: float) -> Outline:
    """Outline of a round foot seen from straight above."""
    return Outline(np.full(DIRECTIONS, float(radius_deg)))


def outline_of_picture(drawn: NDArray[np.float32], *, field_deg: float) -> Outline:
    """Outline of the white part of a picture seen straight down, its top at yaw 0.

    Parameters
    ----------
    drawn : ndarray of shape (h, w, 3 or 4), dtype float32
        White is covered; transparent is not.
    field_deg : float
        Angle that the sides of the picture's middle square span.

    Raises
    ------
    ValueError
        If nothing in the picture is white.
    """
    height, width = drawn.shape[:2]
    side = min(height, width)
    white = drawn[..., :3].mean(-1) > 0.25
    if drawn.shape[-1] == 4:
        white &= drawn[..., 3] > 0.5
    rows, columns = np.nonzero(white)
    if rows.size == 0:
        raise ValueError("the picture of what to cover has no white in it; paint white what shall be covered")
    scale = np.tan(np.radians(field_deg / 2)) / (side / 2)
    right, forward = (columns + 0.5 - width / 2) * scale, (height / 2 - rows - 0.5) * scale
    far = np.degrees(np.arctan(np.hypot(right, forward) + 0.5 * scale))
    at = np.floor(np.degrees(np.arctan2(right, forward)) + 180).astype(int) % DIRECTIONS
    radius = np.zeros(DIRECTIONS)
    np.maximum.at(radius, at, far)
    # A picture of few pixels leaves directions empty near its middle: take their neighbours'.
    filled = np.flatnonzero(radius)
    return Outline(np.interp(np.arange(DIRECTIONS), filled, radius[filled], period=DIRECTIONS))
