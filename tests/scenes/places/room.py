"""The shell of one place, its lamps by group, its cards, and the numbers that surfaces bear as labels."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import bpy
import house
import lights
import numpy as np
from house import Side, casing, leaf, window
from kit import Colour, Point, ball, box, glow, lamp, matt, only_seen, papered, picture, rod
from mathutils import Vector
from plan import Opening, day_rgb, lamp_rgb, linear_rgb, planckian_xy

from tests.scenes.place import (
    CEILING,
    EXTERIOR,
    FLOOR,
    GREY_CARD,
    LAMP,
    MIRROR,
    PAINT,
    THING,
    WALL,
    WHITE_CARD,
)
from tests.scenes.places.outdoors import as_world, incoming, landscape

WALL_M = 0.25
SUN_KELVIN = 5300.0
SUN_IRRADIANCE = 2.6
"""Of the bare sun, where a sunlit white of the landscape has a radiance of 1 (the sky gives the rest)."""
GLOWING, WHITES = 99, (1, 2)
"""Material numbers of the kit: lamps, and the neutrals of ceiling and trim."""


@dataclass
class Daylight:
    """What comes in through the openings.

    Attributes
    ----------
    seed : int
        Of the landscape.
    toward_deg : float
        Which way the main window faces: 0 north, 90 east.
    sun : tuple of float, optional
        Azimuth and elevation of a sun that shines in, degrees.
    night : bool
        Whether it is dark outside.
    view_ev : float
        How much brighter the view is than what it sends in: eaves and trees shade the windows themselves.
    """

    seed: int
    toward_deg: float
    sun: tuple[float, float] | None = None
    night: bool = False
    view_ev: float = 1.5


@dataclass
class Room:
    """A rectangular room about the camera, and what has been put in it.

    Attributes
    ----------
    west, east, south, north, height : float
        Inner faces of the walls and the ceiling, metres from the camera's foot.
    lights : dict
        Table of the light groups: kind, kelvin, rgb.
    cards : dict
        Label of every card and its reflectance.
    """

    west: float
    east: float
    south: float
    north: float
    height: float = 2.6
    lights: dict[str, dict[str, Any]] = field(default_factory=dict)
    cards: dict[int, dict[str, Any]] = field(default_factory=dict)

    def side(self, name: str) -> Side:
        """A wall's inner face."""
        axis, face, inward = {
            "north": ("x", self.north, -1),
            "south": ("x", self.south, 1),
            "west": ("y", self.west, 1),
            "east": ("y", self.east, -1),
        }[name]
        return Side(axis, face, inward)

    def span(self, name: str) -> tuple[float, float]:
        """From where to where a wall runs."""
        return (self.west, self.east) if name in ("north", "south") else (self.south, self.north)

    def shell(
        self,
        walls: Mapping[str, Any] | Any,
        floor: Any,
        *,
        ceiling: Any = None,
        openings: Mapping[str, Sequence[Opening]] | None = None,
        doors: Mapping[str, Sequence[Opening]] | None = None,
        cornice: bool = True,
    ) -> None:
        """Floor, ceiling and walls with their openings, skirting and cornice; white paint where None."""
        openings, doors = openings or {}, doors or {}
        low = (self.west - WALL_M, self.south - WALL_M)
        high = (self.east + WALL_M, self.north + WALL_M)
        with labelled(FLOOR):
            box((*low, -0.1), (*high, 0), floor)
        with labelled(CEILING if ceiling else PAINT):
            box((*low, self.height), (*high, self.height + 0.15), ceiling or paint())
        for name in ("north", "south", "west", "east"):
            material = walls.get(name) if isinstance(walls, Mapping) else walls
            side, (start, end) = self.side(name), self.span(name)
            wide = (start - WALL_M, end + WALL_M) if side.axis == "x" else (start, end)
            with labelled(WALL if material else PAINT):
                holes = openings.get(name, ())
                house.skin(side, wide, holes, material or paint(), thick=WALL_M, top=self.height)
            self._trim(side, (start, end), [*openings.get(name, ()), *doors.get(name, ())], cornice)
        for name, places in doors.items():
            for opening in places:
                self._door(self.side(name), opening)

    def _trim(
        self, side: Side, span: tuple[float, float], openings: Sequence[Opening], cornice: bool
    ) -> None:
        edges = [span[0]]
        for a, b, low, _ in sorted(openings):
            edges += [a - 0.07, b + 0.07] if low <= 0.1 else []
        edges.append(span[1])
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            side.box((a, b), (0, 0.016), (0, 0.12), paint(), bevel=0.004)
        if cornice:
            side.box(span, (0, 0.06), (self.height - 0.07, self.height), paint(), bevel=0.02)

    def _door(self, side: Side, opening: Opening) -> None:
        """A closed door that stands before the wall."""
        a, b, _, high = opening
        casing(side, opening)
        hinge = side.point(a, 0.022, 0)
        leaf((hinge[0], hinge[1]), 0 if side.axis == "x" else 90, b - a, high)

    def card_pair(self, at: Point, yaw: float, *, flat: bool = False, size: float = 0.26) -> None:
        """A grey and a white card side by side; `yaw` is where they face (0 north), `flat` face up."""
        number = len(self.cards) // 2
        for first, value, shift in ((GREY_CARD, 0.18, -0.55), (WHITE_CARD, 0.90, 0.55)):
            x, z = size / 2, 0.8 * size / 2
            tilt = (-90, 0) if flat else (0, 0)
            turn = math.radians(-yaw)
            place = (at[0] + shift * size * math.cos(turn), at[1] + shift * size * math.sin(turn), at[2])
            with labelled(first + number):
                box((-x, -0.004, -z), (x, 0.004, z), card(value), at=place, yaw=-yaw, tilt=tilt)
            self.cards[first + number] = {"albedo": value}

    def wall_cards(self, name: str, s: float, z: float) -> None:
        """A pair of cards on a wall."""
        side = self.side(name)
        yaw = {"north": 180.0, "south": 0.0, "west": 90.0, "east": -90.0}[name]
        self.card_pair(side.point(s, 0.012, z), yaw)

    @contextmanager
    def lamps(self, name: str, kelvin: float, duv: float = 0.0) -> Iterator[str]:
        """Everything put down inside belongs to one light group."""
        rgb = colour_of(kelvin, duv)
        self.lights[name] = {"kind": "lamp", "kelvin": kelvin, "duv": duv, "rgb": [float(v) for v in rgb]}
        before = set(bpy.data.objects)
        yield name
        for thing in set(bpy.data.objects) - before:
            thing.lightgroup = name

    def daylight(self, day: Daylight) -> None:
        """Sky, landscape and perhaps a sun, each a light group."""
        view = landscape(day.seed)
        if day.night:
            view = view.mean(-1, keepdims=True) * np.array([0.4, 0.55, 1.0], np.float32) * 2e-4
        _world(as_world(view), day.view_ev)
        bpy.context.scene.world.lightgroup = "sky"
        kind = "night" if day.night else "daylight"
        self.lights["sky"] = {"kind": kind, "rgb": [float(v) for v in incoming(view, day.toward_deg)]}
        if day.sun:
            _sun(*day.sun).lightgroup = "sun"
            rgb = day_rgb(SUN_KELVIN)
            self.lights["sun"] = {"kind": "daylight", "kelvin": SUN_KELVIN, "rgb": list(rgb)}


def colour_of(kelvin: float, duv: float = 0.0) -> tuple[float, float, float]:
    """Linear colour, luminance 1, of a lamp `duv` above the Planckian locus (CIE 1960)."""
    if not duv:
        return lamp_rgb(kelvin)
    (u, v), (u1, v1) = (_uv(planckian_xy(value)) for value in (kelvin, kelvin + 1))
    length = math.hypot(u1 - u, v1 - v)
    # Towards a hotter body u and v fall; green, where v grows, lies square to that.
    u, v = u + duv * (v1 - v) / length, v - duv * (u1 - u) / length
    return linear_rgb((3 * u / (2 * u - 8 * v + 4), 2 * v / (2 * u - 8 * v + 4)))


def _uv(xy: tuple[float, float]) -> tuple[float, float]:
    x, y = xy
    return 4 * x / (-2 * x + 12 * y + 3), 6 * y / (-2 * x + 12 * y + 3)


@contextmanager
def labelled(number: int) -> Iterator[None]:
    """Everything put down inside bears a label."""
    before = set(bpy.data.objects)
    yield
    for thing in set(bpy.data.objects) - before:
        thing.pass_index = number


def label_the_rest() -> None:
    """Give every solid that bears no label yet the one that its surface tells; `EXTERIOR` stays with none."""
    for thing in bpy.data.objects:
        if thing.type != "MESH" or thing.pass_index != EXTERIOR or not thing.data.materials:
            continue
        surface = thing.data.materials[0]
        if surface.pass_index == GLOWING:
            thing.pass_index = LAMP
        elif surface.pass_index in WHITES:
            thing.pass_index = PAINT
        elif surface.name.startswith("mirror"):
            thing.pass_index = MIRROR
        elif not surface.name.startswith(("outside", "glass")):
            thing.pass_index = THING


def paint(colour: Colour | None = None) -> Any:
    """Matt white paint of reflectance .80, or wall paint of another colour."""
    return house.neutral(2) if colour is None else matt(f"paint {colour}", colour)


def card(value: float) -> Any:
    """A matt neutral card."""
    return matt(f"card {value}", (value,) * 3)


def surface(name: str, image: np.ndarray, metres: float, **form: Any) -> Any:
    """A floor covered with one of the kit's pictures."""
    form = {"projection": "FLAT", "roughness": 0.5, **form}
    return papered(name, picture(name, image), metres, **form)


def tube(at: Point, length: float, *, along_x: bool, colour: Colour, power: float) -> None:
    """A fluorescent tube in an open white tray below the ceiling."""
    x, y = (length / 2, 0.06) if along_x else (0.06, length / 2)
    box((-x, -y, 0), (x, y, 0.035), paint(), at=at)
    end = (length / 2 - 0.03, 0, -0.025) if along_x else (0, length / 2 - 0.03, -0.025)
    start = tuple(a - b if k < 2 else a + b for k, (a, b) in enumerate(zip(at, end, strict=True)))
    stop = tuple(a + b for a, b in zip(at, end, strict=True))
    rod(start, stop, 0.014, glow(f"tube {colour}", colour, power))


def filament(at: Point, drop: float, kelvin: float, power: float, *, name: str) -> None:
    """A bare bulb that hangs from a cord of length `drop`."""
    rod((at[0], at[1], at[2] + 0.05), (at[0], at[1], at[2] + drop), 0.004, matt("cord", (0.02,) * 3))
    rod((at[0], at[1], at[2] + 0.035), (at[0], at[1], at[2] + 0.08), 0.014, house.brass())
    only_seen(ball(at, 0.045, glow(f"filament {name}", lamp_rgb(kelvin), 45 * power, sampled=False)))
    lamp(at, 4 * math.pi**2 * 0.045**2 * 45 * power, lamp_rgb(kelvin), radius=0.045)


def bulb(at: Point, kelvin: float, power: float, *, name: str, height: float) -> None:
    """An opal globe below a ceiling."""
    lights.globe(at, 0.14, kelvin, power, drop=height - at[2], name=name)


def glazing(room: Room, name: str, opening: Opening, panes: int) -> None:
    """A window in a wall; door-high where its sill lies on the floor."""
    window(room.side(name), opening, panes, thick=WALL_M)


def _world(view: np.ndarray, view_ev: float) -> None:
    world = bpy.data.worlds.new("world")
    bpy.context.scene.world = world
    world.use_nodes = True
    nodes, links = world.node_tree.nodes, world.node_tree.links
    nodes.clear()
    texture = nodes.new("ShaderNodeTexEnvironment")
    texture.image = picture("landscape", view)
    ground, output = nodes.new("ShaderNodeBackground"), nodes.new("ShaderNodeOutputWorld")
    links.new(texture.outputs["Color"], ground.inputs["Color"])
    path, strength = nodes.new("ShaderNodeLightPath"), nodes.new("ShaderNodeMath")
    strength.operation = "MULTIPLY_ADD"
    strength.inputs[1].default_value, strength.inputs[2].default_value = 2**view_ev - 1, 1
    links.new(path.outputs["Is Camera Ray"], strength.inputs[0])
    links.new(strength.outputs[0], ground.inputs["Strength"])
    links.new(ground.outputs[0], output.inputs["Surface"])
    world.cycles.sampling_method, world.cycles.sample_map_resolution = "MANUAL", 1024


def _sun(azimuth_deg: float, elevation_deg: float) -> Any:
    light = bpy.data.lights.new("sun", "SUN")
    light.energy, light.color, light.angle = SUN_IRRADIANCE, day_rgb(SUN_KELVIN), math.radians(0.6)
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    way = Vector((math.cos(e) * math.sin(a), math.cos(e) * math.cos(a), math.sin(e)))
    thing = bpy.data.objects.new("sun", light)
    thing.rotation_euler = (-way).to_track_quat("-Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(thing)
    return thing
