"""A fast ray-caster of whole houses for the map: boxes with door openings, textured, with occlusion.

No light is computed beyond a soft shade: what the map needs is what is seen from where, exactly. Rooms are
boxes of air, furniture is boxes in them, doorways lead through the wall's thickness, windows onto a far
view that does not move with the camera, and a wall may be a mirror. x east, y up, z north, in metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from tests.scenes.boxes import (
    OUTDOORS,
    PLANE,
    Array,
    Index,
    Opening,
    Point,
    nearest_box,
    rays_of_sphere,
    within,
)

Colour = tuple[float, float, float]
_DEEPEST = 6
"""Openings that a ray goes through; a mirror counts for three."""
_TEXELS, _PER_METRE = (1280, 512), (160, 256)
"""Side of a pattern and its texels a metre, for what covers a room and for pictures; it
repeats after 8 and 2 m."""


@dataclass(frozen=True)
class Surface:
    """A colour and what modulates it.

    Attributes
    ----------
    colour : tuple of float
        Reflectance.
    kind : str
        "plaster", "planks", "tiles", "woven" or "picture".
    depth : float
        How far the pattern goes up and down, as a share.
    seed : int
        Which piece of the pattern.
    """

    colour: Colour
    kind: str = "plaster"
    depth: float = 0.06
    seed: int = 0


@dataclass(frozen=True)
class Patch:
    """A picture or a mirror on a face."""

    face: int
    low: tuple[float, float]
    high: tuple[float, float]
    surface: Surface
    mirror: bool = False


@dataclass(frozen=True)
class Box:
    """A piece of furniture."""

    low: Point
    high: Point
    surface: Surface


@dataclass(frozen=True)
class Room:
    """A box of air."""

    low: Point
    high: Point
    walls: Surface
    floor: Surface
    ceiling: Surface
    openings: Sequence[Opening] = ()
    boxes: Sequence[Box] = ()
    patches: Sequence[Patch] = ()
    light: float = 1.0


@dataclass(frozen=True)
class Stand:
    """Where a frame was taken: room by number, place, and the heading of the picture's middle."""

    room: int
    x: float
    z: float
    heading_deg: float
    name: str = ""
    taken_s: float = 0.0
    gain: float = 1.0


@dataclass(frozen=True)
class PlanHouse:
    """Rooms, where the frames were taken, and what lies outside."""

    rooms: Sequence[Room]
    stands: Sequence[Stand] = ()
    view_seed: int = 0
    names: Sequence[str] = field(default_factory=tuple)


def render(house: PlanHouse, stand: Stand, width: int = 1024, *, height_m: float = 1.5) -> Array:
    """Linear light of the sphere around a stand, float32 (width/2, width, 3), with a little noise."""
    rays = rays_of_sphere(width, stand.heading_deg)
    canvas = _Canvas(house, rays, np.float32(2 * np.pi / width))
    camera = np.array((stand.x, house.rooms[stand.room].low[1] + height_m, stand.z), np.float32)
    canvas.trace(stand.room, _Rays(np.arange(len(rays)), np.broadcast_to(camera, rays.shape), rays))
    rng = np.random.default_rng([int(stand.x * 1000), int(stand.z * 1000), int(stand.taken_s)])
    light = canvas.light * np.float32(stand.gain)
    light += rng.standard_normal(light.shape, np.float32) * np.sqrt(np.float32(4e-5) * (light + 0.02))
    return np.maximum(light, 1e-4).reshape(width // 2, width, 3)


@dataclass(frozen=True)
class _Rays:
    """Some of the rays: their numbers, where they start, and where they go."""

    index: Index
    origin: Array
    way: Array

    def some(self, on: Index) -> _Rays:
        return _Rays(self.index[on], self.origin[on], self.way[on])

    def on_face(self, reach: Array, axis: int) -> tuple[Array, Array]:
        """Where they meet a face, in its two axes."""
        u, v = PLANE[axis]
        return self.origin[:, u] + reach * self.way[:, u], self.origin[:, v] + reach * self.way[:, v]


class _Canvas:
    """What all rays bring home."""

    def __init__(self, house: PlanHouse, rays: Array, pixel: np.float32) -> None:
        self.house, self.pixel = house, pixel
        self.light = np.zeros((len(rays), 3), np.float32)

    def trace(self, number: int, rays: _Rays, depth: int = 0) -> None:
        """Follow rays through a room, and through its openings."""
        if not len(rays.index):
            return
        room = self.house.rooms[number]
        low, high = np.array(room.low, np.float32), np.array(room.high, np.float32)
        far = (np.where(rays.way > 0, high, low) - rays.origin) / rays.way
        axis = np.argmin(far, axis=1)
        reach = np.take_along_axis(far, axis[:, None], 1)[:, 0]
        face = 2 * axis + np.take_along_axis(rays.way > 0, axis[:, None], 1)[:, 0]
        entered = np.maximum((np.where(rays.way > 0, low, high) - rays.origin) / rays.way, 0).max(axis=1)
        hit, near, hit_face = nearest_box(rays.origin, rays.way, room.boxes, np.maximum(entered - 1e-3, 0.01))
        inside = (hit >= 0) & (near < reach)
        for number_of_box, box in enumerate(room.boxes):
            for f in range(6):
                on = np.flatnonzero(inside & (hit == number_of_box) & (hit_face == f))
                self._shade(rays.some(on), near[on], f, box.surface, room)
        for f in range(6):
            on = np.flatnonzero(~inside & (face == f))
            self._face(number, rays.some(on), reach[on], f, depth)

    def _face(self, number: int, rays: _Rays, reach: Array, face: int, depth: int) -> None:
        room = self.house.rooms[number]
        for opening in room.openings:
            if opening.face == face and len(reach):
                u, v = rays.on_face(reach, face // 2)
                through = within(u, v, opening.low, opening.high)
                frame = within(u, v, opening.low, opening.high, 0.07)
                self._open(rays.some(np.flatnonzero(through)), opening, room, depth)
                self._flat(rays.index[frame & ~through], (0.75, 0.74, 0.7), room)
                rays, reach = rays.some(np.flatnonzero(~frame)), reach[~frame]
        for patch in room.patches:
            if patch.face == face and len(reach):
                here = within(*rays.on_face(reach, face // 2), patch.low, patch.high)
                on = rays.some(np.flatnonzero(here))
                if patch.mirror and depth < _DEEPEST:
                    self.trace(number, _mirrored(on, face, room), depth + 3)
                else:
                    self._shade(on, reach[here], face, patch.surface, room, patch)
                rays, reach = rays.some(np.flatnonzero(~here)), reach[~here]
        surface = room.walls if face // 2 != 1 else room.ceiling if face % 2 else room.floor
        self._shade(rays, reach, face, surface, room)

    def _open(self, rays: _Rays, opening: Opening, room: Room, depth: int) -> None:
        if not len(rays.index):
            return
        if opening.to == OUTDOORS:
            self.light[rays.index] = _outside(rays.way, self.house.view_seed)
            return
        beyond = self.house.rooms[opening.to]
        axis, side = divmod(opening.face, 2)
        wall = np.float32(beyond.low[axis] if side else beyond.high[axis])
        at = (wall - rays.origin[:, axis]) / rays.way[:, axis]
        free = within(*rays.on_face(at, axis), opening.low, opening.high)
        self._flat(rays.index[~free], (0.7, 0.69, 0.66), room)
        if depth < _DEEPEST:
            self.trace(opening.to, rays.some(np.flatnonzero(free)), depth + 1)
        else:
            self._flat(rays.index[free], (0.3, 0.3, 0.3), room)

    def _flat(self, index: Index, colour: Colour, room: Room) -> None:
        self.light[index] = np.array(colour, np.float32) * np.float32(0.5 * room.light)

    def _shade(
        self, rays: _Rays, reach: Array, face: int, surface: Surface, room: Room, patch: Patch | None = None
    ) -> None:
        if not len(reach):
            return
        axis = face // 2
        points = rays.origin + reach[:, None] * rays.way
        u, v = (points[:, k] for k in PLANE[axis])
        if patch:
            u, v = (u - patch.low[0]) / 1.2, (v - patch.low[1]) / 1.2
        texel = reach * self.pixel / np.maximum(np.abs(rays.way[:, axis]), 0.1)
        colour = _pattern(surface, u, v, texel)
        middle = (np.array(room.low) + np.array(room.high)) / 2
        lamp = np.array((middle[0], room.high[1] - 0.3, middle[2]), np.float32)
        away = np.square(points - lamp).sum(axis=1)
        shade = np.float32(room.light) * (0.3 + 1.0 / (1.0 + 0.35 * away))
        self.light[rays.index] = colour * (shade * np.float32((1.0, 0.82, 0.92)[axis]))[:, None]


def _mirrored(rays: _Rays, face: int, room: Room) -> _Rays:
    """Rays as a mirror on a face sends them back: from behind it, to go on from where they met it."""
    axis = face // 2
    way, start = rays.way.copy(), rays.origin.copy()
    way[:, axis] *= -1
    start[:, axis] = 2 * (room.high[axis] if face % 2 else room.low[axis]) - start[:, axis]
    return _Rays(rays.index, start, way)


@lru_cache(maxsize=200)
def _bank(kind: str, variant: int) -> tuple[Array, ...]:
    """A pattern around 0, from -1 to 1, and its halvings; one metre is `_PER_METRE` texels."""
    rng = np.random.default_rng([len(kind), ord(kind[0]), variant])
    n = _TEXELS[kind == "picture"]
    if kind == "plaster":
        tile = sum(_noise(rng, n, s) * w for s, w in ((2, 0.5), (6, 0.3), (40, 0.5)))
    elif kind == "planks":
        tile = _noise(rng, n, 3, stretch=16) * 0.5
        for row in range(0, n, 32):  # 20 cm
            tile[row : row + 32] += rng.uniform(-0.7, 0.7)
            tile[row : row + 2] = -1
            joint = int(rng.integers(n))
            tile[row : row + 32, joint : joint + 2] = -1
    elif kind == "tiles":
        tile = _noise(rng, n, 4) * 0.4
        for row in range(0, n, 64):
            for column in range(0, n, 64):
                tile[row : row + 64, column : column + 64] += rng.uniform(-0.25, 0.25)
        tile[::64] = tile[1::64] = tile[:, ::64] = tile[:, 1::64] = -0.9
    elif kind == "woven":
        tile = _noise(rng, n, 1) * 0.3 + _noise(rng, n, 12) * 0.8
    else:
        tile = _painting(rng, n)
    tile = np.clip(tile, -1, 1).astype(np.float32)
    levels = [tile]
    while levels[-1].shape[0] > 8:
        levels.append(cv2.resize(levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    return tuple(levels)


def _noise(rng: np.random.Generator, n: int, size: float, *, stretch: float = 1.0) -> Array:
    """Smooth chance of about `size` texels, drawn coarse and enlarged."""
    coarse = (max(2, round(n / size)), max(2, round(n / (size * stretch))))
    drawn = rng.standard_normal(coarse).astype(np.float32)
    smooth: Array = cv2.resize(drawn, (n, n), interpolation=cv2.INTER_CUBIC) * np.float32(0.5)
    return smooth


def _painting(rng: np.random.Generator, n: int) -> Array:
    """Blots of many sizes: what hangs on a wall, stands on a shelf or is printed on cloth."""
    tile = np.full((n, n), rng.uniform(-0.5, 0.5), np.float32)
    for size in (120, 60, 30, 15):
        for _ in range(int(2500 / size)):
            centre = tuple(int(c) for c in rng.integers(0, n, 2))
            tone = float(rng.uniform(-1, 1))
            if rng.random() < 0.5:
                axes = tuple(int(a) for a in rng.integers(size // 4, size, 2))
                cv2.ellipse(tile, centre, axes, float(rng.uniform(0, 180)), 0, 360, tone, -1)
            else:
                wide = rng.integers(size // 4, size, 2)
                corner = tuple(int(c + w) for c, w in zip(centre, wide, strict=True))
                cv2.rectangle(tile, centre, corner, tone, -1)
    return tile


def _pattern(surface: Surface, u: Array, v: Array, texel: Array) -> Array:
    """Colour of a surface at u, v (metres), as coarse as a pixel sees it (`texel`, metres)."""
    rng = np.random.default_rng(surface.seed + 7)
    shift = rng.uniform(0, 8, 2)
    per_metre = _PER_METRE[surface.kind == "picture"]
    levels = _bank(surface.kind, surface.seed if surface.kind == "picture" else surface.seed % 40)
    level = np.clip(np.log2(np.maximum(texel * per_metre, 1)) + 0.3, 0, len(levels) - 1)
    value = np.zeros(len(u), np.float32)
    rounded = np.rint(level).astype(int)
    for number in np.unique(rounded):
        here = rounded == number
        side = levels[number].shape[0]
        scale = per_metre / levels[0].shape[0] * side
        x = np.mod((u[here] + shift[0]) * scale, side).astype(np.float32)
        y = np.mod((v[here] + shift[1]) * scale, side).astype(np.float32)
        value[here] = _look_up(levels[number], x, y)
    tone = 1 + np.float32(surface.depth) * value
    base = np.array(surface.colour, np.float32)
    other = base[[1, 2, 0]]
    mix = np.clip(value, 0, 1)[:, None] * np.float32(0.5 if surface.kind == "picture" else 0.0)
    colour: Array = (base * (1 - mix) + other * mix) * tone[:, None]
    return colour


def _look_up(tile: Array, x: Array, y: Array) -> Array:
    """Bilinear, going around."""
    side = tile.shape[0]
    x0, y0 = x.astype(int) % side, y.astype(int) % side
    fx, fy = x - np.floor(x), y - np.floor(y)
    x1, y1 = (x0 + 1) % side, (y0 + 1) % side
    top = tile[y0, x0] * (1 - fx) + tile[y0, x1] * fx
    value: Array = top * (1 - fy) + (tile[y1, x0] * (1 - fx) + tile[y1, x1] * fx) * fy
    return value


def _outside(rays: Array, seed: int) -> Array:
    """A far view: sky, trees and ground by direction alone; nothing of it comes twice."""
    yaw, pitch = np.arctan2(rays[:, 0], rays[:, 2]), np.arcsin(np.clip(rays[:, 1], -1, 1))
    value = np.zeros(len(rays), np.float32)
    quarter = np.floor((yaw + np.float32(np.pi)) / np.float32(np.pi / 2)).astype(int) % 4
    for number in range(4):
        here = quarter == number
        trees = _bank("picture", 10_000 + 10 * seed + number)[1]
        side = trees.shape[0]
        x = np.mod((yaw[here] + np.float32(np.pi)) / np.float32(np.pi / 2), 1) * (side - 1)
        value[here] = _look_up(trees, x.astype(np.float32), np.mod((pitch[here] + 1.6) * 80, side))
    sky = pitch > 0.06 * np.sin(5 * yaw) + 0.1
    colour = np.where(sky[:, None], np.float32((2.2, 2.5, 3.0)), np.float32((0.7, 0.9, 0.5)))
    colour = colour * (1 + np.where(sky, 0.05, 0.6) * value)[:, None]
    return colour.astype(np.float32)
