"""The shell of the house: floors, walls with their openings, ceilings, doors, windows, trim, roof."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import textures
from kit import box, glass, glossy, matt, papered, picture, portal, rod, unlit
from plan import (
    BATH_DOOR,
    BATH_WINDOW,
    BEDROOM_DOOR,
    BEDROOM_WINDOW,
    CEILING_M,
    FRONT_DOOR,
    GARDEN_DOOR,
    LOUNGE_DOOR,
    LOUNGE_WINDOW,
    NEUTRALS,
    Opening,
)

WALL_M = 0.15


def neutral(index: int) -> Any:
    """A matt neutral of the table."""
    name, value = NEUTRALS[index]
    return matt(name, (value,) * 3, index=index)


def oak(turned: bool = False, tint: tuple[float, float, float] = (0.42, 0.27, 0.145)) -> Any:
    """Furniture oak; `turned` for grain that runs up."""
    turn = (0, math.pi / 2, 0) if turned else (0, 0, 0)
    name = f"wood {turned} {tint}"
    return papered(name, picture("wood", textures.wood()), 0.8, tint=tint, roughness=0.42, turn=turn)


@dataclass(frozen=True)
class Side:
    """One face of a wall, seen from its room.

    Attributes
    ----------
    axis : str
        "x" or "y": which way the wall runs.
    face : float
        Coordinate of the face across the wall.
    inward : int
        +1 or -1: which way the room lies.
    """

    axis: str
    face: float
    inward: int

    def box(
        self,
        s: tuple[float, float],
        d: tuple[float, float],
        z: tuple[float, float],
        material: Any,
        bevel: float = 0,
    ) -> Any:
        """A box by length along the wall, depth into the room, and height."""
        near, far = sorted((self.face + self.inward * d[0], self.face + self.inward * d[1]))
        if self.axis == "x":
            return box((s[0], near, z[0]), (s[1], far, z[1]), material, bevel=bevel)
        return box((near, s[0], z[0]), (far, s[1], z[1]), material, bevel=bevel)

    def point(self, s: float, d: float, z: float) -> tuple[float, float, float]:
        """A point by the same three measures."""
        across = self.face + self.inward * d
        return (s, across, z) if self.axis == "x" else (across, s, z)


def skin(
    side: Side,
    span: tuple[float, float],
    openings: Sequence[Opening],
    material: Any,
    *,
    thick: float,
    top: float = CEILING_M,
) -> None:
    """One half of a wall, behind its face, with holes left out."""
    start = span[0]
    for a, b, low, high in sorted(openings):
        if a > start:
            side.box((start, a), (-thick, 0), (0, top), material)
        if low > 0:
            side.box((a, b), (-thick, 0), (0, low), material)
        if high < top:
            side.box((a, b), (-thick, 0), (high, top), material)
        start = b
    side.box((start, span[1]), (-thick, 0), (0, top), material)


def skirting(side: Side, span: tuple[float, float], doors: Sequence[Opening]) -> None:
    """Skirting board and a slim cornice, broken at doors."""
    start = span[0]
    for a, b, low, _ in sorted(doors):
        if low <= 0:
            side.box((start, a - 0.07), (0, 0.014), (0, 0.10), neutral(2), bevel=0.004)
            start = b + 0.07
    side.box((start, span[1]), (0, 0.014), (0, 0.10), neutral(2), bevel=0.004)
    side.box(span, (0, 0.035), (CEILING_M - 0.035, CEILING_M), neutral(1), bevel=0.015)


def casing(side: Side, opening: Opening) -> None:
    """Moulding round a door or window, on one face."""
    a, b, low, high = opening
    width, deep = 0.07, 0.016
    side.box((a - width, a), (0, deep), (max(low - width, 0), high + width), neutral(2), bevel=0.005)
    side.box((b, b + width), (0, deep), (max(low - width, 0), high + width), neutral(2), bevel=0.005)
    side.box(
        (a - width - 0.015, b + width + 0.015),
        (0, deep + 0.012),
        (high, high + width + 0.02),
        neutral(2),
        bevel=0.005,
    )
    if low > 0:
        side.box(
            (a - width - 0.02, b + width + 0.02), (-0.1, 0.09), (low - 0.035, low), neutral(2), bevel=0.008
        )


def lining(side: Side, opening: Opening, thick: float, sill: Any = None) -> None:
    """Boards inside the opening, through the wall."""
    a, b, low, high = opening
    side.box((a - 0.001, a + 0.022), (-thick, 0), (low, high), neutral(2))
    side.box((b - 0.022, b + 0.001), (-thick, 0), (low, high), neutral(2))
    side.box((a, b), (-thick, 0), (high - 0.022, high + 0.001), neutral(2))
    if low > 0 or sill is not None:
        side.box((a, b), (-thick, 0), (low - 0.001, low + 0.018), sill or neutral(2))


def window(side: Side, opening: Opening, panes: int, *, frosted: bool = False, thick: float = 0.25) -> None:
    """Frame, bars and glass, and the way in for daylight."""
    a, b, low, high = opening
    lining(side, opening, thick)
    casing(side, opening)
    low += 0.018
    depth = (-thick + 0.06, -thick + 0.115)
    bar = 0.045
    width = (b - a) / panes
    for k in range(panes + 1):
        at = a + k * width
        side.box((max(a, at - bar), min(b, at + bar)), depth, (low, high), neutral(2), bevel=0.006)
    for foot in (low, high - bar - 0.012):
        side.box((a, b), depth, (foot, foot + bar + 0.012), neutral(2), bevel=0.006)
    if not frosted:
        side.box(
            (a, b), (depth[0] + 0.012, depth[1] - 0.012), (high - 0.47, high - 0.44), neutral(2), bevel=0.004
        )
    middle = (depth[0] + depth[1]) / 2
    pane = side.box(
        (a, b), (middle, middle + 0.004), (low, high), glass("frosted", frosted=True) if frosted else glass()
    )
    if not frosted:
        unlit(pane)
    for k in range(panes):
        handle = a + (k + 1) * width - 0.03
        if k < panes - 1 or panes == 1:
            rod(
                side.point(handle, depth[1] + 0.03, low + 0.45),
                side.point(handle, depth[1] + 0.03, low + 0.57),
                0.008,
                brass(),
            )
    daylight(side, opening, thick)


def daylight(side: Side, opening: Opening, thick: float) -> None:
    """A portal on the outer face of an opening."""
    a, b, low, high = opening
    inward = (0, side.inward, 0) if side.axis == "x" else (side.inward, 0, 0)
    portal(side.point(a, -thick - 0.01, low), side.point(b, -thick - 0.01, high), inward)


def brass() -> Any:
    """Brushed brass."""
    return glossy("brass", (0.72, 0.52, 0.25), roughness=0.28, metal=1)


def steel() -> Any:
    """Bright steel."""
    return glossy("steel", (0.62, 0.62, 0.62), roughness=0.16, metal=1)


def leaf(
    hinge: tuple[float, float], yaw: float, width: float, height: float, *, glazed: bool = False
) -> None:
    """A door leaf that turns about its hinge; yaw is where it points, from east, anticlockwise."""
    at = (hinge[0], hinge[1], 0.0)
    thick = 0.04

    def part(
        s: tuple[float, float],
        d: tuple[float, float],
        z: tuple[float, float],
        material: Any,
        bevel: float = 0.004,
    ) -> None:
        box((s[0], d[0], z[0]), (s[1], d[1], z[1]), material, bevel=bevel, at=at, yaw=yaw)

    stile = 0.10
    faces = (-thick / 2, thick / 2)
    for s in ((0, stile), (width - stile, width)):
        part(s, faces, (0.008, height), neutral(2))
    rails = [(0.008, 0.2), (height - 0.11, height)] + ([(0.72, 0.80)] if glazed else [(0.9, 1.03)])
    for z in rails:
        part((stile, width - stile), faces, z, neutral(2))
    if glazed:
        unlit(box((stile, -0.003, 0.78), (width - stile, 0.003, height - 0.1), glass(), at=at, yaw=yaw))
        part((stile, width - stile), (-0.012, 0.012), (0.19, 0.73), neutral(2))
        part((stile, width - stile), (-0.012, 0.012), (1.42, 1.45), neutral(2))
    else:
        part((stile - 0.001, width - stile + 0.001), (-0.011, 0.011), (0.19, height - 0.1), neutral(2), 0)
        for z in ((0.23, 0.87), (1.06, height - 0.14)):
            part((stile + 0.035, width - stile - 0.035), (-0.017, 0.017), z, neutral(2), 0.008)
    c, s = math.cos(math.radians(yaw)), math.sin(math.radians(yaw))

    def spot(along: float, off: float, z: float) -> tuple[float, float, float]:
        return (hinge[0] + along * c - off * s, hinge[1] + along * s + off * c, z)

    for sign in (-1, 1):
        rod(spot(width - 0.055, sign * 0.02, 1.0), spot(width - 0.055, sign * 0.06, 1.0), 0.009, brass())
        rod(spot(width - 0.05, sign * 0.06, 1.0), spot(width - 0.17, sign * 0.06, 1.0), 0.008, brass())


def floor(low: tuple[float, float], high: tuple[float, float], material: Any) -> None:
    """A floor slab whose top is height 0."""
    box((low[0], low[1], -0.08), (high[0], high[1], 0), material)


def build() -> None:
    """Put the whole shell in the scene."""
    white = neutral(3)
    ochre = matt("ochre wall", (0.50, 0.33, 0.15))
    sea = matt("green wall", (0.22, 0.33, 0.30))
    cladding = papered(
        "cladding",
        picture(
            "cladding",
            textures.planks(
                1024, metres=2.8, width=0.14, colour=(0.17, 0.10, 0.06), gap=0.004, spread=0.10, seed=15
            ),
        ),
        2.8,
        turn=(0, math.pi / 2, 0),
        roughness=0.7,
    )
    _floors()
    half = WALL_M / 2
    rooms: list[tuple[Side, tuple[float, float], list[Opening], Any, float]] = [
        # lounge
        (Side("x", 0, 1), (0, 5.2), [GARDEN_DOOR, LOUNGE_WINDOW], white, 0.12),
        (Side("x", 4.2, -1), (0, 5.2), [LOUNGE_DOOR], white, half),
        (Side("y", 0, 1), (0, 4.2), [], ochre, 0.12),
        (Side("y", 5.2, -1), (0, 4.2), [], white, half),
        # bedroom
        (Side("x", 0, 1), (5.35, 9.4), [BEDROOM_WINDOW], white, 0.12),
        (Side("x", 4.2, -1), (5.35, 9.4), [BEDROOM_DOOR], white, half),
        (Side("y", 5.35, 1), (0, 4.2), [], white, half),
        (Side("y", 9.4, -1), (0, 4.2), [], sea, 0.12),
        # hall
        (Side("x", 4.35, 1), (0, 9.4), [LOUNGE_DOOR, BEDROOM_DOOR], white, half),
        (Side("x", 5.75, -1), (0, 9.4), [BATH_DOOR], white, half),
        (Side("y", 0, 1), (4.35, 5.75), [FRONT_DOOR], white, 0.12),
        (Side("y", 9.4, -1), (4.35, 5.75), [], white, 0.12),
        # bathroom
        (Side("x", 5.9, 1), (0.6, 3.6), [BATH_DOOR], white, half),
        (Side("x", 8.3, -1), (0.6, 3.6), [BATH_WINDOW], white, 0.12),
        (Side("y", 0.6, 1), (5.9, 8.3), [], white, 0.12),
        (Side("y", 3.6, -1), (5.9, 8.3), [], white, 0.12),
    ]
    for side, span, openings, material, thick in rooms:
        skin(side, span, openings, material, thick=thick)
        skirting(side, span, openings)
    outer: list[tuple[Side, tuple[float, float], list[Opening]]] = [
        (Side("x", -0.25, -1), (-0.25, 9.65), [GARDEN_DOOR, LOUNGE_WINDOW, BEDROOM_WINDOW]),
        (Side("y", -0.25, -1), (-0.12, 5.87), [FRONT_DOOR]),
        (Side("y", 9.65, 1), (-0.12, 5.87), []),
        (Side("x", 8.55, 1), (0.35, 3.85), [BATH_WINDOW]),
        (Side("y", 0.35, -1), (6.0, 8.42), []),
        (Side("y", 3.85, 1), (6.0, 8.42), []),
        (Side("x", 6.0, 1), (3.73, 9.65), []),
        (Side("x", 6.0, 1), (-0.25, 0.47), []),
    ]
    for side, span, openings in outer:
        skin(side, span, openings, cladding, thick=0.13, top=2.78)
        for opening in openings:
            casing(side, opening)
    _doors()
    window(Side("x", 0, 1), LOUNGE_WINDOW, 2)
    window(Side("x", 0, 1), BEDROOM_WINDOW, 3)
    window(Side("x", 8.3, -1), BATH_WINDOW, 1, frosted=True)
    _roof()


def _floors() -> None:
    boards = picture("planks", textures.planks())
    floor(
        (-0.13, -0.13), (5.27, 4.275), papered("oak floor", boards, 5.12, roughness=0.36, projection="FLAT")
    )
    wool = papered(
        "wool", picture("carpet", textures.carpet()), 1.2, roughness=1, specular=0.1, projection="FLAT"
    )
    floor((5.27, -0.13), (9.53, 4.275), wool)
    stone = papered(
        "stone", picture("stone", textures.square_tiles()), 3.2, roughness=0.38, projection="FLAT"
    )
    floor((-0.13, 4.275), (9.53, 5.825), stone)
    tiles, aspect = textures.hexagons()
    hexes = papered("hexes", picture("hexes", tiles), 1.92, aspect=aspect, roughness=0.28, projection="FLAT")
    floor((0.47, 5.825), (3.73, 8.43), hexes)


def _doors() -> None:
    lining(Side("x", 4.35, 1), LOUNGE_DOOR, WALL_M)
    lining(Side("x", 4.35, 1), BEDROOM_DOOR, WALL_M)
    lining(Side("x", 5.75, -1), BATH_DOOR, WALL_M)
    lining(Side("y", 0, 1), FRONT_DOOR, 0.25, sill=oak())
    lining(Side("x", 0, 1), GARDEN_DOOR, 0.25, sill=oak())
    for side, opening in (
        (Side("x", 4.2, -1), LOUNGE_DOOR),
        (Side("x", 4.35, 1), LOUNGE_DOOR),
        (Side("x", 4.2, -1), BEDROOM_DOOR),
        (Side("x", 4.35, 1), BEDROOM_DOOR),
        (Side("x", 5.75, -1), BATH_DOOR),
        (Side("x", 5.9, 1), BATH_DOOR),
        (Side("y", 0, 1), FRONT_DOOR),
        (Side("x", 0, 1), GARDEN_DOOR),
    ):
        casing(side, opening)
    leaf((4.48, 4.17), -66, 0.86, 2.02)
    leaf((5.87, 4.17), -84, 0.86, 2.02)
    leaf((2.48, 5.93), 86, 0.81, 2.02)
    leaf((-0.1, 4.63), 90, 0.84, 2.06, glazed=True)
    leaf((0.79, -0.23), 197, 0.67, 2.11, glazed=True)
    leaf((2.11, -0.23), -17, 0.67, 2.11, glazed=True)
    daylight(Side("y", 0, 1), (4.75, 5.35, 0.8, 2.0), 0.25)
    daylight(Side("x", 0, 1), GARDEN_DOOR, 0.25)


def _roof() -> None:
    ceiling = neutral(1)
    for low, high in (((-0.13, -0.13), (9.53, 5.83)), ((0.47, 5.83), (3.73, 8.43))):
        box((low[0], low[1], CEILING_M), (high[0], high[1], 2.75), ceiling)
    slate = glossy("roof", (0.07, 0.07, 0.075), roughness=0.6)
    soffit = matt("soffit", (0.62, 0.60, 0.56))
    for low, high in (((-0.75, -0.85), (10.15, 6.5)), ((-0.15, 6.4), (4.35, 9.05))):
        box((low[0], low[1], 2.75), (high[0], high[1], 2.79), soffit)
        box((low[0] - 0.02, low[1] - 0.02, 2.77), (high[0] + 0.02, high[1] + 0.02, 2.93), slate, bevel=0.01)
