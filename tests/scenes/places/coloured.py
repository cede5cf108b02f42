"""Invented places whose walls are coloured all round: lilac and plum, deep paints, panelling, yellow.

White is left in what people do not paint: trim and doors, a ceiling here and there, linen, a lamp's shade.
"""

from __future__ import annotations

import furniture as f
import lights
import numpy as np
import textures
import things as t
from finishes import blue_glaze, clay, cloth, dark_oak, rust_cloth
from house import oak
from kit import Colour, papered, picture
from plan import Opening

from tests.scenes.place import RUG
from tests.scenes.places.room import Daylight, Room, bulb, filament, glazing, labelled, paint, surface

Random = np.random.Generator
DEEP: tuple[Colour, ...] = (
    (0.08, 0.25, 0.27),
    (0.40, 0.13, 0.05),
    (0.10, 0.13, 0.24),
    (0.38, 0.26, 0.06),
    (0.11, 0.22, 0.12),
    (0.24, 0.08, 0.16),
)


def _drawn(random: Random, low: Colour, high: Colour) -> Colour:
    red, green, blue = (float(random.uniform(*ends)) for ends in zip(low, high, strict=True))
    return red, green, blue


def _kelvin(random: Random, low: int, high: int) -> float:
    return float(round(random.uniform(low, high), -1))


def _planks(
    random: Random, name: str, colour: Colour, turn: tuple[float, float, float] = (0, 0, 0)
) -> object:
    tone = float(random.uniform(0.7, 1.2))
    red, green, blue = (tone * value for value in colour)
    image = textures.planks(
        metres=2.8, width=0.14, colour=(red, green, blue), gap=0.004, seed=int(random.integers(99))
    )
    return papered(name, picture(name, image), 2.8, roughness=0.6, projection="BOX", turn=turn)


def _furnished(room: Room, random: Random) -> None:
    """A sofa on the south wall, a low table, a rug, a chest, pictures."""
    mid = (room.west + room.east) / 2
    f.sofa(
        (mid - 0.6, room.south + 0.55, 0), 0, _drawn(random, (0.08, 0.08, 0.08), (0.4, 0.4, 0.4)), width=2.0
    )
    f.pillow((mid - 1.1, room.south + 0.45, 0.60), 8, rust_cloth(), seed=4)
    f.pillow((mid - 0.1, room.south + 0.45, 0.60), -9, cloth("linen", (0.62, 0.60, 0.55)), seed=5)
    f.table((mid - 0.4, room.south + 1.5, 0.008), (0.9, 0.5, 0.40), material=dark_oak())
    t.bowl((mid - 0.3, room.south + 1.5, 0.408), clay(), 1.2)
    with labelled(RUG):
        image = textures.rug(seed=int(random.integers(99)))
        t.rug("rug", image, (mid - 1.6, room.south + 1.0), (mid + 0.8, room.south + 2.5), 0.008)
    t.frame(room.side("south"), mid - 0.6, 1.65, (0.8, 0.6), int(random.integers(6)))
    f.chest(room.side("north"), mid + 0.3)
    t.vase(room.side("north").point(mid + 0.6, 0.24, 0.84), 1.0, blue_glaze())
    t.frame(room.side("north"), mid + 0.8, 1.65, (0.56, 0.72), int(random.integers(6)), wood=True)


def plum(random: Random) -> Room:
    """Lilac walls, one of plum, white ceiling and trim; a window with sun, two lamps."""
    room = Room(-2.4, 2.6, -2.3, 2.2)
    lilac = paint(_drawn(random, (0.40, 0.33, 0.48), (0.56, 0.46, 0.62)))
    deep = paint(_drawn(random, (0.16, 0.06, 0.13), (0.28, 0.11, 0.22)))
    walls = {"north": lilac, "south": lilac, "east": lilac, "west": deep}
    at = float(random.uniform(-1.0, 0.0))
    pane: Opening = (at, at + 1.5, 0.8, 2.15)
    boards = _planks(random, "boards", (0.40, 0.26, 0.15))
    room.shell(walls, boards, openings={"east": [pane]}, doors={"west": [(0.9, 1.75, 0, 2.05)]})
    glazing(room, "east", pane, 2)
    _furnished(room, random)
    t.plant((2.2, 1.8, 0), 1.2, seed=int(random.integers(99)))
    curtain = cloth("curtain", (0.46, 0.42, 0.40), metres=0.25)
    t.hung_curtains(room.side("east"), pane, curtain, seed=3)
    kelvin = _kelvin(random, 2600, 3000)
    with room.lamps("lamp", kelvin):
        lights.floor_lamp((-2.05, -1.9, 0), kelvin, 30, name="standing", bright=1.5)
        f.table((-2.1, 1.9, 0), (0.45, 0.45, 0.52))
        lights.table_lamp((-2.1, 1.9, 0.52), kelvin, 20, name="corner", bright=1.6)
    room.wall_cards("west", -0.4, 1.3)
    room.wall_cards("north", -1.2, 1.3)
    room.wall_cards("east", at + 1.95, 1.3)
    room.card_pair((0.7, 0.3, 0.012), 130, flat=True)
    sun = (90 + float(random.uniform(-25, 25)), float(random.uniform(35, 46)))
    room.daylight(Daylight(int(random.integers(999)), 90, sun=sun, view_ev=2.5))
    return room


def snug(random: Random) -> Room:
    """Two deep paints, a wooden ceiling, filament bulbs, two windows."""
    room = Room(-2.6, 2.3, -2.2, 2.3, 2.45)
    first, second = (paint(DEEP[int(k)]) for k in random.permutation(len(DEEP))[:2])
    walls = {"north": first, "east": first, "south": second, "west": second}
    panes: tuple[Opening, Opening] = ((-1.7, -0.8, 0.9, 2.0), (-0.5, 0.6, 0.9, 2.0))
    room.shell(
        walls,
        _planks(random, "boards", (0.34, 0.22, 0.13)),
        ceiling=_planks(random, "pine", (0.44, 0.26, 0.11)),
        openings={"north": [panes[0]], "west": [panes[1]]},
        doors={"east": [(0.8, 1.6, 0, 2.0)]},
        cornice=False,
    )
    glazing(room, "north", panes[0], 1)
    glazing(room, "west", panes[1], 2)
    _furnished(room, random)
    f.bookcase(room.side("east"), (-1.9, 0.2), 1.8, seed=int(random.integers(99)))
    kelvin = _kelvin(random, 2150, 2500)
    with room.lamps("bulbs", kelvin):
        for k, (x, y) in enumerate(((-1.0, -0.9), (0.9, -0.6), (0.2, 1.2))):
            filament((x, y, 1.9), 0.5, kelvin, 1.2, name=str(k))
    room.wall_cards("east", 0.5, 1.4)
    room.wall_cards("west", 1.2, 1.3)
    room.wall_cards("south", 1.2, 1.3)
    room.card_pair((0.9, 1.0, 0.012), -150, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 315, view_ev=1.2))
    return room


def panelled(random: Random) -> Room:
    """Boards on all walls, a white ceiling, globes and a window."""
    room = Room(-2.5, 2.5, -2.1, 2.3)
    pane: Opening = (-0.8, 0.9, 0.85, 2.15)
    wood = _planks(random, "panels", (0.42, 0.26, 0.13), (np.pi / 2, 0, 0))
    grey = float(random.uniform(0.2, 0.4))
    wool = surface("wool", textures.carpet(colour=(grey, grey, grey)), 1.2, roughness=1, specular=0.1)
    room.shell(wood, wool, openings={"west": [pane]}, doors={"east": [(0.9, 1.75, 0, 2.05)]})
    glazing(room, "west", pane, 2)
    _furnished(room, random)
    f.chair((1.8, -0.3, 0), 60, oak(), cloth("seat", _drawn(random, (0.1, 0.1, 0.1), (0.4, 0.3, 0.3))))
    t.plant((-2.1, 1.9, 0), 1.1, seed=int(random.integers(99)))
    kelvin = _kelvin(random, 2600, 3100)
    with room.lamps("globes", kelvin):
        bulb((0.8, 0.2, 2.15), kelvin, 3.0, name="middle", height=room.height)
        f.table((2.2, -1.8, 0), (0.45, 0.45, 0.52))
        lights.table_lamp((2.2, -1.8, 0.52), kelvin, 20, name="corner", bright=1.6)
    room.wall_cards("east", -0.3, 1.3)
    room.wall_cards("west", 1.4, 1.3)
    room.wall_cards("south", 1.2, 1.3)
    room.card_pair((0.6, -0.1, 0.012), 60, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 270, view_ev=1.8))
    return room


def yellow(random: Random) -> Room:
    """Yellow walls, white ceiling and trim, globes, a glazed door."""
    room = Room(-2.5, 2.4, -2.2, 2.2)
    walls = paint(_drawn(random, (0.62, 0.50, 0.18), (0.74, 0.62, 0.36)))
    way: Opening = (-0.6, 0.6, 0.02, 2.15)
    tiles = surface("stone", textures.square_tiles(seed=int(random.integers(99))), 3.2, roughness=0.38)
    room.shell(walls, tiles, openings={"east": [way]}, doors={"west": [(-1.6, -0.8, 0, 2.05)]})
    glazing(room, "east", way, 2)
    _furnished(room, random)
    f.bookcase(room.side("west"), (-0.3, 1.6), 1.9, seed=int(random.integers(99)))
    kelvin = _kelvin(random, 2700, 3200)
    with room.lamps("globes", kelvin):
        bulb((-0.9, 0.7, 2.15), kelvin, 3.0, name="north", height=room.height)
        bulb((0.6, -0.9, 2.15), kelvin, 2.5, name="south", height=room.height)
    room.wall_cards("west", -0.6, 1.4)
    room.wall_cards("east", 1.1, 1.3)
    room.wall_cards("south", 1.3, 1.3)
    room.card_pair((0.5, 0.4, 0.012), -60, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 90, view_ev=2.0))
    return room
