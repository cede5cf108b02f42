"""Things that lie on, hang from and stand about the furniture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import textures
from finishes import book_cover, cloth, silvered
from house import Side, brass, neutral, oak, steel
from kit import (
    Colour,
    Point,
    ball,
    box,
    curtain,
    disc,
    glossy,
    leaves,
    matt,
    papered,
    picture,
    rod,
    sheet,
    turned,
    veil,
)

Outline = Sequence[tuple[float, float]]

_VASE: Outline = (
    (0.0, 0), (0.045, 0), (0.075, 0.04), (0.085, 0.09), (0.07, 0.15), (0.035, 0.20), (0.03, 0.23),
    (0.042, 0.25), (0.036, 0.25), (0.024, 0.225), (0.02, 0.15),
)  # fmt: skip
_STONEWARE: Outline = (
    (0.0, 0), (0.06, 0), (0.085, 0.05), (0.095, 0.12), (0.085, 0.19), (0.05, 0.24), (0.045, 0.27),
    (0.036, 0.27), (0.04, 0.2),
)  # fmt: skip
_BOWL: Outline = (
    (0.0, 0), (0.04, 0), (0.045, 0.012), (0.10, 0.05), (0.115, 0.075), (0.108, 0.075), (0.09, 0.05),
    (0.04, 0.02), (0, 0.016),
)  # fmt: skip
"""Radius and height in metres, from the middle of the foot outwards and up."""


def _pot(outline: Outline, size: float, material: Any, at: Point) -> None:
    turned([(r * size, z * size) for r, z in outline], material, at=at)


def vase(at: Point, size: float, material: Any) -> None:
    """A bellied vase, about .25 m high at size 1."""
    _pot(_VASE, size, material, at)


def stoneware(at: Point, size: float = 1.0) -> None:
    """A matt grey vase of 18 % reflectance: every room has one."""
    _pot(_STONEWARE, size, neutral(5), at)


def bowl(at: Point, material: Any, size: float = 1.0) -> None:
    """A shallow bowl."""
    _pot(_BOWL, size, material, at)


def book(at: Point, yaw: float, kind: int, size: tuple[float, float], z: tuple[float, float]) -> None:
    """A book that lies on something, between two heights above `at`."""
    x, y = size[0] / 2, size[1] / 2
    box((-x, -y, z[0]), (x, y, z[1]), book_cover(kind), bevel=0.003, at=at, yaw=yaw)


def plant(
    at: Point,
    height: float,
    *,
    seed: int,
    pot: Colour = (0.45, 0.42, 0.38),
    wide: float = 0.30,
    count: int = 420,
) -> None:
    """A bushy house plant in a pot."""
    random = np.random.default_rng(seed)
    turned(
        [(0, 0), (0.11, 0), (0.145, 0.26), (0.15, 0.28), (0.135, 0.28), (0.13, 0.25), (0, 0.25)],
        glossy(f"pot {pot}", pot, roughness=0.5),
        at=at,
    )
    turned([(0, 0.255), (0.13, 0.255)], matt("soil", (0.03, 0.02, 0.014)), at=at)
    stem = matt("stem", (0.10, 0.09, 0.03))
    tips = []
    for _ in range(9):
        angle, lean = random.uniform(0, 2 * math.pi), random.uniform(0.15, 1.0) * wide
        tip = (
            at[0] + lean * math.cos(angle),
            at[1] + lean * math.sin(angle),
            at[2] + 0.28 + (height - 0.28) * random.uniform(0.6, 1),
        )
        rod((at[0], at[1], at[2] + 0.25), tip, 0.007, stem, end_radius=0.003)
        tips.append(tip)
    start = np.array([at[0], at[1], at[2] + 0.3])
    along = random.uniform(0.35, 1.05, (count, 1))
    ends = np.array(tips)[random.integers(len(tips), size=count)]
    centres = start + along * (ends - start) + random.normal(0, 0.055, (count, 3))
    leaves(
        centres, 0.055, veil("leaf", (0.055, 0.13, 0.030), open_share=0, passing=0.35), seed=seed, narrow=0.42
    )


def rug(
    name: str, image: np.ndarray, low: tuple[float, float], high: tuple[float, float], thick: float
) -> None:
    """A rug whose picture fills it exactly."""
    material = papered(name, picture(name, image), 1, roughness=1, specular=0.1, projection="FLAT")
    size = (high[0] - low[0], high[1] - low[1])
    _fit(material, (1 / size[0], 1 / size[1], 1), (-low[0] / size[0], -low[1] / size[1], 0))
    box((*low, 0), (*high, thick), material, bevel=0.004)


def _fit(material: Any, scale: Sequence[float], shift: Sequence[float]) -> None:
    """Lay the picture of a material on by position: one repeat over the piece that it is made for."""
    mapping = next(node for node in material.node_tree.nodes if node.type == "MAPPING")
    mapping.inputs["Scale"].default_value, mapping.inputs["Location"].default_value = scale, shift


def frame(
    side: Side, s: float, z: float, size: tuple[float, float], kind: int, *, wood: bool = False
) -> None:
    """A framed abstract picture with a white mount."""
    w, h = size[0] / 2, size[1] / 2
    border = oak() if wood else glossy("black frame", (0.02, 0.02, 0.02), roughness=0.35)
    for a, b, low, high in (
        (s - w, s + w, z + h - 0.02, z + h),
        (s - w, s + w, z - h, z - h + 0.02),
        (s - w, s - w + 0.02, z - h, z + h),
        (s + w - 0.02, s + w, z - h, z + h),
    ):
        side.box((a, b), (0, 0.028), (low, high), border, bevel=0.003)
    mount = matt("mount", (0.72, 0.70, 0.65))
    side.box((s - w + 0.02, s + w - 0.02), (0, 0.012), (z - h + 0.02, z + h - 0.02), mount)
    rim = 0.16 * min(size)
    a, b, low, high = s - w + rim, s + w - rim, z - h + rim, z + h - rim
    # A wall seen from +y or -x shows its length running the other way.
    mirrored = (side.axis == "x") == (side.inward > 0)
    image = textures.painting(kind)
    name = f"art {kind} {s:.2f} {side.face:.2f}"
    material = papered(name, picture(name, image[:, ::-1] if mirrored else image), 1, roughness=0.55)
    scale, shift, along = [1.0, 1.0, 1.0], [0.0, 0.0, 0.0], 0 if side.axis == "x" else 1
    for at, start, length in ((along, a, b - a), (2, low, high - low)):
        scale[at], shift[at] = 1 / length, -start / length
    _fit(material, scale, shift)
    side.box((a, b), (0, 0.015), (low, high), material)


def mirror(side: Side, s: float, z: float, radius: float) -> None:
    """A round mirror; it shows the room, and nobody."""
    tilt = (90, 0) if side.axis == "x" else (0, 90)
    disc(radius, 0.012, silvered(), at=side.point(s, 0.02, z), tilt=tilt)
    disc(radius + 0.018, 0.014, brass(), at=side.point(s, 0.012, z), tilt=tilt)


def hung_curtains(
    side: Side, opening: tuple[float, float, float, float], material: Any, *, low: float = 0.02, seed: int = 1
) -> None:
    """Two drawn-back curtains on a rod."""
    a, b, _, high = opening
    rod(side.point(a - 0.30, 0.10, high + 0.16), side.point(b + 0.30, 0.10, high + 0.16), 0.012, brass())
    for end in (a - 0.31, b + 0.31):
        ball(side.point(end, 0.10, high + 0.16), 0.024, brass())
    for start, stop, k in ((a - 0.27, a + 0.08, 0), (b - 0.08, b + 0.27, 1)):
        first, last = side.point(start, 0.10, 0), side.point(stop, 0.10, 0)
        curtain((first[0], first[1]), (last[0], last[1]), low, high + 0.145, material, folds=5, seed=seed + k)


def hung_cloth(
    side: Side,
    span: tuple[float, float],
    off: float,
    heights: tuple[float, float],
    material: Any,
    *,
    folds: int,
    deep: float,
    seed: int,
) -> None:
    """A coat or a scarf on its peg, `off` metres from the wall."""
    start, end = side.point(span[0], off, 0)[:2], side.point(span[1], off, 0)[:2]
    curtain(start, end, *heights, material, folds=folds, deep=deep, seed=seed)


def towel(
    side: Side,
    span: tuple[float, float],
    rail: tuple[float, float],
    drop: float,
    colour: Colour,
    *,
    name: str,
) -> None:
    """A towel over a rail; `rail` is how far from the wall and how high."""
    a, b = np.asarray(side.point(span[0], *rail)), np.asarray(side.point(span[1], *rail))
    t = np.linspace(0, 1, 30)
    points = []
    across = np.cross(b - a, [0, 0, 1.0])
    across /= np.linalg.norm(across)
    for z, off in (
        (-drop * 0.8, -0.028),
        (-drop * 0.4, -0.027),
        (-0.02, -0.022),
        (0.014, 0),
        (-0.02, 0.022),
        (-drop * 0.5, 0.027),
        (-drop, 0.03),
    ):
        wave = off + 0.006 * np.sin(14 * t + z * 5) * min(1, abs(z) * 3)
        points.append(a + t[:, None] * (b - a) + wave[:, None] * across + np.array([0, 0, z]))
    sheet(np.array(points), cloth(name, colour, metres=0.2))
    rod(tuple(a - (b - a) * 0.08), tuple(b + (b - a) * 0.08), 0.009, steel())


def monopod(at: tuple[float, float, float], lens_height: float, yaw: float) -> list[Any]:
    """The pole under the camera: three feet, a slim pole, a head close below the lens."""
    black = glossy("pole", (0.025, 0.025, 0.027), roughness=0.35)
    rubber = glossy("rubber", (0.018, 0.018, 0.018), roughness=0.8)
    x, y, z = at
    parts = [
        rod((x, y, z + 0.055), (x, y, z + 0.75), 0.013, black),
        rod((x, y, z + 0.75), (x, y, z + lens_height - 0.16), 0.010, black),
        rod(
            (x, y, z + lens_height - 0.16),
            (x, y, z + lens_height - 0.115),
            0.0125,
            glossy("head", (0.20, 0.20, 0.21), roughness=0.3, metal=1),
        ),
        rod((x, y, z + 0.03), (x, y, z + 0.085), 0.022, black),
    ]
    for k in range(3):
        angle = math.radians(yaw + 30 + 120 * k)
        tip = (x + 0.20 * math.sin(angle), y + 0.20 * math.cos(angle), z + 0.012)
        parts.append(rod((x, y, z + 0.06), tip, 0.010, black, end_radius=0.008))
        parts.append(ball(tip, 0.014, rubber))
    return parts
