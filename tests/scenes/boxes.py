"""What both ray-casters of box rooms know of boxes, their faces, and the rays of a sphere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column

Array = NDArray[np.float32]
Index = NDArray[np.intp]
Point = tuple[float, float, float]
OUTDOORS = -1
PLANE = {0: (2, 1), 1: (0, 2), 2: (0, 1)}
"""The two axes (u, v) in a face that is normal to axis 0, 1 or 2."""


@dataclass(frozen=True)
class Opening:
    """A doorway or window in a face of a room; `to` is a room's number or OUTDOORS.

    A face is 2 axis + (0 low side, 1 high side); it is open from `low` to `high`, in its two axes.
    """

    face: int
    low: tuple[float, float]
    high: tuple[float, float]
    to: int = OUTDOORS

    def area(self) -> float:
        """Square metres."""
        return (self.high[0] - self.low[0]) * (self.high[1] - self.low[1])


class HasCorners(Protocol):
    """A piece of furniture, whatever it is made of."""

    @property
    def low(self) -> Point:
        """Lowest corner."""

    @property
    def high(self) -> Point:
        """Highest corner."""


def rays_of_sphere(width: int, heading_deg: float = 0.0) -> Array:
    """Directions of all pixels of a frame of `width` columns, row after row, shape (width ** 2 / 2, 3)."""
    yaw, pitch = yaw_of_column(np.arange(width), width), pitch_of_row(np.arange(width // 2), width // 2)
    rays = direction(yaw[None, :] + heading_deg, pitch[:, None]).reshape(-1, 3).astype(np.float32)
    rays[np.abs(rays) < 1e-7] = 1e-7
    return rays


def within(
    u: Array, v: Array, low: tuple[float, float], high: tuple[float, float], more: float = 0.0
) -> NDArray[np.bool_]:
    """Whether places of a face lie in a rectangle that is `more` larger on all sides."""
    inside: NDArray[np.bool_] = (
        (u > low[0] - more) & (u < high[0] + more) & (v > low[1] - more) & (v < high[1] + more)
    )
    return inside


def nearest_box(
    origin: Array, rays: Array, boxes: Sequence[HasCorners], beyond: Array | float
) -> tuple[Index, Array, Index]:
    """First box that each ray enters further off than `beyond`: its number (-1 none), distance and face."""
    best = np.full(len(rays), np.inf, np.float32)
    number, face = np.full(len(rays), -1, np.intp), np.zeros(len(rays), np.intp)
    for which, box in enumerate(boxes):
        low = (np.array(box.low, np.float32) - origin) / rays
        high = (np.array(box.high, np.float32) - origin) / rays
        first = np.minimum(low, high)
        enter, leave = first.max(axis=1), np.maximum(low, high).min(axis=1)
        hit = (enter < leave) & (enter > beyond) & (enter < best)
        best[hit], number[hit] = enter[hit], which
        axis = np.argmax(first[hit], axis=1)
        face[hit] = 2 * axis + (np.take_along_axis(rays[hit], axis[:, None], 1)[:, 0] < 0)
    return number, best, face
