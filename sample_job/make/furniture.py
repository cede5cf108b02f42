"""Furniture that stands free or along a wall."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import textures
from finishes import blue_glaze, book_cover, clay, cloth, dark_oak, slate_cloth
from house import Side, brass, neutral, oak
from kit import Colour, Point, ball, cushion, glossy, rod, sheet
from spot import Spot
from things import bowl, vase

_BOTH = (-1, 1)
"""The two sides of a piece."""


def sofa(
    at: Point, yaw: float, colour: Colour, *, seats: int = 3, width: float = 2.1, name: str = "sofa cloth"
) -> None:
    """A sofa (or with one seat an armchair); its front looks along +y before the turn."""
    spot, fabric = Spot(at, yaw), cloth(name, colour)
    arm, x, y = 0.16, width / 2, 0.43
    spot.box((-x, -y, 0.12), (x, y, 0.30), fabric, 0.04)
    spot.box((-x, -y, 0.13), (x, -y + 0.2, 0.78), fabric, 0.07)
    for side in _BOTH:
        low, high = sorted((side * x, side * (x - arm)))
        spot.box((low, -y, 0.13), (high, y, 0.60), fabric, 0.06)
        for foot in (-y + 0.07, y - 0.07):
            middle = side * (x - 0.09)
            spot.box((middle - 0.025, foot - 0.025, 0), (middle + 0.025, foot + 0.025, 0.13), oak())
    room = (width - 2 * arm) / seats
    for k in range(seats):
        middle = -x + arm + (k + 0.5) * room
        spot.cushion((room - 0.01, 2 * y - 0.18, 0.20), (middle, 0.09, 0.39), fabric, square=0.22, seed=k)
        back = (room - 0.02, 0.46, 0.20)
        spot.cushion(
            back, (middle, -0.17, 0.67), fabric, tilt=(78, 0), square=0.34, crumple=0.008, seed=10 + k
        )


def pillow(
    at: Point, yaw: float, material: Any, *, lean: float = 68, size: Point = (0.45, 0.45, 0.15), seed: int = 3
) -> None:
    """A scatter cushion leaning back."""
    cushion(size, material, at=at, yaw=yaw, tilt=(lean, 0), square=0.5, crumple=0.012, seed=seed)


def table(at: Point, size: Point, *, material: Any = None, inset: float = 0.03) -> None:
    """A plain four-legged table."""
    spot, wood = Spot(at), material or oak()
    top, leg = 0.035, 0.045
    x, y, z = size[0] / 2, size[1] / 2, size[2]
    spot.box((-x, -y, z - top), (x, y, z), wood, 0.008)
    for sx, sy in itertools.product(_BOTH, _BOTH):
        cx, cy = sx * (x - inset - leg / 2), sy * (y - inset - leg / 2)
        spot.box((cx - leg / 2, cy - leg / 2, 0), (cx + leg / 2, cy + leg / 2, z - top), wood, 0.006)
    for sy in _BOTH:
        cy, end = sy * (y - inset - leg / 2), x - inset - leg
        spot.box((-end, cy - 0.011, z - top - 0.07), (end, cy + 0.011, z - top), wood)


def chair(at: Point, yaw: float, material: Any, seat: Any) -> None:
    """A chair that looks along +y before the turn."""
    spot = Spot(at, yaw)
    x, y, h = 0.22, 0.22, 0.45
    spot.box((-x, -y, h - 0.035), (x, y, h), material, 0.012)
    spot.cushion((0.44 - 0.03, 0.44 - 0.03, 0.06), (0, 0.005, h + 0.02), seat, square=0.3)
    for side in _BOTH:
        for top, foot in (((0.04, y - 0.04), (0.02, y - 0.01)), ((0.04, -y + 0.03), (0.02, -y - 0.03))):
            start, end = (side * (x - top[0]), top[1], h - 0.03), (side * (x - foot[0]), foot[1], 0)
            spot.rod(start, end, 0.017, material, 0.012)
        start = (side * (x - 0.03), -y + 0.03, h - 0.03)
        spot.rod(start, (side * (x - 0.04), -y - 0.06, h + 0.42), 0.015, material)
    for z in (0.18, 0.28, 0.38):
        back = -y + 0.03 - 0.09 * z / 0.42
        low, high = (-x + 0.03, back - 0.009, h + z), (x - 0.03, back + 0.009, h + z + 0.045)
        spot.box(low, high, material, 0.008)


def books(
    side: Side, span: tuple[float, float], depth: tuple[float, float], z: float, high: float, *, seed: int
) -> None:
    """A row of books, with gaps."""
    random = np.random.default_rng(seed)
    s = span[0]
    while s < span[1] - 0.05:
        if random.random() < 0.07:
            s += random.uniform(0.05, 0.16)
            continue
        thick, tall = random.uniform(0.014, 0.045), random.uniform(0.62, 0.93) * high
        material = book_cover(int(random.integers(8)))
        end = depth[1] - random.uniform(0.02, 0.07)
        side.box((s, s + thick), (depth[0], end), (z, z + tall), material, bevel=0.003)
        s += thick + 0.0015


def bookcase(side: Side, span: tuple[float, float], height: float, *, seed: int = 5) -> None:
    """Open shelves with books, bowls and vases."""
    wood, deep, board = oak(), 0.29, 0.022
    side.box(span, (0.002, 0.015), (0, height), oak(tint=(0.36, 0.23, 0.125)))
    width = span[1] - span[0]
    bays = max(1, round(width / 0.75))
    for k in range(bays + 1):
        s = span[0] + k * (width - board) / bays
        side.box((s, s + board), (0, deep), (0, height), wood, bevel=0.002)
    levels = [z for z in (0.06, 0.42, 0.76, 1.08, 1.40, 1.70, height - board) if z <= height - 0.02]
    for z in levels:
        side.box(span, (0, deep - 0.005), (z, z + board), wood, bevel=0.002)
    for row, (low, high) in enumerate(itertools.pairwise(levels)):
        for bay in range(bays):
            a = span[0] + 0.03 + bay * (width - board) / bays
            b = a + (width - board) / bays - 0.04
            z = low + board
            if (row + 2 * bay) % 4 == 1:
                vase(side.point((a + b) / 2 - 0.12, 0.15, z), 0.8, blue_glaze())
                bowl(side.point((a + b) / 2 + 0.14, 0.15, z), clay())
            else:
                books(side, (a, b), (0.02, deep - 0.02), z, high - low - 0.03, seed=seed + 7 * row + bay)


def bed(at: Point, yaw: float) -> None:
    """A double bed; its head lies at -y before the turn, centre on the floor."""
    spot, wood, linen = Spot(at, yaw), dark_oak(), neutral(4)
    w, length = 1.6, 2.05
    x, y = w / 2, length / 2
    spot.box((-x - 0.05, -y, 0.10), (x + 0.05, y, 0.30), wood, 0.02)
    spot.box((-x - 0.08, -y - 0.07, 0), (x + 0.08, -y, 1.08), wood, 0.03)
    for sx, sy in itertools.product(_BOTH, (-0.85, 0.9)):
        foot = (sx * w * 0.43, sy * length / 2)
        spot.rod((*foot, 0), (*foot, 0.12), 0.03, wood)
    spot.cushion((w, length - 0.04, 0.25), (0, 0.01, 0.40), linen, square=0.12)
    _duvet(spot, w, length, linen)
    for x, seed in ((-0.40, 1), (0.40, 2)):
        form = {"tilt": (28, 0), "square": 0.45, "crumple": 0.016, "seed": seed}
        spot.cushion((0.70, 0.46, 0.19), (x, -0.74, 0.62), linen, **form)
    mustard = cloth("mustard", (0.45, 0.27, 0.06))
    pillow(spot.point(-0.25, -0.52, 0.70), yaw + 6, mustard, lean=52, size=(0.45, 0.42, 0.15), seed=8)
    pillow(spot.point(0.22, -0.50, 0.68), yaw - 9, slate_cloth(), lean=55, size=(0.42, 0.40, 0.14), seed=9)


def _duvet(spot: Spot, w: float, length: float, linen: Any) -> None:
    """A cover that hangs over both sides and the foot, and a throw across it."""
    u = np.linspace(-1.30, 1.30, 105)
    v = np.linspace(-0.42, 1.14, 90)
    uu, vv = np.meshgrid(u, v)
    wrinkle = textures.cloud(128, 128, cells=(3, 4), octaves=5, seed=77)[: len(v), : len(u)]

    def hang(t: np.ndarray, limit: float, reach: float) -> tuple[np.ndarray, np.ndarray]:
        over = np.clip(np.abs(t) - limit, 0, None)
        flat = np.sign(t) * (np.minimum(np.abs(t), limit) + 0.07 * (1 - np.exp(-over / 0.07)))
        return flat, np.maximum(over - 0.045, 0) * reach

    x, fall_x = hang(uu * w / 2, w / 2 - 0.02, 0.9)
    y, fall_y = hang(vv * length / 2, length / 2 - 0.02, 0.9)
    fold = np.where(vv < -0.30, 0.03 * np.clip((-0.30 - vv) / 0.02, 0, 1), 0)
    z = 0.575 + 0.013 * wrinkle + 0.03 * np.cos(uu * 1.2) * np.cos((vv - 0.4) * 1.3) + fold - fall_x - fall_y
    z = np.maximum(z, 0.28)
    x = x + np.where(fall_x > 0, 0.02 * np.sin(vv * 23) * np.sign(uu), 0)
    c, s = math.cos(math.radians(spot.yaw)), math.sin(math.radians(spot.yaw))
    at = spot.at
    points = np.stack([at[0] + c * x - s * y, at[1] + s * x + c * y, at[2] + z], -1)
    sheet(points, linen)
    lifted = points[(v > 0.52) & (v < 0.98)].copy()
    lifted[..., 2] += 0.018
    sheet(lifted, cloth("throw", (0.20, 0.24, 0.22)))


def wardrobe(side: Side, span: tuple[float, float], height: float = 2.15) -> None:
    """A painted wardrobe with three doors."""
    paint = glossy("wardrobe paint", (0.46, 0.46, 0.42), roughness=0.45)
    deep = 0.58
    side.box(span, (0.01, deep), (0.06, height), paint, bevel=0.004)
    side.box((span[0] + 0.03, span[1] - 0.03), (0.02, deep - 0.04), (0, 0.06), paint)
    cornice = (span[0] - 0.02, span[1] + 0.02)
    side.box(cornice, (0, deep + 0.025), (height, height + 0.045), paint, bevel=0.012)
    count = round((span[1] - span[0]) / 0.55)
    width = (span[1] - span[0]) / count
    for k in range(count):
        a, b = span[0] + k * width + 0.004, span[0] + (k + 1) * width - 0.004
        side.box((a, b), (deep, deep + 0.02), (0.08, height - 0.02), paint, bevel=0.003)
        for low, high in ((0.20, 0.95), (1.05, height - 0.12)):
            side.box((a + 0.07, b - 0.07), (deep + 0.018, deep + 0.026), (low, high), paint, bevel=0.004)
        s = b - 0.045 if k % 2 == 0 else a + 0.045
        ball(side.point(s, deep + 0.045, 1.0), 0.016, brass())


def chest(side: Side, start: float) -> None:
    """A chest of six drawers, 1.4 m long, from `start` along a wall."""
    wood = dark_oak()
    side.box((start, start + 1.4), (0.02, 0.46), (0.10, 0.84), wood, bevel=0.006)
    for s, d in itertools.product((start + 0.05, start + 1.31), (0.05, 0.39)):
        side.box((s, s + 0.04), (d, d + 0.04), (0, 0.11), wood)
    for row, column in itertools.product(range(3), range(2)):
        a, up = start + 0.02 + column * 0.685, row * 0.238
        side.box((a, a + 0.675), (0.455, 0.473), (0.12 + up, 0.345 + up), wood, bevel=0.003)
        ball(side.point(a + 0.337, 0.485, 0.24 + up), 0.013, brass())


def bench(side: Side, start: float) -> None:
    """A narrow bench, 1.1 m long, along a wall."""
    wood = oak()
    side.box((start, start + 1.1), (0.02, 0.36), (0.40, 0.45), wood, bevel=0.008)
    for s in (start + 0.08, start + 0.97):
        side.box((s, s + 0.05), (0.05, 0.33), (0, 0.40), wood, bevel=0.006)


def coat_rail(side: Side, start: float) -> None:
    """A board with five pegs, 1.1 m long, on a wall."""
    side.box((start, start + 1.1), (0, 0.022), (1.60, 1.70), oak(), bevel=0.006)
    for k in range(5):
        s = start + 0.13 + 0.21 * k
        rod(side.point(s, 0.02, 1.65), side.point(s, 0.075, 1.67), 0.008, brass())
        ball(side.point(s, 0.08, 1.672), 0.013, brass())
