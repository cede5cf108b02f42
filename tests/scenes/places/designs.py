"""Invented places, each drawn from a seed: what colour the walls are, what burns, what stands where."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import furniture as f
import house
import lights
import numpy as np
import textures
import things as t
from finishes import blue_glaze, clay, cloth, dark_oak, rust_cloth, slate_cloth
from house import oak
from kit import Colour, box, glossy, matt, papered, picture
from plan import Opening

from tests.scenes.place import EXTERIOR, FLOOR, RUG, WALL
from tests.scenes.places.coloured import panelled, plum, snug, yellow
from tests.scenes.places.room import (
    Daylight,
    Room,
    bulb,
    colour_of,
    filament,
    glazing,
    labelled,
    paint,
    surface,
    tube,
)

Random = np.random.Generator
Paints = tuple[Colour, ...]

TINTS: Paints = (
    (0.50, 0.60, 0.66),
    (0.66, 0.60, 0.42),
    (0.55, 0.50, 0.64),
    (0.52, 0.62, 0.50),
    (0.66, 0.54, 0.50),
)
DEEP: Paints = (
    (0.10, 0.28, 0.29),
    (0.42, 0.15, 0.06),
    (0.13, 0.20, 0.10),
    (0.34, 0.22, 0.07),
    (0.20, 0.09, 0.17),
)
CARPETS: Paints = ((0.30, 0.03, 0.03), (0.04, 0.16, 0.07), (0.05, 0.08, 0.28), (0.33, 0.17, 0.02))
CLOTHS: Paints = (
    (0.16, 0.20, 0.21),
    (0.36, 0.17, 0.06),
    (0.10, 0.16, 0.30),
    (0.24, 0.26, 0.14),
    (0.30, 0.10, 0.12),
)


@dataclass(frozen=True)
class Design:
    """How a place is built, and how it is to be judged.

    Attributes
    ----------
    build : callable
        Puts everything in the scene.
    kind : str
        "white" where the walls or at least ceiling and trim are white, "coloured" where they are not.
    daylight_share : float
        Which share of the light on its neutrals is daylight, in the middle; lamps are set by that.
    note : str
        In a few words.
    """

    build: Callable[[Random], Room]
    kind: str
    daylight_share: float
    note: str


def _pick(random: Random, colours: Paints) -> Colour:
    return colours[int(random.integers(len(colours)))]


def _warm(random: Random, low: int = 2600, high: int = 3100) -> float:
    return float(round(random.uniform(low, high), -1))


def _boards(random: Random) -> object:
    light = random.uniform(0.6, 1.1)
    image = textures.planks(colour=(0.42 * light, 0.26 * light, 0.14 * light), seed=int(random.integers(99)))
    return surface("boards", image, 5.12, roughness=0.36)


def _rug(random: Random, low: tuple[float, float], high: tuple[float, float]) -> None:
    with labelled(RUG):
        t.rug("rug", textures.rug(seed=int(random.integers(99))), low, high, 0.008)


def _sitting(room: Room, random: Random) -> None:
    """A sofa on the west wall, a table before it, cushions, a rug, pictures."""
    f.sofa((room.west + 0.55, 0.15, 0), -90, _pick(random, CLOTHS), width=2.1)
    f.pillow((room.west + 0.45, -0.4, 0.60), -82, rust_cloth(), seed=4)
    f.pillow((room.west + 0.45, 0.75, 0.60), -99, cloth("cream", (0.60, 0.54, 0.43)), seed=5)
    f.table((room.west + 1.5, 0.1, 0.008), (0.5, 0.95, 0.40), material=dark_oak())
    t.bowl((room.west + 1.5, 0.3, 0.408), clay(), 1.2)
    t.book((room.west + 1.5, -0.15, 0.408), 14, 1, (0.22, 0.30), (0, 0.022))
    _rug(random, (room.west + 1.0, -1.1), (room.west + 3.1, 1.3))
    west = room.side("west")
    t.frame(west, -0.5, 1.6, (0.72, 0.56), int(random.integers(6)))
    t.frame(west, 0.6, 1.6, (0.56, 0.72), int(random.integers(6)), wood=True)


def tinted(random: Random) -> Room:
    """Pale walls, white trim and ceiling; a window, a standing lamp, a table lamp, a globe."""
    room = Room(-2.5, 2.5, -2.1, 2.3)
    walls = paint(_pick(random, TINTS))
    at = float(random.uniform(-0.9, 0.1))
    pane: Opening = (at, at + 1.5, 0.85, 2.15)
    room.shell(walls, _boards(random), openings={"east": [pane]}, doors={"south": [(0.9, 1.75, 0, 2.05)]})
    glazing(room, "east", pane, 2)
    _sitting(room, random)
    f.bookcase(room.side("south"), (-1.9, 0.3), 2.02)
    f.table((1.9, 1.85, 0), (0.9, 0.5, 0.72))
    f.chair((1.75, 1.25, 0), 8, oak(), slate_cloth())
    t.plant((2.15, -1.75, 0), 1.2, seed=int(random.integers(99)))
    t.hung_curtains(room.side("east"), pane, cloth("curtain", (0.5, 0.44, 0.34), metres=0.25), seed=3)
    kelvin = _warm(random)
    with room.lamps("lamp", kelvin):
        lights.floor_lamp((-2.15, 1.9, 0), kelvin, 30, name="standing", bright=1.5)
        lights.table_lamp((2.1, 2.0, 0.72), kelvin, 18, name="desk", bright=1.5)
        bulb((-0.3, -0.6, 2.2), kelvin, 3.0, name="ceiling", height=room.height)
    room.wall_cards("west", 1.5, 1.25)
    room.wall_cards("east", at - 0.45, 1.3)
    room.wall_cards("north", -0.4, 1.3)
    room.card_pair((0.9, -0.9, 0.012), 130, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 90))
    return room


def office(random: Random) -> Room:
    """White walls, fluorescent tubes a little green, two windows, desks and cupboards."""
    room = Room(-3.0, 3.2, -2.5, 2.5, 2.7)
    panes: list[Opening] = [(-2.3, -0.6, 0.9, 2.2), (0.5, 2.2, 0.9, 2.2)]
    grey = float(random.uniform(0.12, 0.25))
    wool = surface(
        "wool", textures.carpet(colour=(grey, grey * 1.02, grey * 1.06)), 1.2, roughness=1, specular=0.1
    )
    room.shell(
        None, wool, openings={"north": panes}, doors={"south": [(-2.6, -1.75, 0, 2.05)]}, cornice=False
    )
    for pane in panes:
        glazing(room, "north", pane, 2)
    ash, black = oak(tint=(0.55, 0.40, 0.24)), glossy("screen", (0.02, 0.02, 0.022), roughness=0.25)
    for x, y in ((-2.4, 0.6), (-2.4, -1.0), (2.6, 0.9), (2.6, -0.8)):
        f.table((x, y, 0), (0.8, 1.4, 0.73), material=ash)
        box((x - 0.015, y - 0.28, 0.83), (x + 0.015, y + 0.28, 1.16), black, bevel=0.004)
        f.chair(
            (x + (0.75 if x < 0 else -0.75), y + 0.1, 0),
            90 if x < 0 else -90,
            oak(),
            cloth("seat", _pick(random, CLOTHS)),
        )
        t.book((x + 0.1, y + 0.45, 0.73), 20, int(random.integers(8)), (0.22, 0.30), (0, 0.03))
    box((0.2, -2.48, 0), (2.4, -2.05, 1.1), matt("cupboard", _pick(random, CARPETS)), bevel=0.006)
    t.plant((1.0, -2.25, 1.1), 0.6, seed=8, wide=0.15, count=220)
    t.frame(room.side("south"), 0.9, 1.75, (1.2, 0.7), int(random.integers(6)))
    t.plant((-0.1, 2.2, 0), 1.3, seed=int(random.integers(99)))
    f.books(room.side("south"), (-1.2, -0.2), (0.02, 0.25), 0.9, 0.33, seed=6)
    box((-1.25, -2.5, 0.86), (-0.15, -2.24, 0.9), ash)
    kelvin, duv = float(round(random.uniform(3900, 4300), -1)), float(random.uniform(0.006, 0.010))
    with room.lamps("tubes", kelvin, duv):
        for x in (-1.5, 1.7):
            for y in (-1.2, 1.0):
                tube((x, y, room.height - 0.04), 1.2, along_x=True, colour=colour_of(kelvin, duv), power=40)
    room.wall_cards("south", -0.9, 1.5)
    room.wall_cards("east", 1.9, 1.3)
    room.wall_cards("west", -0.2, 1.45)
    room.card_pair((2.65, 0.55, 0.74), -90, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 0, view_ev=2.2))
    return room


def cabin(random: Random) -> Room:
    """A wooden ceiling, deep colours on all four walls, bare filament bulbs, one small window."""
    room = Room(-2.3, 2.5, -2.2, 2.2, 2.5)
    first, second = (DEEP[int(k)] for k in random.permutation(len(DEEP))[:2])
    walls = {"north": paint(first), "south": paint(first), "east": paint(second), "west": paint(second)}
    image = textures.planks(metres=2.8, width=0.14, colour=(0.40, 0.23, 0.10), gap=0.004, seed=15)
    pine = surface("pine", image, 2.8, roughness=0.6)
    at = float(random.uniform(-0.6, 0.4))
    pane: Opening = (at, at + 0.8, 1.0, 1.9)
    room.shell(walls, _boards(random), ceiling=pine, openings={"north": [pane]},
               doors={"south": [(-1.9, -1.1, 0, 2.0)]}, cornice=False)  # fmt: skip
    glazing(room, "north", pane, 1)
    _sitting(room, random)
    f.bed((1.55, -1.1, 0), 180)
    f.chest(room.side("east"), 0.5)
    t.stoneware(room.side("east").point(0.8, 0.22, 0.84))
    t.vase(room.side("east").point(1.5, 0.24, 0.84), 1.0, blue_glaze())
    kelvin = _warm(random, 2200, 2450)
    with room.lamps("bulbs", kelvin):
        for k, (x, y) in enumerate(((-0.9, 0.9), (0.9, 1.2), (0.3, -1.2))):
            filament((x, y, 1.95), 0.55, kelvin, 1.2, name=str(k))
    room.wall_cards("east", 0.2, 1.4)
    room.wall_cards("west", 1.45, 1.3)
    room.wall_cards("north", at - 0.6, 1.3)
    room.card_pair((0.7, 1.6, 0.012), -150, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 0, view_ev=0.7))
    return room


def night(random: Random) -> Room:
    """Lamps only, dark windows, pale walls."""
    room = Room(-2.4, 2.6, -2.3, 2.1)
    pane: Opening = (-0.7, 0.9, 0.85, 2.1)
    room.shell(paint(_pick(random, TINTS)), _boards(random), openings={"north": [pane]},
               doors={"east": [(-1.9, -1.05, 0, 2.05)]})  # fmt: skip
    glazing(room, "north", pane, 2)
    _sitting(room, random)
    f.bookcase(room.side("east"), (-0.6, 1.4), 2.02, seed=int(random.integers(99)))
    t.mirror(room.side("south"), 1.2, 1.5, 0.32)
    f.sofa((0.4, -1.8, 0), 10, _pick(random, CLOTHS), seats=1, width=0.88, name="armchair")
    kelvin = _warm(random)
    with room.lamps("lamp", kelvin):
        f.table((-2.05, -1.55, 0), (0.45, 0.45, 0.52))
        lights.table_lamp((-2.05, -1.55, 0.52), kelvin, 25, name="west", bright=2)
        lights.floor_lamp((2.2, 1.75, 0), kelvin, 40, name="east", bright=2)
    room.wall_cards("west", -1.0, 1.2)
    room.wall_cards("north", 1.5, 1.3)
    room.wall_cards("south", -0.4, 1.3)
    room.card_pair((0.8, 0.8, 0.012), -130, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 0, night=True))
    return room


def bedroom(random: Random) -> Room:
    """White walls, a window with a patch of sun on the floor, warm lamps by the bed."""
    room = Room(-2.6, 2.4, -2.1, 2.2)
    at = float(random.uniform(-0.8, -0.2))
    pane: Opening = (at, at + 1.6, 0.75, 2.15)
    tone = _pick(random, ((0.40, 0.35, 0.29), (0.26, 0.30, 0.34), (0.34, 0.30, 0.36)))
    wool = surface("wool", textures.carpet(colour=tone), 1.2, roughness=1, specular=0.1)
    room.shell(None, wool, openings={"south": [pane]}, doors={"north": [(1.2, 2.05, 0, 2.05)]})
    glazing(room, "south", pane, 2)
    f.bed((-1.5, 0.3, 0), -90)
    for k, y in enumerate((-0.85, 1.4)):
        f.table((-2.33, y, 0), (0.42, 0.42, 0.50), material=dark_oak())
        t.book((-2.25, y + 0.1, 0.50), 25, k, (0.14, 0.20), (0, 0.025))
    f.wardrobe(room.side("north"), (-0.9, 0.8))
    f.chest(room.side("east"), -0.6)
    t.mirror(room.side("east"), 0.1, 1.5, 0.34)
    f.chair((2.0, -1.6, 0), 40, oak(), cloth("seat", _pick(random, CLOTHS)))
    t.frame(room.side("west"), -0.1, 1.6, (0.62, 0.48), int(random.integers(6)))
    t.frame(room.side("west"), 0.75, 1.6, (0.62, 0.48), int(random.integers(6)), wood=True)
    t.hung_curtains(room.side("south"), pane, cloth("curtain", (0.30, 0.33, 0.30), metres=0.25), seed=8)
    kelvin = _warm(random, 2600, 2900)
    with room.lamps("lamp", kelvin):
        for k, y in enumerate((-0.95, 1.5)):
            lights.table_lamp((-2.36, y, 0.50), kelvin, 20, name=f"bed {k}", bright=1.6)
        bulb((0.2, 0.9, 2.2), kelvin, 1.8, name="ceiling", height=room.height)
    room.wall_cards("west", -1.6, 1.2)
    room.wall_cards("east", -1.2, 1.35)
    room.wall_cards("south", at + 2.2, 1.3)
    room.card_pair((0.9, -0.6, 0.012), 150, flat=True)
    azimuth = 180 + float(random.uniform(-25, 25))
    sun = (azimuth, float(random.uniform(38, 48)))
    room.daylight(Daylight(int(random.integers(999)), 180, sun=sun, view_ev=2.7))
    return room


def carpet(random: Random) -> Room:
    """White walls above a strongly coloured carpet, whose colour the light throws back."""
    room = Room(-2.5, 2.5, -2.3, 2.3)
    pane: Opening = (-1.0, 0.8, 0.8, 2.15)
    wool = surface("wool", textures.carpet(colour=_pick(random, CARPETS)), 1.2, roughness=1, specular=0.1)
    room.shell(None, wool, openings={"west": [pane]}, doors={"north": [(-1.7, -0.85, 0, 2.05)]})
    glazing(room, "west", pane, 2)
    f.table((1.9, 0.2, 0), (0.7, 1.5, 0.74), material=oak())
    for y, yaw in ((-0.25, -90), (0.65, -84)):
        f.chair((1.2, y, 0), yaw, oak(), slate_cloth())
    f.bookcase(room.side("north"), (-0.4, 1.5), 2.02, seed=int(random.integers(99)))
    t.plant((-2.1, 1.9, 0), 1.2, seed=int(random.integers(99)))
    f.sofa((-0.6, -1.85, 0), 0, (0.42, 0.40, 0.36), seats=2, width=1.7)
    t.frame(room.side("east"), 0.2, 1.6, (0.9, 0.66), int(random.integers(6)))
    t.stoneware((1.9, 0.6, 0.74))
    kelvin = _warm(random)
    with room.lamps("lamp", kelvin):
        bulb((1.2, 0.2, 2.15), kelvin, 3.0, name="table", height=room.height)
        f.table((0.9, -2.0, 0), (0.42, 0.42, 0.50), material=dark_oak())
        lights.table_lamp((0.9, -2.0, 0.50), kelvin, 20, name="sofa", bright=1.8)
    room.wall_cards("east", -1.2, 1.3)
    room.wall_cards("west", 1.35, 1.3)
    room.wall_cards("south", 1.7, 1.3)
    room.card_pair((1.9, -0.2, 0.75), 60, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 270))
    return room


def cellar(random: Random) -> Room:
    """No window; globes of one colour and spots of another; white walls, one of them coloured."""
    room = Room(-2.6, 2.6, -1.9, 2.0, 2.45)
    stone = surface("stone", textures.square_tiles(seed=int(random.integers(99))), 3.2, roughness=0.38)
    room.shell(
        {"north": paint(_pick(random, DEEP))}, stone, doors={"west": [(-0.6, 0.25, 0, 2.0)]}, cornice=False
    )
    f.bookcase(room.side("south"), (-1.6, 0.9), 1.75, seed=int(random.integers(99)))
    f.bench(room.side("north"), -0.7)
    f.coat_rail(room.side("north"), -0.7)
    coat = cloth("coat", _pick(random, CLOTHS))
    t.hung_cloth(room.side("north"), (-0.5, -0.1), 0.10, (0.72, 1.66), coat, folds=3, deep=0.03, seed=4)
    f.wardrobe(room.side("north"), (1.3, 2.4), 1.9)
    f.table((2.0, -1.1, 0), (0.9, 0.9, 0.74), material=oak())
    t.bowl((2.0, -1.0, 0.74), clay(), 1.2)
    t.frame(room.side("east"), 0.7, 1.55, (0.7, 0.56), int(random.integers(6)))
    warm, cool = _warm(random, 2500, 2800), _warm(random, 3900, 4300)
    with room.lamps("globes", warm):
        bulb((-1.5, 0.9, 2.05), warm, 4.0, name="west", height=room.height)
        f.table((-2.25, -1.5, 0), (0.45, 0.45, 0.52))
        lights.table_lamp((-2.25, -1.5, 0.52), warm, 14, name="corner", bright=1.8)
    with room.lamps("panel", cool):
        colour = colour_of(cool)
        for y in (-0.9, 0.6):
            tube((1.6, y, room.height - 0.04), 1.0, along_x=False, colour=colour, power=16)
    room.wall_cards("west", 1.3, 1.3)
    room.wall_cards("east", -0.5, 1.4)
    room.wall_cards("south", 1.6, 1.3)
    room.card_pair((-0.7, 0.8, 0.012), 140, flat=True)
    return room


def glazed_hall(random: Random) -> Room:
    """A tall white hall, one side all glass towards a terrace and the garden, wall lamps at the back."""
    room = Room(-3.2, 3.2, -3.0, 2.6, 3.0)
    wide: list[Opening] = [(-2.9, -0.1, 0.02, 2.6), (0.1, 2.9, 0.02, 2.6)]
    stone = surface("stone", textures.square_tiles(seed=int(random.integers(99))), 3.2, roughness=0.38)
    room.shell(None, stone, openings={"north": wide}, doors={"south": [(1.2, 2.1, 0, 2.1)]}, cornice=False)
    for opening in wide:
        glazing(room, "north", opening, 3)
    with labelled(EXTERIOR):
        slabs = textures.square_tiles(seed=31, colour=(0.42, 0.40, 0.36))
        terrace = papered("outside slabs", picture("slabs", slabs), 3.2, roughness=0.7, projection="FLAT")
        box((-5, 2.86, -0.15), (5, 6.2, -0.03), terrace)
        rail = glossy("outside rail", (0.06, 0.06, 0.065), roughness=0.4)
        for x in np.arange(-4.8, 5.0, 1.2):
            box((x - 0.02, 6.05, -0.03), (x + 0.02, 6.09, 0.9), rail)
        for z in (0.3, 0.6, 0.9):
            box((-4.8, 6.06, z), (4.8, 6.08, z + 0.03), rail)
    f.sofa((-2.6, 0.6, 0), -90, _pick(random, CLOTHS), seats=3, width=2.2)
    f.table((-1.7, 0.6, 0), (0.5, 1.0, 0.40), material=dark_oak())
    f.bench(room.side("south"), -1.2)
    t.frame(room.side("west"), 0.4, 1.7, (1.1, 0.8), int(random.integers(6)))
    t.frame(room.side("east"), 0.6, 1.7, (0.8, 1.0), int(random.integers(6)), wood=True)
    for k, x in enumerate((-2.8, 2.8)):
        t.plant((x, 2.1, 0), 1.5, seed=20 + k, wide=0.35, count=500)
    with labelled(WALL):
        deep = paint(_pick(random, DEEP))
        room.side("east").box((-2.9, -1.6), (0, 0.01), (0.12, 3.0), deep)
    kelvin = _warm(random, 2700, 3100)
    with room.lamps("lamp", kelvin):
        for x in (-2.2, 0.4):
            bulb((x, -1.9, 2.3), kelvin, 4.0, name=f"back {x}", height=room.height)
        f.table((-2.75, -2.55, 0), (0.5, 0.5, 0.6))
        lights.table_lamp((-2.75, -2.55, 0.6), kelvin, 20, name="corner", bright=2)
    room.wall_cards("south", -0.1, 1.4)
    room.wall_cards("west", 1.9, 1.3)
    room.wall_cards("east", 1.9, 1.3)
    room.card_pair((0.9, 0.9, 0.012), -140, flat=True)
    azimuth = float(random.uniform(60, 75))
    room.daylight(Daylight(int(random.integers(999)), 0, sun=(azimuth, 45.0), view_ev=2.2))
    return room


def doorway(random: Random) -> Room:
    """A white room with a window; through an open door a room of deep colour under its own lamp."""
    room = Room(-2.4, 2.2, -2.0, 2.4)
    pane: Opening = (-0.9, 0.7, 0.85, 2.1)
    way: Opening = (-0.6, 0.5, 0, 2.1)
    room.shell(None, _boards(random), openings={"south": [pane], "east": [way]})
    glazing(room, "south", pane, 2)
    house.casing(room.side("east"), way)
    house.lining(room.side("east"), way, 0.3)
    deep = paint(_pick(random, DEEP))
    with labelled(WALL):
        for low, high in (
            ((2.5, -2.1, 0), (5.6, -2.0, 2.6)),
            ((2.5, 2.0, 0), (5.6, 2.1, 2.6)),
            ((5.5, -2.0, 0), (5.6, 2.0, 2.6)),
            ((2.46, -2.0, 0), (2.5, -0.65, 2.6)),
            ((2.46, 0.55, 0), (2.5, 2.0, 2.6)),
            ((2.46, -0.65, 2.15), (2.5, 0.55, 2.6)),
        ):
            box(low, high, deep)
    box((2.45, -2.1, 2.6), (5.6, 2.1, 2.7), paint())
    with labelled(FLOOR):
        box((2.45, -2.1, -0.1), (5.6, 2.1, 0), _boards(random))
    f.chest(house.Side("y", 5.5, -1), -0.7)
    t.frame(house.Side("y", 5.5, -1), 0.0, 1.6, (0.8, 0.6), int(random.integers(6)))
    f.sofa((-1.85, 0.3, 0), -90, _pick(random, CLOTHS), seats=2, width=1.7)
    _rug(random, (-1.3, -1.0), (0.7, 0.9))
    f.bookcase(room.side("north"), (-1.5, 0.5), 2.02, seed=int(random.integers(99)))
    t.frame(room.side("west"), 0.3, 1.6, (0.9, 0.66), int(random.integers(6)))
    t.plant((-2.0, -1.6, 0), 1.2, seed=int(random.integers(99)))
    t.hung_curtains(room.side("south"), pane, cloth("curtain", (0.46, 0.46, 0.42), metres=0.25), seed=8)
    kelvin = _warm(random)
    with room.lamps("lamp", kelvin):
        bulb((4.0, 0.0, 2.2), kelvin, 4.0, name="next", height=room.height)
        f.table((1.8, 2.0, 0), (0.5, 0.5, 0.55))
        lights.table_lamp((1.8, 2.0, 0.55), kelvin, 22, name="north", bright=1.8)
        lights.floor_lamp((-2.05, 1.9, 0), kelvin, 26, name="west", bright=1.8)
    room.wall_cards("east", 1.3, 1.3)
    room.wall_cards("south", 1.35, 1.3)
    room.wall_cards("north", 1.1, 1.3)
    room.card_pair((0.8, 0.9, 0.012), -140, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 180))
    return room


def kitchen(random: Random) -> Room:
    """Coloured walls above white cupboards, opal globes, a glazed door and tiles."""
    room = Room(-2.3, 2.5, -2.1, 2.2)
    way: Opening = (-0.5, 0.5, 0.02, 2.15)
    hexes, aspect = textures.hexagons()
    tiles = papered("hexes", picture("hexes", hexes), 1.92, aspect=aspect, roughness=0.3, projection="FLAT")
    room.shell(
        paint(_pick(random, TINTS[1:])),
        tiles,
        openings={"west": [way]},
        doors={"south": [(1.2, 2.0, 0, 2.05)]},
    )
    glazing(room, "west", way, 2)
    north, top = room.side("north"), glossy("worktop", (0.08, 0.075, 0.07), roughness=0.2)
    for k in range(6):
        s = -1.9 + 0.62 * k
        north.box((s, s + 0.61), (0.0, 0.58), (0.1, 0.86), paint(), bevel=0.004)
        if k not in (2, 3):
            north.box((s, s + 0.61), (0.0, 0.33), (1.5, 2.15), paint(), bevel=0.004)
    north.box((-1.9, 1.82), (0, 0.62), (0.86, 0.90), top, bevel=0.004)
    t.vase(north.point(-0.3, 0.3, 0.90), 1.0, blue_glaze())
    t.stoneware(north.point(0.2, 0.3, 0.90), 0.8)
    f.table((1.3, -0.9, 0), (1.2, 0.8, 0.74), material=oak())
    for x, y, yaw in ((1.0, -1.55, 5), (1.6, -0.25, 175), (2.2, -0.9, 90)):
        f.chair((x, y, 0), yaw, oak(), cloth("seat", _pick(random, CLOTHS)))
    t.bowl((1.3, -0.8, 0.74), clay(), 1.4)
    t.frame(room.side("south"), -0.4, 1.6, (0.9, 0.66), int(random.integers(6)))
    t.frame(room.side("east"), 0.5, 1.6, (0.56, 0.7), int(random.integers(6)))
    t.plant((-1.95, -1.75, 0), 1.1, seed=int(random.integers(99)))
    kelvin = _warm(random, 2700, 3200)
    with room.lamps("globes", kelvin):
        bulb((1.3, -0.9, 2.0), kelvin, 3.0, name="table", height=room.height)
        bulb((-0.6, 0.9, 2.2), kelvin, 2.5, name="worktop", height=room.height)
    room.wall_cards("east", -0.4, 1.3)
    room.wall_cards("west", -1.1, 1.3)
    room.wall_cards("south", 0.6, 1.3)
    room.card_pair((-0.7, 0.75, 0.012), 140, flat=True)
    room.daylight(Daylight(int(random.integers(999)), 270, view_ev=2.0))
    return room


DESIGNS = {
    "tinted": Design(tinted, "white", 0.35, "pale walls, white trim and ceiling, lamps and a window"),
    "office": Design(office, "white", 0.35, "white walls, tubes a little green, two windows"),
    "cabin": Design(
        cabin, "coloured", 0.30, "wooden ceiling, deep walls all round, filament bulbs, one window"
    ),
    "night": Design(night, "white", 0.0, "pale walls, lamps only, dark window"),
    "bedroom": Design(bedroom, "white", 0.45, "white walls, warm lamps, a sun patch on the floor"),
    "carpet": Design(carpet, "white", 0.40, "white walls above a strongly coloured carpet"),
    "cellar": Design(cellar, "white", 0.0, "no window, two colours of lamps, one deep wall"),
    "glazed_hall": Design(glazed_hall, "white", 0.65, "a glass side, a large bright view, lamps at the back"),
    "doorway": Design(doorway, "white", 0.40, "white room, a deep coloured one through its door"),
    "kitchen": Design(kitchen, "white", 0.35, "coloured walls, white cupboards, globes, a glazed door"),
    "plum": Design(plum, "white", 0.40, "lilac walls and a plum one, lamps, a sun patch"),
    "snug": Design(snug, "coloured", 0.35, "two deep paints, wooden ceiling, filament bulbs, two windows"),
    "panelled": Design(panelled, "white", 0.35, "boards on all walls, white ceiling, globes and a window"),
    "yellow": Design(yellow, "white", 0.35, "yellow walls, white ceiling and trim, globes, a glazed door"),
}
"""The places by name."""
