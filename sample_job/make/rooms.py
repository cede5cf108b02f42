"""What stands where: the four rooms."""

from __future__ import annotations

import bathroom as b
import furniture as f
import lights
import textures
import things as t
from finishes import blue_glaze, clay, cloth, dark_oak, rust_cloth, slate_cloth
from house import Side, oak
from kit import lamp
from plan import (
    BATHROOM_LAMPS_K,
    BEDROOM_WINDOW,
    BEDSIDE_LAMPS_K,
    CEILING_M,
    HALL_LAMPS_K,
    LOUNGE_LAMPS_K,
    LOUNGE_WINDOW,
    lamp_rgb,
)


def lounge() -> None:
    """Oak, a patterned rug, evening lamps, a door to the deck."""
    north, west, east, south = Side("x", 4.2, -1), Side("y", 0, 1), Side("y", 5.2, -1), Side("x", 0, 1)
    t.rug("rug", textures.rug(), (0.95, 1.45), (3.35, 3.15), 0.008)
    f.sofa((0.50, 2.35, 0), -90, (0.16, 0.20, 0.21), seats=3, width=2.15)
    f.pillow((0.42, 1.72, 0.60), -90 + 8, rust_cloth(), seed=4)
    f.pillow((0.43, 2.98, 0.60), -90 - 10, cloth("cream", (0.60, 0.54, 0.43)), seed=5)
    f.pillow((0.54, 2.68, 0.58), -90 - 3, rust_cloth(), lean=60, size=(0.5, 0.32, 0.13), seed=6)
    f.table((1.62, 2.35, 0.008), (0.56, 1.08, 0.40))
    t.bowl((1.62, 2.60, 0.408), clay(), 1.3)
    t.book((1.62, 2.08, 0.408), 14, 0, (0.22, 0.30), (0, 0.022))
    t.book((1.62, 2.08, 0.408), -8, 2, (0.20, 0.26), (0.022, 0.045))
    f.sofa((2.45, 3.72, 0), 172, (0.36, 0.17, 0.06), seats=1, width=0.88, name="armchair cloth")
    lights.floor_lamp((0.36, 3.82, 0), LOUNGE_LAMPS_K, 95, name="lounge 1", bright=2.6)
    f.table((0.36, 0.92, 0), (0.46, 0.46, 0.52))
    lights.table_lamp((0.34, 0.92, 0.52), LOUNGE_LAMPS_K, 55, name="lounge 2", bright=2.6)
    f.bookcase(east, (0.95, 3.1), 2.02)
    t.stoneware((1.52, 2.42, 0.408), 0.55)
    t.frame(west, 1.75, 1.55, (0.78, 0.60), 0)
    t.frame(west, 2.85, 1.55, (0.58, 0.72), 1, wood=True)
    t.frame(north, 3.05, 1.60, (0.56, 0.70), 2)
    t.frame(north, 1.55, 1.58, (0.9, 0.66), 3)
    t.plant((4.80, 0.42, 0), 1.45, seed=5, wide=0.36, count=520)
    t.hung_curtains(south, LOUNGE_WINDOW, cloth("curtain", (0.50, 0.44, 0.34), metres=0.25), seed=3)
    f.table((3.85, 0.34, 0), (1.1, 0.42, 0.62), inset=0.04)
    foot = (0.30, 0.12, 0.05)
    lights.table_lamp((4.2, 0.34, 0.62), LOUNGE_LAMPS_K, 45, name="lounge 3", foot=foot, bright=2.6)
    t.stoneware((3.5, 0.34, 0.62), 0.9)
    lights.globe((2.6, 2.3, 2.16), 0.15, LOUNGE_LAMPS_K, 9.0, drop=0.44, name="lounge")


def bedroom() -> None:
    """Linen by a wide window; wool carpet; one green wall."""
    north, west, east, south = Side("x", 4.2, -1), Side("y", 5.35, 1), Side("y", 9.4, -1), Side("x", 0, 1)
    f.bed((8.25, 1.95, 0), 90)
    foot = (0.55, 0.52, 0.46)
    for y in (0.86, 3.05):
        f.table((9.13, y, 0), (0.42, 0.42, 0.50), material=dark_oak())
        lights.table_lamp((9.15, y, 0.50), BEDSIDE_LAMPS_K, 22, name="bedside", foot=foot, bright=1.6)
    t.book((9.02, 3.0, 0.50), 25, 1, (0.14, 0.20), (0, 0.025))
    f.wardrobe(north, (7.62, 9.32))
    f.chest(west, 1.35)
    t.mirror(west, 2.05, 1.52, 0.34)
    t.stoneware(west.point(1.62, 0.22, 0.84))
    t.bowl(west.point(2.45, 0.24, 0.84), clay())
    f.chair((5.80, 0.52, 0), -40, oak(), slate_cloth())
    t.frame(east, 1.52, 1.62, (0.62, 0.48), 3, wood=True)
    t.frame(east, 2.38, 1.62, (0.62, 0.48), 2, wood=True)
    t.hung_curtains(south, BEDROOM_WINDOW, cloth("blue curtain", (0.20, 0.26, 0.30), metres=0.25), seed=8)
    t.plant((8.95, 0.30, 0), 0.75, seed=9, wide=0.16, count=220)
    lights.globe((7.0, 2.1, 2.2), 0.16, BEDSIDE_LAMPS_K + 300, 1.6, drop=0.4, name="bedroom")


def hall() -> None:
    """Stone floor, doors on both sides, three globes and little day."""
    north, south, east = Side("x", 5.75, -1), Side("x", 4.35, 1), Side("y", 9.4, -1)
    for x in (1.55, 4.0, 7.4):
        lights.globe((x, 5.05, 2.27), 0.12, HALL_LAMPS_K, 13.0, drop=0.33, name="hall")
    f.table((3.75, 5.60, 0), (0.95, 0.27, 0.80), inset=0.02)
    t.mirror(north, 3.75, 1.52, 0.30)
    t.stoneware((3.42, 5.61, 0.80))
    t.bowl((3.95, 5.60, 0.80), blue_glaze())
    t.frame(south, 2.3, 1.55, (0.56, 0.70), 4)
    t.frame(south, 3.0, 1.55, (0.56, 0.70), 5)
    t.frame(south, 5.18, 1.55, (0.50, 0.62), 0, wood=True)
    t.frame(north, 5.2, 1.55, (0.8, 0.60), 1)
    t.frame(north, 6.6, 1.55, (0.8, 0.60), 3)
    t.frame(east, 5.05, 1.55, (0.62, 0.80), 2, wood=True)
    f.bench(south, 0.9)
    f.coat_rail(south, 0.85)
    coat, scarf = cloth("coat", (0.10, 0.12, 0.09)), cloth("scarf", (0.40, 0.26, 0.07))
    t.hung_cloth(south, (1.02, 1.38), 0.10, (0.72, 1.66), coat, folds=3, deep=0.03, seed=4)
    t.hung_cloth(south, (1.55, 1.68), 0.09, (0.95, 1.66), scarf, folds=2, deep=0.02, seed=6)
    t.plant((9.05, 5.40, 0), 1.15, seed=12, wide=0.22, count=300)
    runner = textures.rug(height=246, width=984, seed=53)
    t.rug("runner", runner[:, :, [1, 0, 2]] * 0.5 + runner * 0.35, (5.7, 4.72), (8.5, 5.42), 0.008)


def bathroom() -> None:
    """Hexagons, white tiles, 4000 K spots and a small frosted window."""
    south, north, west, east = Side("x", 5.9, 1), Side("x", 8.3, -1), Side("y", 0.6, 1), Side("y", 3.6, -1)
    b.tiling(south, (0.6, 1.58), (2.57, 3.6))
    b.tiling(north, (0.6, 3.6))
    b.tiling(west, (5.9, 8.3))
    b.tiling(east, (5.9, 8.3))
    b.bath((3.2, 7.4))
    b.wash_stand(west)
    t.stoneware((0.75, 7.5, 0.825), 0.7)
    b.soap((0.78, 6.72, 0.825))
    b.pan(north, (1.45, 7.92))
    t.towel(south, (2.75, 3.25), (0.09, 1.12), 0.62, (0.16, 0.27, 0.28), name="towel 1")
    t.towel(north, (1.95, 2.3), (0.08, 1.15), 0.45, (0.52, 0.47, 0.38), name="towel 2")
    t.frame(north, 1.45, 1.72, (0.42, 0.42), 1)
    for x in (1.2, 2.2, 3.1):
        for y in (6.55, 7.65):
            lights.downlight((x, y), CEILING_M, BATHROOM_LAMPS_K, 30)
            lamp((x, y, CEILING_M - 0.03), 6.5, lamp_rgb(BATHROOM_LAMPS_K), radius=0.025)
    mat = textures.carpet(512, colour=(0.34, 0.42, 0.42), seed=63)
    t.rug("mat", mat, (2.02, 7.55), (2.72, 8.0), 0.014)


def build() -> None:
    """Furnish all four rooms."""
    lounge()
    bedroom()
    hall()
    bathroom()
