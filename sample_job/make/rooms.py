"""What stands where: the four rooms."""

from __future__ import annotations

import furniture as f
import house as h
import textures
from house import Side, neutral, oak
from kit import ball, box, curtain, glossy, lamp, loft, matt, papered, picture, rod, turned
from plan import (
    BATHROOM_LAMPS_K,
    BEDROOM_WINDOW,
    BEDSIDE_LAMPS_K,
    CEILING_M,
    HALL_LAMPS_K,
    LOUNGE_LAMPS_K,
    LOUNGE_WINDOW,
)


def stoneware(at: tuple[float, float, float], size: float = 1.0) -> None:
    """A matt grey vase of 18 % reflectance: every room has one."""
    profile = [
        (0.0, 0),
        (0.06, 0),
        (0.085, 0.05),
        (0.095, 0.12),
        (0.085, 0.19),
        (0.05, 0.24),
        (0.045, 0.27),
        (0.036, 0.27),
        (0.04, 0.2),
    ]
    turned([(r * size, z * size) for r, z in profile], neutral(5), at=at)


def floor_cloth(
    name: str,
    image_name: str,
    image: object,
    low: tuple[float, float],
    high: tuple[float, float],
    thick: float,
) -> None:
    """A rug whose picture fills it exactly."""
    material = papered(name, picture(image_name, image), 1, roughness=1, specular=0.1, projection="FLAT")
    mapping = next(node for node in material.node_tree.nodes if node.type == "MAPPING")
    size = (high[0] - low[0], high[1] - low[1])
    mapping.inputs["Scale"].default_value = (1 / size[0], 1 / size[1], 1)
    mapping.inputs["Location"].default_value = (-low[0] / size[0], -low[1] / size[1], 0)
    box((*low, 0), (*high, thick), material, bevel=0.004)


def lounge() -> None:
    """Oak, a patterned rug, evening lamps, a door to the deck."""
    north, west, east, south = Side("x", 4.2, -1), Side("y", 0, 1), Side("y", 5.2, -1), Side("x", 0, 1)
    floor_cloth("rug", "rug", textures.rug(), (0.95, 1.45), (3.35, 3.15), 0.008)
    f.sofa((0.50, 2.35, 0), -90, (0.16, 0.20, 0.21), seats=3, width=2.15)
    f.pillow((0.42, 1.72, 0.60), -90 + 8, f.cloth("rust", (0.38, 0.12, 0.04)), seed=4)
    f.pillow((0.43, 2.98, 0.60), -90 - 10, f.cloth("cream", (0.60, 0.54, 0.43)), seed=5)
    f.pillow(
        (0.54, 2.68, 0.58),
        -90 - 3,
        f.cloth("rust", (0.38, 0.12, 0.04)),
        lean=60,
        size=(0.5, 0.32, 0.13),
        seed=6,
    )
    f.table((1.62, 2.35, 0.008), (0.56, 1.08, 0.40))
    f.bowl((1.62, 2.60, 0.408), glossy("clay", (0.38, 0.19, 0.10), roughness=0.6), 1.3)
    box(
        (-0.11, -0.15, 0),
        (0.11, 0.15, 0.022),
        glossy("book 0", (0.30, 0.06, 0.04), roughness=0.55),
        bevel=0.003,
        at=(1.62, 2.08, 0.408),
        yaw=14,
    )
    box(
        (-0.10, -0.13, 0.022),
        (0.10, 0.13, 0.045),
        glossy("book 2", (0.42, 0.36, 0.24), roughness=0.55),
        bevel=0.003,
        at=(1.62, 2.08, 0.408),
        yaw=-8,
    )
    f.sofa((2.45, 3.72, 0), 172, (0.36, 0.17, 0.06), seats=1, width=0.88, name="armchair cloth")
    f.floor_lamp((0.36, 3.82, 0), LOUNGE_LAMPS_K, 95, name="lounge 1", bright=2.6)
    f.table((0.36, 0.92, 0), (0.46, 0.46, 0.52))
    f.table_lamp((0.34, 0.92, 0.52), LOUNGE_LAMPS_K, 55, name="lounge 2", bright=2.6)
    f.bookcase(east, (0.95, 3.1), 2.02)
    stoneware((1.52, 2.42, 0.408), 0.55)
    f.frame(west, 1.75, 1.55, (0.78, 0.60), 0)
    f.frame(west, 2.85, 1.55, (0.58, 0.72), 1, wood=True)
    f.frame(north, 3.05, 1.60, (0.56, 0.70), 2)
    f.frame(north, 1.55, 1.58, (0.9, 0.66), 3)
    f.plant((4.80, 0.42, 0), 1.45, seed=5, wide=0.36, count=520)
    f.hung_curtains(south, LOUNGE_WINDOW, f.cloth("curtain", (0.50, 0.44, 0.34), metres=0.25), seed=3)
    f.table((3.85, 0.34, 0), (1.1, 0.42, 0.62), inset=0.04)
    f.table_lamp((4.2, 0.34, 0.62), LOUNGE_LAMPS_K, 45, name="lounge 3", foot=(0.30, 0.12, 0.05), bright=2.6)
    stoneware((3.5, 0.34, 0.62), 0.9)
    f.globe((2.6, 2.3, 2.16), 0.15, LOUNGE_LAMPS_K, 9.0, drop=0.44, name="lounge")


def bedroom() -> None:
    """Linen by a wide window; wool carpet; one green wall."""
    north, west, south = Side("x", 4.2, -1), Side("y", 5.35, 1), Side("x", 0, 1)
    f.bed((8.25, 1.95, 0), 90)
    for y, on in ((0.86, True), (3.05, True)):
        f.table((9.13, y, 0), (0.42, 0.42, 0.50), material=oak(tint=(0.33, 0.20, 0.11)))
        f.table_lamp(
            (9.15, y, 0.50),
            BEDSIDE_LAMPS_K,
            22 if on else 0,
            name="bedside",
            foot=(0.55, 0.52, 0.46),
            bright=1.6,
        )
    box(
        (-0.07, -0.10, 0),
        (0.07, 0.10, 0.025),
        glossy("book 1", (0.05, 0.10, 0.18), roughness=0.55),
        bevel=0.003,
        at=(9.02, 3.0, 0.50),
        yaw=25,
    )
    f.wardrobe(north, (7.62, 9.32))
    wood = oak(tint=(0.33, 0.20, 0.11))
    west.box((1.35, 2.75), (0.02, 0.46), (0.10, 0.84), wood, bevel=0.006)
    for s in (1.40, 2.66):
        for d in (0.05, 0.39):
            west.box((s, s + 0.04), (d, d + 0.04), (0, 0.11), wood)
    for row in range(3):
        for column in range(2):
            a = 1.37 + column * 0.685
            west.box(
                (a, a + 0.675), (0.455, 0.473), (0.12 + row * 0.238, 0.345 + row * 0.238), wood, bevel=0.003
            )
            ball(west.point(a + 0.337, 0.485, 0.24 + row * 0.238), 0.013, h.brass())
    f.mirror(west, 2.05, 1.52, 0.34)
    stoneware(west.point(1.62, 0.22, 0.84))
    f.bowl(west.point(2.45, 0.24, 0.84), glossy("clay", (0.38, 0.19, 0.10), roughness=0.6))
    f.chair((5.80, 0.52, 0), -40, oak(), f.cloth("slate cloth", (0.13, 0.16, 0.19)))
    f.frame(Side("y", 9.4, -1), 1.52, 1.62, (0.62, 0.48), 3, wood=True)
    f.frame(Side("y", 9.4, -1), 2.38, 1.62, (0.62, 0.48), 2, wood=True)
    f.hung_curtains(south, BEDROOM_WINDOW, f.cloth("blue curtain", (0.20, 0.26, 0.30), metres=0.25), seed=8)
    f.plant((8.95, 0.30, 0), 0.75, seed=9, wide=0.16, count=220)
    f.globe((7.0, 2.1, 2.2), 0.16, BEDSIDE_LAMPS_K + 300, 1.6, drop=0.4, name="bedroom")


def hall() -> None:
    """Stone floor, doors on both sides, two globes and little day."""
    north, south, east = Side("x", 5.75, -1), Side("x", 4.35, 1), Side("y", 9.4, -1)
    for x in (1.55, 4.0, 7.4):
        f.globe((x, 5.05, 2.27), 0.12, HALL_LAMPS_K, 13.0, drop=0.33, name="hall")
    f.table((3.75, 5.60, 0), (0.95, 0.27, 0.80), inset=0.02)
    f.mirror(north, 3.75, 1.52, 0.30)
    stoneware((3.42, 5.61, 0.80))
    f.bowl((3.95, 5.60, 0.80), glossy("blue glaze", (0.06, 0.14, 0.22), roughness=0.15))
    f.frame(south, 2.3, 1.55, (0.56, 0.70), 4)
    f.frame(south, 3.0, 1.55, (0.56, 0.70), 5)
    f.frame(south, 5.18, 1.55, (0.50, 0.62), 0, wood=True)
    f.frame(north, 5.2, 1.55, (0.8, 0.60), 1)
    f.frame(north, 6.6, 1.55, (0.8, 0.60), 3)
    f.frame(east, 5.05, 1.55, (0.62, 0.80), 2, wood=True)
    wood = oak()
    south.box((0.9, 2.0), (0.02, 0.36), (0.40, 0.45), wood, bevel=0.008)
    for s in (0.98, 1.87):
        south.box((s, s + 0.05), (0.05, 0.33), (0, 0.40), wood, bevel=0.006)
    south.box((0.85, 1.95), (0, 0.022), (1.60, 1.70), wood, bevel=0.006)
    for k in range(5):
        s = 0.98 + 0.21 * k
        rod(south.point(s, 0.02, 1.65), south.point(s, 0.075, 1.67), 0.008, h.brass())
        ball(south.point(s, 0.08, 1.672), 0.013, h.brass())
    coat, scarf = f.cloth("coat", (0.10, 0.12, 0.09)), f.cloth("scarf", (0.40, 0.26, 0.07))
    curtain(
        south.point(1.02, 0.10, 0)[:2],
        south.point(1.38, 0.10, 0)[:2],
        0.72,
        1.66,
        coat,
        folds=3,
        deep=0.03,
        seed=4,
    )
    curtain(
        south.point(1.55, 0.09, 0)[:2],
        south.point(1.68, 0.09, 0)[:2],
        0.95,
        1.66,
        scarf,
        folds=2,
        deep=0.02,
        seed=6,
    )
    f.plant((9.05, 5.40, 0), 1.15, seed=12, wide=0.22, count=300)
    runner = textures.rug(height=246, width=984, seed=53)
    floor_cloth(
        "runner", "runner", runner[:, :, [1, 0, 2]] * 0.5 + runner * 0.35, (5.7, 4.72), (8.5, 5.42), 0.008
    )


def bathroom() -> None:
    """Hexagons, white tiles, 4000 K spots and a small frosted window."""
    tiles = papered("wall tiles", picture("wall tiles", textures.wall_tiles()), 1.2, roughness=0.14, index=6)
    south, north, west, east = Side("x", 5.9, 1), Side("x", 8.3, -1), Side("y", 0.6, 1), Side("y", 3.6, -1)
    top = 1.30
    for side, span in (
        (south, (0.6, 1.58)),
        (south, (2.57, 3.6)),
        (north, (0.6, 3.6)),
        (west, (5.9, 8.3)),
        (east, (5.9, 8.3)),
    ):
        side.box(span, (0, 0.016), (0, top), tiles)
        side.box(
            span,
            (0, 0.024),
            (top, top + 0.018),
            glossy("tile edge", (0.05, 0.09, 0.10), roughness=0.2),
            bevel=0.004,
        )
    white = glossy("ceramic", (0.80, 0.80, 0.80), roughness=0.08)
    loft(
        [
            (0.84, 0.36, 0, 0.75),
            (0.84, 0.36, 0.56, 0.8),
            (0.855, 0.375, 0.575, 0.8),
            (0.85, 0.37, 0.59, 0.8),
            (0.775, 0.30, 0.59, 0.7),
            (0.76, 0.285, 0.57, 0.65),
            (0.70, 0.24, 0.25, 0.5),
            (0.6, 0.19, 0.19, 0.4),
        ],
        white,
        at=(3.2, 7.4, 0),
        yaw=90,
    )
    rod((3.2, 6.63, 0.60), (3.2, 6.63, 0.78), 0.014, h.steel())
    rod((3.2, 6.63, 0.77), (3.2, 6.80, 0.75), 0.012, h.steel())
    # Wash stand on the west wall.
    wood = oak()
    west.box((6.55, 7.65), (0.02, 0.48), (0.34, 0.80), wood, bevel=0.006)
    for a in (6.56, 7.105):
        west.box((a, a + 0.535), (0.478, 0.496), (0.36, 0.78), wood, bevel=0.004)
        rod(west.point(a + 0.2, 0.515, 0.70), west.point(a + 0.335, 0.515, 0.70), 0.007, h.steel())
    west.box((6.52, 7.68), (0.0, 0.50), (0.80, 0.825), matt("top", (0.66, 0.65, 0.62)), bevel=0.005)
    loft(
        [
            (0.13, 0.16, 0, 0.2),
            (0.19, 0.26, 0.10, 0.2),
            (0.20, 0.27, 0.13, 0.2),
            (0.185, 0.255, 0.13, 0.2),
            (0.15, 0.21, 0.06, 0.2),
            (0.06, 0.08, 0.03, 0),
        ],
        white,
        at=(0.86, 7.1, 0.825),
    )
    rod((0.66, 7.1, 0.825), (0.66, 7.1, 1.06), 0.014, h.steel())
    rod((0.66, 7.1, 1.05), (0.80, 7.1, 1.03), 0.011, h.steel())
    west.box(
        (6.62, 7.58), (0.016, 0.034), (1.38, 2.02), glossy("mirror", (0.9, 0.9, 0.9), roughness=0.0, metal=1)
    )
    west.box((6.60, 7.60), (0.012, 0.030), (1.36, 2.04), h.steel())
    stoneware((0.75, 7.5, 0.825), 0.7)
    turned(
        [(0, 0), (0.035, 0), (0.035, 0.12), (0.012, 0.135), (0.012, 0.16), (0, 0.16)],
        glossy("soap", (0.10, 0.17, 0.14), roughness=0.2),
        at=(0.78, 6.72, 0.825),
    )
    # The pan stands on the north wall.
    loft(
        [
            (0.20, 0.12, 0, 0.2),
            (0.21, 0.13, 0.20, 0.2),
            (0.27, 0.18, 0.37, 0.2),
            (0.275, 0.185, 0.40, 0.2),
            (0.26, 0.17, 0.425, 0.2),
            (0.05, 0.05, 0.43, 0),
        ],
        white,
        at=(1.45, 7.92, 0),
        yaw=90,
    )
    north.box((1.24, 1.66), (0.016, 0.19), (0.38, 0.78), white, bevel=0.025)
    north.box((1.23, 1.67), (0.016, 0.20), (0.78, 0.805), white, bevel=0.01)
    f.towel(
        south.point(2.75, 0.09, 1.12), south.point(3.25, 0.09, 1.12), 0.62, (0.16, 0.27, 0.28), name="towel 1"
    )
    f.towel(
        north.point(1.95, 0.08, 1.15), north.point(2.3, 0.08, 1.15), 0.45, (0.52, 0.47, 0.38), name="towel 2"
    )
    f.frame(north, 1.45, 1.72, (0.42, 0.42), 1)
    for x in (1.2, 2.2, 3.1):
        for y in (6.55, 7.65):
            f.downlight((x, y), CEILING_M, BATHROOM_LAMPS_K, 30)
            lamp((x, y, CEILING_M - 0.03), 6.5, f.lamp_rgb(BATHROOM_LAMPS_K), radius=0.025)
    floor_cloth(
        "mat",
        "mat",
        textures.carpet(512, colour=(0.34, 0.42, 0.42), seed=63),
        (2.02, 7.55),
        (2.72, 8.0),
        0.014,
    )


def build() -> None:
    """Furnish all four rooms."""
    lounge()
    bedroom()
    hall()
    bathroom()
