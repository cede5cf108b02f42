"""Things that stand, hang and lie in the rooms."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import textures
from house import Side, brass, neutral, oak, steel
from kit import (
    Colour,
    Point,
    ball,
    box,
    curtain,
    cushion,
    glossy,
    glow,
    lamp,
    leaves,
    matt,
    only_seen,
    papered,
    picture,
    rod,
    turned,
    veil,
)
from plan import lamp_rgb


def cloth(name: str, colour: Colour, *, metres: float = 0.35) -> Any:
    """Woven cloth of a colour."""
    return papered(name, picture("weave", textures.weave()), metres, tint=colour, roughness=1, specular=0.1)


def sofa(
    at: Point, yaw: float, colour: Colour, *, seats: int = 3, width: float = 2.1, name: str = "sofa cloth"
) -> None:
    """A sofa (or with one seat an armchair); its front looks along +y before the turn."""
    fabric = cloth(name, colour)
    deep, arm = 0.86, 0.16
    half = width / 2
    box((-half, -deep / 2, 0.12), (half, deep / 2, 0.30), fabric, bevel=0.04, at=at, yaw=yaw)
    box((-half, -deep / 2, 0.13), (half, -deep / 2 + 0.2, 0.78), fabric, bevel=0.07, at=at, yaw=yaw)
    for side in (-1, 1):
        x = sorted((side * half, side * (half - arm)))
        box((x[0], -deep / 2, 0.13), (x[1], deep / 2, 0.60), fabric, bevel=0.06, at=at, yaw=yaw)
        for y in (-deep / 2 + 0.07, deep / 2 - 0.07):
            box(
                (side * (half - 0.09) - 0.025, y - 0.025, 0),
                (side * (half - 0.09) + 0.025, y + 0.025, 0.13),
                oak(),
                at=at,
                yaw=yaw,
            )
    room = (width - 2 * arm) / seats
    for k in range(seats):
        x = -half + arm + (k + 0.5) * room
        cushion(
            (room - 0.01, deep - 0.18, 0.20),
            fabric,
            at=_turn(at, yaw, (x, 0.09, 0.39)),
            yaw=yaw,
            square=0.22,
            seed=k,
        )
        cushion(
            (room - 0.02, 0.46, 0.20),
            fabric,
            at=_turn(at, yaw, (x, -0.17, 0.67)),
            yaw=yaw,
            tilt=(78, 0),
            square=0.34,
            crumple=0.008,
            seed=10 + k,
        )


def _turn(at: Point, yaw: float, offset: Point) -> Point:
    c, s = math.cos(math.radians(yaw)), math.sin(math.radians(yaw))
    return at[0] + c * offset[0] - s * offset[1], at[1] + s * offset[0] + c * offset[1], at[2] + offset[2]


def pillow(
    at: Point, yaw: float, material: Any, *, lean: float = 68, size: Point = (0.45, 0.45, 0.15), seed: int = 3
) -> None:
    """A scatter cushion leaning back."""
    cushion(size, material, at=at, yaw=yaw, tilt=(lean, 0), square=0.5, crumple=0.012, seed=seed)


def table(
    at: Point,
    size: Point,
    *,
    yaw: float = 0,
    material: Any = None,
    top: float = 0.035,
    leg: float = 0.045,
    inset: float = 0.03,
) -> None:
    """A plain four-legged table."""
    wood = material or oak()
    x, y, z = size[0] / 2, size[1] / 2, size[2]
    box((-x, -y, z - top), (x, y, z), wood, bevel=0.008, at=at, yaw=yaw)
    for sx in (-1, 1):
        for sy in (-1, 1):
            cx, cy = sx * (x - inset - leg / 2), sy * (y - inset - leg / 2)
            box(
                (cx - leg / 2, cy - leg / 2, 0),
                (cx + leg / 2, cy + leg / 2, z - top),
                wood,
                bevel=0.006,
                at=at,
                yaw=yaw,
            )
    for sy in (-1, 1):
        cy = sy * (y - inset - leg / 2)
        box(
            (-x + inset + leg, cy - 0.011, z - top - 0.07),
            (x - inset - leg, cy + 0.011, z - top),
            wood,
            at=at,
            yaw=yaw,
        )


def chair(at: Point, yaw: float, material: Any, seat: Any) -> None:
    """A chair that looks along +y before the turn."""
    w, d, h = 0.44, 0.44, 0.45

    def spot(x: float, y: float, z: float) -> Point:
        return _turn(at, yaw, (x, y, z))

    box((-w / 2, -d / 2, h - 0.035), (w / 2, d / 2, h), material, bevel=0.012, at=at, yaw=yaw)
    cushion((w - 0.03, d - 0.03, 0.06), seat, at=spot(0, 0.005, h + 0.02), yaw=yaw, square=0.3)
    for sx in (-1, 1):
        rod(
            spot(sx * (w / 2 - 0.04), d / 2 - 0.04, h - 0.03),
            spot(sx * (w / 2 - 0.02), d / 2 - 0.01, 0),
            0.017,
            material,
            end_radius=0.012,
        )
        rod(
            spot(sx * (w / 2 - 0.04), -d / 2 + 0.03, h - 0.03),
            spot(sx * (w / 2 - 0.02), -d / 2 - 0.03, 0),
            0.017,
            material,
            end_radius=0.012,
        )
        rod(
            spot(sx * (w / 2 - 0.03), -d / 2 + 0.03, h - 0.03),
            spot(sx * (w / 2 - 0.04), -d / 2 - 0.06, h + 0.42),
            0.015,
            material,
        )
    for z in (0.18, 0.28, 0.38):
        y = -d / 2 + 0.03 - 0.09 * z / 0.42
        box(
            (-w / 2 + 0.03, y - 0.009, h + z),
            (w / 2 - 0.03, y + 0.009, h + z + 0.045),
            material,
            bevel=0.008,
            at=at,
            yaw=yaw,
        )


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
    side.box(
        (s - w + 0.02, s + w - 0.02),
        (0, 0.012),
        (z - h + 0.02, z + h - 0.02),
        matt("mount", (0.72, 0.70, 0.65)),
    )
    rim = 0.16 * min(size)
    a, b, low, high = s - w + rim, s + w - rim, z - h + rim, z + h - rim
    # The picture is laid on by position: u along the wall, v up, one repeat over its own size.
    axis = side.axis
    # A wall seen from +y or -x shows its length running the other way.
    mirrored = (axis == "x") == (side.inward > 0)
    image = textures.painting(kind)
    image = image[:, ::-1] if mirrored else image
    length, height = b - a, high - low
    name = f"art {kind} {s:.2f} {side.face:.2f}"
    material = papered_on_wall(name, image, axis, (a, low), (length, height))
    side.box((a, b), (0, 0.015), (low, high), material)


def papered_on_wall(
    name: str, image: np.ndarray, axis: str, start: tuple[float, float], size: tuple[float, float]
) -> Any:
    """A picture that fills one rectangle of a wall exactly."""
    material = papered(name, picture(name, image), 1, roughness=0.55)
    mapping = next(node for node in material.node_tree.nodes if node.type == "MAPPING")
    along = 0 if axis == "x" else 1
    scale, shift = [1.0, 1.0, 1.0], [0.0, 0.0, 0.0]
    scale[along], scale[2] = 1 / size[0], 1 / size[1]
    shift[along], shift[2] = -start[0] / size[0], -start[1] / size[1]
    mapping.inputs["Scale"].default_value, mapping.inputs["Location"].default_value = scale, shift
    return material


def books(
    side: Side, span: tuple[float, float], depth: tuple[float, float], z: float, high: float, *, seed: int
) -> None:
    """A row of books, some leaning on a gap."""
    random = np.random.default_rng(seed)
    palette = [
        (0.30, 0.06, 0.04),
        (0.05, 0.10, 0.18),
        (0.42, 0.36, 0.24),
        (0.07, 0.13, 0.08),
        (0.5, 0.22, 0.05),
        (0.55, 0.53, 0.48),
        (0.03, 0.03, 0.035),
        (0.20, 0.09, 0.14),
    ]
    s = span[0]
    while s < span[1] - 0.05:
        if random.random() < 0.07:
            s += random.uniform(0.05, 0.16)
            continue
        thick, tall = random.uniform(0.014, 0.045), random.uniform(0.62, 0.93) * high
        kind = int(random.integers(len(palette)))
        material = glossy(f"book {kind}", palette[kind], roughness=0.55)
        side.box(
            (s, s + thick),
            (depth[0], depth[1] - random.uniform(0.02, 0.07)),
            (z, z + tall),
            material,
            bevel=0.003,
        )
        s += thick + 0.0015


def bookcase(side: Side, span: tuple[float, float], height: float, *, seed: int = 5) -> None:
    """Open shelves with books, a bowl and a vase."""
    wood, deep = oak(), 0.29
    back = oak(tint=(0.36, 0.23, 0.125))
    side.box(span, (0.002, 0.015), (0, height), back)
    width = span[1] - span[0]
    bays = max(1, round(width / 0.75))
    for k in range(bays + 1):
        s = span[0] + k * (width - 0.022) / bays
        side.box((s, s + 0.022), (0, deep), (0, height), wood, bevel=0.002)
    levels = [0.06, 0.42, 0.76, 1.08, 1.40, 1.70, height - 0.022]
    levels = [z for z in levels if z <= height - 0.02]
    for z in levels:
        side.box((span[0], span[1]), (0, deep - 0.005), (z, z + 0.022), wood, bevel=0.002)
    for row, (low, high) in enumerate(itertools.pairwise(levels)):
        for bay in range(bays):
            a = span[0] + 0.03 + bay * (width - 0.022) / bays
            b = a + (width - 0.022) / bays - 0.04
            if (row + 2 * bay) % 4 == 1:
                vase(
                    side.point((a + b) / 2 - 0.12, 0.15, low + 0.022),
                    0.8,
                    glossy("blue glaze", (0.06, 0.14, 0.22), roughness=0.15),
                )
                bowl(
                    side.point((a + b) / 2 + 0.14, 0.15, low + 0.022),
                    glossy("clay", (0.38, 0.19, 0.10), roughness=0.6),
                )
            else:
                books(
                    side,
                    (a, b),
                    (0.02, deep - 0.02),
                    low + 0.022,
                    high - low - 0.03,
                    seed=seed + 7 * row + bay,
                )


def vase(at: Point, size: float, material: Any) -> None:
    """A bellied vase, about .25 m high at size 1."""
    profile = [
        (0.0, 0),
        (0.045, 0),
        (0.075, 0.04),
        (0.085, 0.09),
        (0.07, 0.15),
        (0.035, 0.20),
        (0.03, 0.23),
        (0.042, 0.25),
        (0.036, 0.25),
        (0.024, 0.225),
        (0.02, 0.15),
    ]
    turned([(r * size, z * size) for r, z in profile], material, at=at)


def bowl(at: Point, material: Any, size: float = 1.0) -> None:
    """A shallow bowl."""
    profile = [
        (0.0, 0),
        (0.04, 0),
        (0.045, 0.012),
        (0.10, 0.05),
        (0.115, 0.075),
        (0.108, 0.075),
        (0.09, 0.05),
        (0.04, 0.02),
        (0, 0.016),
    ]
    turned([(r * size, z * size) for r, z in profile], material, at=at)


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


def bed(at: Point, yaw: float) -> None:
    """A double bed; its head lies at -y before the turn, centre on the floor."""
    w, length = 1.6, 2.05
    wood = oak(tint=(0.33, 0.20, 0.11))
    linen = neutral(4)
    box(
        (-w / 2 - 0.05, -length / 2, 0.10), (w / 2 + 0.05, length / 2, 0.30), wood, bevel=0.02, at=at, yaw=yaw
    )
    box(
        (-w / 2 - 0.08, -length / 2 - 0.07, 0),
        (w / 2 + 0.08, -length / 2, 1.08),
        wood,
        bevel=0.03,
        at=at,
        yaw=yaw,
    )
    for sx in (-1, 1):
        for sy in (-0.85, 0.9):
            rod(
                _turn(at, yaw, (sx * w * 0.43, sy * length / 2, 0)),
                _turn(at, yaw, (sx * w * 0.43, sy * length / 2, 0.12)),
                0.03,
                wood,
            )
    cushion((w, length - 0.04, 0.25), linen, at=_turn(at, yaw, (0, 0.01, 0.40)), yaw=yaw, square=0.12)
    _duvet(at, yaw, w, length, linen)
    for x, seed in ((-0.40, 1), (0.40, 2)):
        cushion(
            (0.70, 0.46, 0.19),
            linen,
            at=_turn(at, yaw, (x, -0.74, 0.62)),
            yaw=yaw,
            tilt=(28, 0),
            square=0.45,
            crumple=0.016,
            seed=seed,
        )
    mustard = cloth("mustard", (0.45, 0.27, 0.06))
    pillow(_turn(at, yaw, (-0.25, -0.52, 0.70)), yaw + 6, mustard, lean=52, size=(0.45, 0.42, 0.15), seed=8)
    pillow(
        _turn(at, yaw, (0.22, -0.50, 0.68)),
        yaw - 9,
        cloth("slate cloth", (0.13, 0.16, 0.19)),
        lean=55,
        size=(0.42, 0.40, 0.14),
        seed=9,
    )


def _duvet(at: Point, yaw: float, w: float, length: float, linen: Any) -> None:
    from kit import sheet  # noqa: PLC0415  (kept beside its one use)

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
    c, s = math.cos(math.radians(yaw)), math.sin(math.radians(yaw))
    points = np.stack([at[0] + c * x - s * y, at[1] + s * x + c * y, at[2] + z], -1)
    sheet(points, linen)
    throw = cloth("throw", (0.20, 0.24, 0.22))
    part = (v > 0.52) & (v < 0.98)
    lifted = points[part].copy()
    lifted[..., 2] += 0.018
    sheet(lifted, throw)


def wardrobe(side: Side, span: tuple[float, float], height: float = 2.15) -> None:
    """A painted wardrobe with three doors."""
    paint = glossy("wardrobe paint", (0.46, 0.46, 0.42), roughness=0.45)
    deep = 0.58
    side.box(span, (0.01, deep), (0.06, height), paint, bevel=0.004)
    side.box((span[0] + 0.03, span[1] - 0.03), (0.02, deep - 0.04), (0, 0.06), paint)
    side.box(
        (span[0] - 0.02, span[1] + 0.02), (0, deep + 0.025), (height, height + 0.045), paint, bevel=0.012
    )
    count = round((span[1] - span[0]) / 0.55)
    width = (span[1] - span[0]) / count
    for k in range(count):
        a, b = span[0] + k * width + 0.004, span[0] + (k + 1) * width - 0.004
        side.box((a, b), (deep, deep + 0.02), (0.08, height - 0.02), paint, bevel=0.003)
        for low, high in ((0.20, 0.95), (1.05, height - 0.12)):
            side.box((a + 0.07, b - 0.07), (deep + 0.018, deep + 0.026), (low, high), paint, bevel=0.004)
        s = b - 0.045 if k % 2 == 0 else a + 0.045
        ball(side.point(s, deep + 0.045, 1.0), 0.016, brass())


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


def mirror(side: Side, s: float, z: float, radius: float) -> None:
    """A round mirror; it shows the room, and nobody."""
    from kit import bmesh, place  # noqa: PLC0415

    mesh = bmesh.new()
    bmesh.ops.create_cone(mesh, cap_ends=True, segments=64, radius1=radius, radius2=radius, depth=0.012)
    tilt = (90, 0) if side.axis == "x" else (0, 90)
    place(
        mesh,
        glossy("mirror", (0.9, 0.9, 0.9), roughness=0.0, metal=1),
        at=side.point(s, 0.02, z),
        tilt=tilt,
        smooth=False,
    )
    rim = bmesh.new()
    bmesh.ops.create_cone(
        rim, cap_ends=True, segments=64, radius1=radius + 0.018, radius2=radius + 0.018, depth=0.014
    )
    place(rim, brass(), at=side.point(s, 0.012, z), tilt=tilt, smooth=False)


def towel(start: Point, end: Point, drop: float, colour: Colour, *, name: str) -> None:
    """A towel over a rail."""
    a, b = np.asarray(start), np.asarray(end)
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
    from kit import sheet  # noqa: PLC0415

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
