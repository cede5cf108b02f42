"""Lamps of the rooms: what is seen of each, and the bulb that gives its light."""

from __future__ import annotations

import math

from house import brass
from kit import Colour, Point, ball, glossy, glow, lamp, only_seen, rod, turned
from plan import lamp_rgb


def shade(
    at: Point, low: float, high: float, tall: float, kelvin: float, power: float, *, name: str, bright: float
) -> None:
    """A lampshade, a cone from radius `low` to `high`, its bulb free above and below."""
    colour = lamp_rgb(kelvin)
    # Cloth passes about a third and warms it; kept at the lamp's own colour so that the truth stays simple.
    cover = glow(f"shade {name}", colour, bright)
    turned([(low, 0), (high, tall)], cover, at=at, steps=18)
    rim = brass()
    turned([(low + 0.002, 0), (low + 0.004, 0.008), (low + 0.002, 0.012)], rim, at=at)
    lamp((at[0], at[1], at[2] + tall * 0.45), power, colour, radius=0.035)


def table_lamp(
    at: Point,
    kelvin: float,
    power: float,
    *,
    name: str,
    foot: Colour = (0.10, 0.16, 0.17),
    bright: float = 2.0,
) -> None:
    """A glazed foot under a cloth shade."""
    turned(
        [
            (0, 0),
            (0.07, 0),
            (0.075, 0.01),
            (0.05, 0.02),
            (0.07, 0.07),
            (0.075, 0.12),
            (0.05, 0.19),
            (0.014, 0.22),
            (0.01, 0.30),
            (0, 0.30),
        ],
        glossy(f"foot {name}", foot, roughness=0.12),
        at=at,
    )
    shade((at[0], at[1], at[2] + 0.27), 0.15, 0.10, 0.20, kelvin, power, name=name, bright=bright)


def floor_lamp(at: Point, kelvin: float, power: float, *, name: str, bright: float = 2.0) -> None:
    """A slim standing lamp."""
    turned([(0, 0), (0.14, 0), (0.14, 0.015), (0.02, 0.025), (0, 0.025)], brass(), at=at)
    rod(at, (at[0], at[1], at[2] + 1.5), 0.009, brass())
    shade((at[0], at[1], at[2] + 1.32), 0.22, 0.17, 0.26, kelvin, power, name=name, bright=bright)


def globe(at: Point, radius: float, kelvin: float, power: float, *, drop: float, name: str) -> None:
    """An opal globe on a rod below the ceiling; it gives all its light itself."""
    top = at[2] + drop
    turned([(0, top - 0.03), (0.05, top - 0.03), (0.055, top), (0, top)], brass(), at=(at[0], at[1], 0))
    rod((at[0], at[1], top), (at[0], at[1], at[2] + radius * 0.95), 0.006, brass())
    seen = ball(at, radius, glow(f"globe {name}", lamp_rgb(kelvin), power, sampled=False))
    only_seen(seen)
    # A sphere of radiance L sends out 4 pi r^2 x pi L.
    lamp(at, 4 * math.pi**2 * radius**2 * power, lamp_rgb(kelvin), radius=radius)
    turned(
        [(0.03, at[2] + radius * 0.9), (0.035, at[2] + radius * 1.06), (0, at[2] + radius * 1.06)],
        brass(),
        at=(at[0], at[1], 0),
    )


def downlight(at: tuple[float, float], z: float, kelvin: float, power: float) -> None:
    """A recessed spot in the ceiling: a bright disc in a white ring, and its light."""
    colour = lamp_rgb(kelvin)
    turned(
        [(0.035, z - 0.012), (0.055, z - 0.012), (0.058, z), (0.035, z)],
        glossy("ring", (0.8, 0.8, 0.8), roughness=0.3),
        at=(*at, 0),
    )
    only_seen(
        turned(
            [(0, z - 0.006), (0.036, z - 0.006)],
            glow(f"spot {kelvin}", colour, power, sampled=False),
            at=(*at, 0),
        )
    )
