"""Supports of many kinds under the camera, ray-cast: what they hide, and the light that they take.

A support is a few solids (rods, cylinders, boxes, ellipsoids) that stand on the floor and rise towards the
lens. Lights are suns, lamps, windows and a sky, each of its own colour, drawn as a handful of points, so that
shadows are as soft as they are far. The floor's pattern comes in later: one rendering serves any floor.

Metres; x is right, y forward, z up; the floor is z = 0 and the camera stands above the origin.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pitch_of_row, yaw_of_column

Array = NDArray[np.float32]
Point = tuple[float, float, float]
Colour = tuple[float, float, float]
BLACK, ALUMINIUM, RUBBER, CANVAS = (
    (0.022, 0.022, 0.024),
    (0.42, 0.43, 0.45),
    (0.03, 0.03, 0.03),
    (0.10, 0.09, 0.08),
)
_FAR = np.float32(1e6)
_SKY_DIRECTIONS = 56
_SKY_REACH_DEG = 32.0
"""Angle from the nadir to which the support takes light from the sky above it."""


@dataclass(frozen=True)
class Rod:
    """A rod with round ends."""

    start: Point
    end: Point
    radius: float
    colour: Colour = BLACK

    def reach(self, origin: Array, rays: Array) -> Array:
        """Distance along unit rays to the first point of the solid; 1e6 where there is none."""
        start = np.array(self.start, np.float32)
        axis = np.array(self.end, np.float32) - start
        to = origin - start
        length = np.float32(axis @ axis)
        along, offset, ahead = rays @ axis, to @ axis, (rays * to).sum(-1)
        near = (to * to).sum(-1)
        a = np.maximum(length - along * along, np.float32(1e-9))
        b = length * ahead - offset * along
        inside = b * b - a * (length * near - offset * offset - np.float32(self.radius**2) * length)
        hit = (-b - np.sqrt(np.maximum(inside, 0))) / a
        place = offset + hit * along
        far = np.where((inside > 0) & (place > 0) & (place < length) & (hit > 0), hit, _FAR)
        for at in (self.start, self.end):
            centre = origin - np.array(at, np.float32)
            half = (rays * centre).sum(-1)
            left = half * half - (centre * centre).sum(-1) + np.float32(self.radius**2)
            ball = -half - np.sqrt(np.maximum(left, 0))
            far = np.minimum(far, np.where((left > 0) & (ball > 0), ball, _FAR))
        return np.asarray(far, np.float32)

    def normal(self, points: Array) -> Array:
        """Outward normals at points of the surface."""
        start = np.array(self.start, np.float32)
        axis = np.array(self.end, np.float32) - start
        share = np.clip((points - start) @ axis / (axis @ axis), 0, 1)[:, None]
        return _unit(points - start - share * axis)


@dataclass(frozen=True)
class Cylinder:
    """An upright cylinder: a plate, a hub."""

    centre: tuple[float, float]
    low: float
    high: float
    radius: float
    colour: Colour = BLACK

    def reach(self, origin: Array, rays: Array) -> Array:
        """Distance along unit rays to the first point of the solid; 1e6 where there is none."""
        to = origin[..., :2] - np.array(self.centre, np.float32)
        flat = rays[..., :2]
        a = np.maximum((flat * flat).sum(-1), np.float32(1e-9))
        b = (flat * to).sum(-1)
        inside = b * b - a * ((to * to).sum(-1) - np.float32(self.radius**2))
        root = np.sqrt(np.maximum(inside, 0))
        enter, leave = _slab(origin[..., 2], rays[..., 2], self.low, self.high)
        enter, leave = np.maximum(enter, (-b - root) / a), np.minimum(leave, (-b + root) / a)
        return np.where((inside > 0) & (enter < leave) & (leave > 1e-5), np.maximum(enter, 0), _FAR)

    def normal(self, points: Array) -> Array:
        """Outward normals at points of the surface."""
        flat = points[:, :2] - np.array(self.centre, np.float32)
        top = np.abs(points[:, 2] - self.high) < 1e-4
        side = np.concatenate([flat, np.zeros((len(points), 1), np.float32)], 1)
        return _unit(np.where(top[:, None], np.array((0, 0, 1), np.float32), side))


@dataclass(frozen=True)
class Box:
    """An upright box, turned by an angle."""

    centre: tuple[float, float]
    half: tuple[float, float]
    low: float
    high: float
    turn_deg: float = 0.0
    colour: Colour = BLACK

    def _own(self, vectors: Array) -> Array:
        angle = math.radians(self.turn_deg)
        turn = np.array([(math.cos(angle), -math.sin(angle)), (math.sin(angle), math.cos(angle))], np.float32)
        return vectors @ turn

    def reach(self, origin: Array, rays: Array) -> Array:
        """Distance along unit rays to the first point of the solid; 1e6 where there is none."""
        to = self._own(origin[..., :2] - np.array(self.centre, np.float32))
        flat = self._own(rays[..., :2])
        enter, leave = _slab(origin[..., 2], rays[..., 2], self.low, self.high)
        for axis, half in enumerate(self.half):
            one, other = _slab(to[..., axis], flat[..., axis], -half, half)
            enter, leave = np.maximum(enter, one), np.minimum(leave, other)
        return np.where((enter < leave) & (leave > 1e-5), np.maximum(enter, 0), _FAR).astype(np.float32)

    def normal(self, points: Array) -> Array:
        """Outward normals at points of the surface."""
        top = np.abs(points[:, 2] - self.high) < 1e-4
        side = np.concatenate([points[:, :2] - np.array(self.centre), np.zeros((len(points), 1))], 1)
        return _unit(np.where(top[:, None], np.array((0, 0, 1), np.float32), side))


@dataclass(frozen=True)
class Lump:
    """An ellipsoid: a bag's half."""

    centre: Point
    radii: Point
    turn_deg: float = 0.0
    colour: Colour = CANVAS

    def _ball(self, vectors: Array) -> Array:
        angle = math.radians(self.turn_deg)
        turn = np.array(
            [(math.cos(angle), -math.sin(angle), 0), (math.sin(angle), math.cos(angle), 0), (0, 0, 1)]
        )
        return (vectors @ turn / np.array(self.radii)).astype(np.float32)

    def reach(self, origin: Array, rays: Array) -> Array:
        """Distance along unit rays to the first point of the solid; 1e6 where there is none."""
        to, ahead = self._ball(origin - np.array(self.centre, np.float32)), self._ball(rays)
        a, b = (ahead * ahead).sum(-1), (ahead * to).sum(-1)
        inside = b * b - a * ((to * to).sum(-1) - 1)
        hit = (-b - np.sqrt(np.maximum(inside, 0))) / a
        return np.where((inside > 0) & (hit > 0), hit, _FAR).astype(np.float32)

    def normal(self, points: Array) -> Array:
        """Outward normals at points of the surface, creased like cloth."""
        ball = self._ball(points - np.array(self.centre, np.float32))
        angle = -math.radians(self.turn_deg)
        turn = np.array(
            [(math.cos(angle), -math.sin(angle), 0), (math.sin(angle), math.cos(angle), 0), (0, 0, 1)]
        )
        crease = 0.25 * np.sin(points @ np.array((60.0, 35.0, 20.0)))[:, None]
        return _unit(
            (ball / np.array(self.radii)) @ turn * min(self.radii) + crease * np.array((0.6, -0.8, 0))
        )


Solid = Rod | Cylinder | Box | Lump


@dataclass(frozen=True)
class Light:
    """A light drawn as points: at the end of their vectors, or in that direction far away for a sun.

    `strength` is the illuminance that it gives a level floor under the camera.
    """

    points: Array
    colour: Colour
    strength: float
    far: bool = False


@dataclass(frozen=True)
class Lighting:
    """Lights, and an even sky."""

    lights: Sequence[Light]
    sky: Colour
    noise: float = 1.0


@dataclass(frozen=True)
class Rendered:
    """What a support does to a floor, in the rows of a frame from `first` on.

    Attributes
    ----------
    light : ndarray of shape (n, width, 3), dtype float32
        Illuminance on the floor without the support.
    left : ndarray of shape (n, width, 3), dtype float32
        Share of it that is left beside the support.
    body, cover : ndarray of shape (n, width, 3) and (n, width), dtype float32
        Light that comes from the support, and how much of each pixel it covers.
    first : int
        Row of the frame that row 0 is.
    """

    light: Array
    left: Array
    body: Array
    cover: Array
    first: int


def render(
    solids: Sequence[Solid],
    lighting: Lighting,
    *,
    width: int,
    height_m: float = 1.5,
    top_pitch_deg: float = -14,
) -> Rendered:
    """Render the rows below a pitch, without any floor pattern."""
    first = int((90 - top_pitch_deg) / 180 * (width // 2))
    floor = _floor_points(width, first, height_m)
    light, left = _floor_light(solids, lighting, floor, width, first)
    body, cover = _bodies(solids, lighting, width, first, height_m)
    return Rendered(light, left, body, cover, first)


def _unit(vectors: Array) -> Array:
    return (vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-9)).astype(np.float32)


def _slab(at: Array, ahead: Array, low: float, high: float) -> tuple[Array, Array]:
    ahead = np.where(np.abs(ahead) < 1e-7, np.float32(1e-7), ahead)
    one, other = (np.float32(low) - at) / ahead, (np.float32(high) - at) / ahead
    return np.minimum(one, other), np.maximum(one, other)


def _floor_points(width: int, first: int, height_m: float) -> Array:
    """Places on the floor of every fourth column of the rows, shape (n, width / 4, 3)."""
    yaw = np.radians(yaw_of_column(np.arange(0, width, 4) + 1.5, width))
    far = height_m * np.tan(np.radians(90 + pitch_of_row(np.arange(first, width // 2), width // 2)))[:, None]
    return np.stack([far * np.sin(yaw), far * np.cos(yaw), np.full((len(far), width // 4), 1e-4)], -1).astype(
        np.float32
    )


def _open(solids: Sequence[Solid], origin: Array, rays: Array, limit: Array | float) -> NDArray[np.bool_]:
    clear = np.ones(rays.shape[:-1], np.bool_)
    for solid in solids:
        clear &= solid.reach(origin, rays) >= limit
    return clear


def _floor_light(
    solids: Sequence[Solid], lighting: Lighting, floor: Array, width: int, first: int
) -> tuple[Array, Array]:
    """Illuminance without the support, and the share that is left with it."""
    sky = np.array(lighting.sky, np.float32)
    whole = np.broadcast_to(sky, floor.shape).copy()
    taken = sky * _sky_left(solids, floor, width, first)[..., None]
    for light in lighting.lights:
        colour = np.array(light.colour, np.float32)
        for point in light.points:
            to = np.broadcast_to(point, floor.shape) if light.far else point - floor
            far = np.linalg.norm(to, axis=-1, keepdims=True)
            rays = (to / far).astype(np.float32)
            amount = rays[..., 2:] * (1.0 if light.far else (point[2] / far) ** 2)
            own = _unit(np.asarray(point))[2] if light.far else (point[2] / np.linalg.norm(point)) ** 3
            amount = amount * (light.strength / len(light.points) / own)
            clear = _open(solids, floor, rays, _FAR if light.far else far[..., 0])[..., None]
            whole += amount * colour
            taken += amount * clear * colour
    wide = [cv2.resize(one.astype(np.float32), (width, len(floor))) for one in (whole, taken / whole)]
    return wide[0], wide[1]


def _sky_left(solids: Sequence[Solid], floor: Array, width: int, first: int) -> Array:
    """Share of an even sky that the support leaves, near it; cosine-weighted directions."""
    share = np.ones(floor.shape[:2], np.float32)
    begin = max(0, int((180 - _SKY_REACH_DEG) / 180 * (width // 2)) - first)
    at = np.arange(_SKY_DIRECTIONS) + 0.5
    level, angle = np.sqrt(at / _SKY_DIRECTIONS), at * math.pi * (3 - math.sqrt(5))
    part, total = floor[begin:], 0.0
    for reach, turn in zip(level, angle, strict=True):
        ray = np.array((reach * math.cos(turn), reach * math.sin(turn), math.sqrt(1 - reach * reach)))
        total = total + _open(solids, part, np.broadcast_to(ray.astype(np.float32), part.shape), _FAR)
    wide = np.concatenate([total[:, -3:], total, total[:, :3]], axis=1) / np.float32(_SKY_DIRECTIONS)
    share[begin:] = cv2.GaussianBlur(wide.astype(np.float32), (5, 3), 0)[:, 3:-3]
    return share


def _bodies(
    solids: Sequence[Solid], lighting: Lighting, width: int, first: int, height_m: float
) -> tuple[Array, Array]:
    """Light from the support, and its cover, three rays a row and one a column."""
    height = width // 2
    body, cover = (
        np.zeros((height - first, width, 3), np.float32),
        np.zeros((height - first, width), np.float32),
    )
    yaw = np.radians(yaw_of_column(np.arange(width), width))
    origin = np.array((0, 0, height_m), np.float32)
    for offset in (-1 / 3, 0, 1 / 3):
        pitch = np.radians(pitch_of_row(np.arange(first, height) + offset, height))[:, None]
        rays = np.stack(
            [np.cos(pitch) * np.sin(yaw), np.cos(pitch) * np.cos(yaw), np.sin(pitch) * np.ones_like(yaw)], -1
        ).astype(np.float32)
        ground = -height_m / rays[..., 2]
        reach = np.stack([solid.reach(origin, rays) for solid in solids])
        which, near = reach.argmin(0), reach.min(0)
        seen = near < ground
        for number, solid in enumerate(solids):
            here = seen & (which == number)
            if here.any():
                points = origin + near[here][:, None] * rays[here]
                body[here] += _lit(solid, points, rays[here], lighting)
        cover += seen
    body /= np.maximum(cover, 1)[..., None]
    return body, cover / 3


def _lit(solid: Solid, points: Array, rays: Array, lighting: Lighting) -> Array:
    normal = solid.normal(points)
    normal = np.where((normal * rays).sum(-1, keepdims=True) > 0, -normal, normal)
    amount = np.array(lighting.sky, np.float32) * (0.45 + 0.55 * normal[:, 2:])
    shine = np.zeros_like(amount)
    for light in lighting.lights:
        colour = np.array(light.colour, np.float32) * light.strength
        middle = light.points.mean(0)
        to = _unit(np.broadcast_to(middle, points.shape) if light.far else middle - points)
        amount = amount + colour * np.maximum((normal * to).sum(-1, keepdims=True), 0) / max(
            0.25, float(_unit(middle[None])[0, 2])
        )
        half = _unit(to - rays)
        shine = shine + colour * np.maximum((normal * half).sum(-1, keepdims=True), 0) ** 40
    gloss = 0.25 if solid.colour == ALUMINIUM else 0.03
    return (amount * np.array(solid.colour, np.float32) + gloss * shine).astype(np.float32)


def _pole(foot: tuple[float, float], low: float, top: Point, thick: float = 0.0115) -> list[Solid]:
    """A pole of three lengths, thicker upwards, with clamps."""
    start, end = np.array((*foot, low)), np.array(top)
    at = [tuple(float(v) for v in start + share * (end - start)) for share in (0, 0.36, 0.7, 1)]
    rods: list[Solid] = [
        Rod(at[0], at[1], 0.75 * thick, ALUMINIUM),
        Rod(at[1], at[2], thick),
        Rod(at[2], at[3], 1.2 * thick),
    ]
    return [*rods, Rod(at[1], (*at[1][:2], at[1][2] + 0.02), 1.5 * thick)]


def _legs(
    count: int,
    turn_deg: float,
    hub: float,
    reach: float,
    radius: float,
    *,
    low: float = 0.012,
    colour=ALUMINIUM,
) -> list[Solid]:
    solids: list[Solid] = []
    for number in range(count):
        angle = math.radians(turn_deg + 360 / count * number + 4 * math.sin(7 * number))
        far = (reach * math.sin(angle), reach * math.cos(angle))
        near = (0.025 * math.sin(angle), 0.025 * math.cos(angle), hub)
        solids += [
            Rod(near, (*far, low), radius, colour),
            Rod((*far, low), (*far, low + 0.004), 1.4 * radius, RUBBER),
        ]
    return solids


def _round_plate() -> list[Solid]:
    return [
        Cylinder((0.01, -0.008), 0, 0.014, 0.18),
        Cylinder((0.01, -0.008), 0.014, 0.06, 0.03, ALUMINIUM),
        *_pole((0.01, -0.008), 0.03, (-0.02, 0.025, 1.2)),
    ]


def _wide_plate() -> list[Solid]:
    grey = (0.30, 0.30, 0.31)
    return [
        Cylinder((-0.012, 0.006), 0, 0.02, 0.25, grey),
        Cylinder((-0.012, 0.006), 0.02, 0.05, 0.04, BLACK),
        *_pole((-0.012, 0.006), 0.03, (0.02, 0.01, 1.3)),
    ]


def _square_plate() -> list[Solid]:
    steel = (0.16, 0.16, 0.17)
    return [
        Box((0.008, 0.01), (0.15, 0.15), 0, 0.012, 24, steel),
        Cylinder((0.008, 0.01), 0.012, 0.05, 0.025),
        *_pole((0.008, 0.01), 0.03, (0.03, -0.02, 1.15)),
    ]


def _short_toes() -> list[Solid]:
    return [
        *_legs(3, 20, 0.10, 0.13, 0.012, colour=BLACK),
        Cylinder((0, 0), 0.08, 0.2, 0.026),
        *_pole((0, 0), 0.1, (0.022, -0.025, 1.17)),
    ]


def _three_legs() -> list[Solid]:
    return [
        *_legs(3, 75, 0.15, 0.19, 0.010),
        Cylinder((0, 0), 0.10, 0.2, 0.028),
        *_pole((0, 0), 0.1, (-0.025, -0.02, 1.17)),
    ]


def _wide_tripod() -> list[Solid]:
    return [
        *_legs(3, 50, 0.62, 0.42, 0.011, colour=BLACK),
        Cylinder((0, 0), 0.6, 0.7, 0.03),
        *_pole((0, 0), 0.6, (0.015, 0.012, 1.25)),
    ]


def _small_legs() -> list[Solid]:
    return [*_legs(4, 10, 0.06, 0.09, 0.008), *_pole((0, 0), 0.04, (0.02, 0.03, 1.2), 0.013)]


def _bare_pole() -> list[Solid]:
    return [
        *_pole((0.012, 0.004), 0.0, (-0.028, 0.018, 1.2), 0.014),
        Cylinder((0.012, 0.004), 0, 0.02, 0.03, RUBBER),
    ]


def _weight_bag() -> list[Solid]:
    return [
        *_three_legs(),
        Lump((0.10, 0.02, 0.05), (0.15, 0.09, 0.06), 25),
        Lump((-0.09, -0.05, 0.05), (0.14, 0.10, 0.06), -15),
        Rod((0.05, 0.0, 0.1), (-0.05, -0.02, 0.1), 0.02, CANVAS),
    ]


def _leaning() -> list[Solid]:
    return [Cylinder((0.07, 0.05), 0, 0.015, 0.14), *_pole((0.07, 0.05), 0.01, (0.012, 0.01, 1.25))]


def _star_base() -> list[Solid]:
    grey = (0.25, 0.25, 0.26)
    return [
        *_legs(5, 5, 0.07, 0.24, 0.017, low=0.05, colour=grey),
        Cylinder((0, 0), 0.04, 0.12, 0.035),
        *_pole((0, 0), 0.1, (0.02, -0.015, 1.2), 0.013),
    ]


def _low_legs() -> list[Solid]:
    return [*_legs(3, 100, 0.22, 0.34, 0.009, colour=BLACK), *_pole((0, 0), 0.12, (-0.015, 0.03, 1.3))]


SUPPORTS: dict[str, Callable[[], list[Solid]]] = {
    "round plate": _round_plate,
    "wide plate": _wide_plate,
    "square plate": _square_plate,
    "short toes": _short_toes,
    "three legs": _three_legs,
    "wide tripod": _wide_tripod,
    "small legs": _small_legs,
    "bare pole": _bare_pole,
    "low legs": _low_legs,
    "weight bag": _weight_bag,
    "leaning plate": _leaning,
    "star base": _star_base,
}
HELD_OUT_SUPPORTS = ("weight bag", "leaning plate", "star base")


def _around(point: Point, radius: float, count: int) -> Array:
    """Points of a disc around a point."""
    at = np.arange(count) + 0.5
    far, angle = radius * np.sqrt(at / count), at * math.pi * (3 - math.sqrt(5))
    spread = np.stack([far * np.cos(angle), far * np.sin(angle), 0.5 * far * np.sin(3 * angle)], -1)
    return (np.array(point) + spread).astype(np.float32)


def _sun(yaw_deg: float, pitch_deg: float, strength: float) -> Light:
    yaw, pitch = math.radians(yaw_deg), math.radians(pitch_deg)
    to = np.array((math.cos(pitch) * math.sin(yaw), math.cos(pitch) * math.cos(yaw), math.sin(pitch)))
    aside, above = (
        np.array((math.cos(yaw), -math.sin(yaw), 0)),
        np.cross((math.cos(yaw), -math.sin(yaw), 0), to),
    )
    at = np.arange(7) + 0.5
    far, angle = math.radians(0.2665) * np.sqrt(at / 7), at * math.pi * (3 - math.sqrt(5))
    points = to + far[:, None] * (np.cos(angle)[:, None] * aside + np.sin(angle)[:, None] * above)
    return Light(points.astype(np.float32), (1.0, 0.93, 0.82), strength, far=True)


def _window(centre: Point, across: Point, strength: float) -> Light:
    u, v = np.meshgrid(np.linspace(-0.9, 0.9, 5), np.linspace(-0.6, 0.6, 3))
    points = np.array(centre) + u.reshape(-1, 1) * np.array(across) + v.reshape(-1, 1) * np.array((0, 0, 1.0))
    return Light(points.astype(np.float32), (0.88, 0.98, 1.15), strength)


_WARM = (1.15, 0.97, 0.72)
LIGHTS: dict[str, Callable[[], Lighting]] = {
    "low sun": lambda: Lighting([_sun(35, 19, 0.72)], (0.24, 0.28, 0.36)),
    "two lamps": lambda: Lighting(
        [
            Light(_around((1.3, 0.9, 2.3), 0.09, 7), _WARM, 0.42),
            Light(_around((-1.7, 0.4, 1.5), 0.1, 7), _WARM, 0.3),
        ],
        (0.34, 0.28, 0.2),
    ),
    "window and lamp": lambda: Lighting(
        [
            _window((-2.4, 1.0, 1.4), (0.3, 0.95, 0), 0.5),
            Light(_around((1.0, -1.6, 2.2), 0.12, 7), _WARM, 0.2),
        ],
        (0.3, 0.3, 0.3),
    ),
    "overcast": lambda: Lighting([], (0.95, 1.0, 1.08)),
    "spot": lambda: Lighting(
        [Light(_around((-0.9, -0.7, 2.5), 0.03, 6), (1.05, 1.0, 0.9), 0.8)], (0.2, 0.19, 0.17)
    ),
    "dark": lambda: Lighting(
        [Light(_around((2.2, -0.6, 1.2), 0.08, 7), _WARM, 0.5)], (0.5, 0.42, 0.32), noise=6.0
    ),
}
HELD_OUT_LIGHTS = ("spot", "two lamps")
