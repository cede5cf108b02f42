"""Where a piece of furniture stands, and parts given in its own measures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from kit import Point, box, cushion, rod


@dataclass(frozen=True)
class Spot:
    """A place on the floor and the turn of what stands there.

    Attributes
    ----------
    at : Point
        Origin of the piece.
    yaw : float
        Degrees that it is turned by, anticlockwise seen from above.
    """

    at: Point
    yaw: float = 0.0

    def point(self, x: float, y: float, z: float) -> Point:
        """A point of the piece, in the house."""
        c, s = math.cos(math.radians(self.yaw)), math.sin(math.radians(self.yaw))
        return self.at[0] + c * x - s * y, self.at[1] + s * x + c * y, self.at[2] + z

    def box(self, low: Point, high: Point, material: Any, bevel: float = 0.0) -> Any:
        """A box between two corners."""
        return box(low, high, material, bevel=bevel, at=self.at, yaw=self.yaw)

    def rod(
        self, start: Point, end: Point, radius: float, material: Any, end_radius: float | None = None
    ) -> Any:
        """A round bar between two points."""
        return rod(self.point(*start), self.point(*end), radius, material, end_radius=end_radius)

    def cushion(self, size: Point, middle: Point, material: Any, *, turn: float = 0.0, **form: Any) -> Any:
        """A stuffed block about a point, turned by `turn` degrees more; `form` as `kit.cushion` takes it."""
        return cushion(size, material, at=self.point(*middle), yaw=self.yaw + turn, **form)
