"""What a bathroom has that no other room has."""

from __future__ import annotations

from typing import Any

import textures
from finishes import ceramic, silvered
from house import Side, oak, steel
from kit import Point, glossy, loft, matt, papered, picture, rod, turned

_BATH = (
    (0.84, 0.36, 0, 0.75), (0.84, 0.36, 0.56, 0.8), (0.855, 0.375, 0.575, 0.8), (0.85, 0.37, 0.59, 0.8),
    (0.775, 0.30, 0.59, 0.7), (0.76, 0.285, 0.57, 0.65), (0.70, 0.24, 0.25, 0.5), (0.6, 0.19, 0.19, 0.4),
)  # fmt: skip
_BASIN = (
    (0.13, 0.16, 0, 0.2), (0.19, 0.26, 0.10, 0.2), (0.20, 0.27, 0.13, 0.2), (0.185, 0.255, 0.13, 0.2),
    (0.15, 0.21, 0.06, 0.2), (0.06, 0.08, 0.03, 0),
)  # fmt: skip
_PAN = (
    (0.20, 0.12, 0, 0.2), (0.21, 0.13, 0.20, 0.2), (0.27, 0.18, 0.37, 0.2), (0.275, 0.185, 0.40, 0.2),
    (0.26, 0.17, 0.425, 0.2), (0.05, 0.05, 0.43, 0),
)  # fmt: skip
"""Rings as `kit.loft` takes them, from the floor up and, in hollow ware, down again."""


def tiling(side: Side, *spans: tuple[float, float], top: float = 1.30) -> None:
    """Wall tiles up to a dark edge."""
    tiles = papered("wall tiles", picture("wall tiles", textures.wall_tiles()), 1.2, roughness=0.14, index=6)
    edge = glossy("tile edge", (0.05, 0.09, 0.10), roughness=0.2)
    for span in spans:
        side.box(span, (0, 0.016), (0, top), tiles)
        side.box(span, (0, 0.024), (top, top + 0.018), edge, bevel=0.004)


def tap(foot: Point, high: float, spout: tuple[Point, Point], radii: tuple[float, float]) -> None:
    """A pipe up to `high` and a spout."""
    rod(foot, (foot[0], foot[1], high), radii[0], steel())
    rod(*spout, radii[1], steel())


def bath(at: tuple[float, float]) -> None:
    """A free-standing bath with its tap at the near end."""
    x, y = at
    loft(_BATH, ceramic(), at=(x, y, 0), yaw=90)
    end = y - 0.77
    tap((x, end, 0.60), 0.78, ((x, end, 0.77), (x, y - 0.60, 0.75)), (0.014, 0.012))


def wash_stand(side: Side) -> None:
    """A cupboard with a stone top on a wall, a basin, a tap, and a mirror above."""
    wood = oak()
    side.box((6.55, 7.65), (0.02, 0.48), (0.34, 0.80), wood, bevel=0.006)
    for a in (6.56, 7.105):
        side.box((a, a + 0.535), (0.478, 0.496), (0.36, 0.78), wood, bevel=0.004)
        rod(side.point(a + 0.2, 0.515, 0.70), side.point(a + 0.335, 0.515, 0.70), 0.007, steel())
    side.box((6.52, 7.68), (0.0, 0.50), (0.80, 0.825), matt("top", (0.66, 0.65, 0.62)), bevel=0.005)
    loft(_BASIN, ceramic(), at=(0.86, 7.1, 0.825))
    tap((0.66, 7.1, 0.825), 1.06, ((0.66, 7.1, 1.05), (0.80, 7.1, 1.03)), (0.014, 0.011))
    side.box((6.62, 7.58), (0.016, 0.034), (1.38, 2.02), silvered())
    side.box((6.60, 7.60), (0.012, 0.030), (1.36, 2.04), steel())


def soap(at: Point) -> None:
    """A dark green bottle of soap."""
    outline = [(0, 0), (0.035, 0), (0.035, 0.12), (0.012, 0.135), (0.012, 0.16), (0, 0.16)]
    turned(outline, glossy("soap", (0.10, 0.17, 0.14), roughness=0.2), at=at)


def pan(side: Side, at: tuple[float, float]) -> None:
    """The pan, and its cistern on the wall."""
    x, y = at
    white: Any = ceramic()
    loft(_PAN, white, at=(x, y, 0), yaw=90)
    side.box((x - 0.21, x + 0.21), (0.016, 0.19), (0.38, 0.78), white, bevel=0.025)
    side.box((x - 0.22, x + 0.22), (0.016, 0.20), (0.78, 0.805), white, bevel=0.01)
