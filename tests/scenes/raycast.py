"""A small ray-caster of box rooms: linear light on the whole sphere, and the truth behind it.

Rooms are boxes joined by doorways; windows look onto the outdoors; furniture is boxes, pictures and cards
are rectangles on the walls. Light is spectral: every lamp, window and doorway is a light with a spectrum,
every surface a reflectance, and the standard observer looks at the product. Direct light casts shadows;
what bounces is one even term per room (the integrating sphere), darker towards the corners.

x is right, y up, z forward, in metres, as in `panopipe.sphere.geometry`. Radiance is scaled so that a
perfect white under unit illuminance is 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import direction
from tests.scenes.boxes import OUTDOORS, PLANE, Array, Opening, Point, nearest_box, rays_of_sphere, within
from tests.scenes.spectra import Spectrum, colour, daylight, surface
from tests.scenes.textures import Texture, plaster, smooth_noise


@dataclass(frozen=True)
class Material:
    """Reflectance of a matt surface, a second one, and how the texture mixes them."""

    reflectance: Spectrum
    second: Spectrum | None = None
    texture: Texture = plaster


@dataclass(frozen=True)
class Patch:
    """A rectangle on a face of a room: face is 2 axis + (0 low side, 1 high side)."""

    face: int
    low: tuple[float, float]
    high: tuple[float, float]
    material: Material
    card: str = ""


@dataclass(frozen=True)
class Box:
    """A piece of furniture."""

    low: Point
    high: Point
    material: Material


@dataclass(frozen=True)
class Lamp:
    """A glowing ball: luminous intensity in all directions, seen with its radius."""

    position: Point
    spectrum: Spectrum
    intensity: float
    radius: float = 0.09


@dataclass(frozen=True)
class Room:
    """A box of air with its surfaces, furniture and lamps."""

    low: Point
    high: Point
    floor: Material
    walls: Material
    ceiling: Material
    trim: Material
    boxes: Sequence[Box] = ()
    lamps: Sequence[Lamp] = ()
    patches: Sequence[Patch] = ()
    openings: Sequence[Opening] = ()
    sill_m: float = 0.1

    def face_area(self, face: int) -> float:
        """Square metres of a wall, the floor or the ceiling."""
        u, v = PLANE[face // 2]
        return (self.high[u] - self.low[u]) * (self.high[v] - self.low[v])


@dataclass(frozen=True)
class Outdoors:
    """Sky, sun and ground.

    The sky goes from `horizon` to `zenith`, both radiances as multiples of unit-luminance spectra; the sun
    is a direction (yaw, pitch in degrees) with the illuminance it gives a surface that faces it.
    """

    zenith: Spectrum = field(default_factory=lambda: daylight(9000))
    horizon: Spectrum = field(default_factory=lambda: daylight(6000))
    sky_radiance: float = 20.0
    sun: Spectrum = field(default_factory=lambda: daylight(5400))
    sun_direction_deg: tuple[float, float] = (-140.0, 35.0)
    sun_illuminance: float = 60.0
    ground: Material = field(default_factory=lambda: Material(surface(0.12, 0.17, 0.06)))
    trees: Material = field(default_factory=lambda: Material(surface(0.05, 0.08, 0.03)))
    ground_m: float = -0.3
    boxes: Sequence[Box] = ()


@dataclass(frozen=True)
class House:
    """Rooms, and what lies around them."""

    rooms: Sequence[Room]
    outdoors: Outdoors = field(default_factory=Outdoors)


@dataclass(frozen=True)
class Picture:
    """A rendered frame and the truth behind it; arrays are (height, width, 3) in the working space.

    Attributes
    ----------
    rows : ndarray float32
        Radiance.
    reflectance : ndarray float32
        Colour of the surface under D65 (1 is a perfect white); 0 where the sky or a lamp is seen.
    illuminant : ndarray float32
        Colour of a perfect white in the place of the surface; 0 where the sky or a lamp is seen.
    cards : mapping of str to ndarray of bool (height, width)
        Where each named card is seen.
    """

    rows: Array
    reflectance: Array
    illuminant: Array
    cards: Mapping[str, NDArray[np.bool_]]


def render(house: House, camera: Point, width: int, *, supersample: int = 1) -> Picture:
    """Render the sphere around `camera`.

    Parameters
    ----------
    house : House
        The scene.
    camera : tuple of float
        Position in metres; the room that holds it is found, outdoors if none does.
    width : int
        Columns; rows are half of it.
    supersample : int
        Rays per pixel and axis.

    Returns
    -------
    Picture
        Light and truth.
    """
    across = width * supersample
    rays = rays_of_sphere(across)
    canvas = _Canvas(house, np.array(camera, np.float32), rays)
    canvas.trace(_room_of(house, camera), np.arange(len(rays)))
    return canvas.picture(width, supersample)


def _room_of(house: House, camera: Point) -> int:
    for number, room in enumerate(house.rooms):
        if all(lo < c < hi for lo, c, hi in zip(room.low, camera, room.high, strict=True)):
            return number
    return OUTDOORS


class _Canvas:
    """Arrays over all rays that the trace fills in."""

    def __init__(self, house: House, camera: Array, rays: Array) -> None:
        self.house, self.camera, self.rays = house, camera, rays
        self.light = np.zeros((len(rays), 3), np.float32)
        self.reflectance = np.zeros((len(rays), 3), np.float32)
        self.illuminant = np.zeros((len(rays), 3), np.float32)
        self.card = np.zeros(len(rays), np.int32)
        self.card_names = [""]
        self.bounce = room_light(house)

    def trace(self, number: int, index: NDArray[np.intp], depth: int = 0) -> None:
        """Follow rays `index` through a room, and through its openings into the next."""
        if number == OUTDOORS:
            self._outdoors(index)
            return
        room, rays = self.house.rooms[number], self.rays[index]
        low, high = np.array(room.low, np.float32), np.array(room.high, np.float32)
        far = (np.where(rays > 0, high, low) - self.camera) / rays
        axis = np.argmin(far, axis=1)
        reach = np.take_along_axis(far, axis[:, None], 1)[:, 0]
        side = np.take_along_axis(rays > 0, axis[:, None], 1)[:, 0]
        face = 2 * axis + side
        box, near, box_face = nearest_box(self.camera, rays, room.boxes, 1e-4)
        hit_lamp = self._lamps(room, index, np.minimum(near, reach))
        inside = (box >= 0) & (near < reach)
        if depth:
            inside &= near > _entry(self.camera, rays, low, high) - 1e-4
        for b, thing in enumerate(room.boxes):
            for f in range(6):
                self._shade(
                    number, index, inside & (box == b) & (box_face == f) & ~hit_lamp, near, f, thing.material
                )
        left = ~inside & ~hit_lamp
        for f in range(6):
            self._face(number, index, left & (face == f), reach, f, depth)

    def _face(
        self,
        number: int,
        index: NDArray[np.intp],
        here: NDArray[np.bool_],
        reach: Array,
        face: int,
        depth: int,
    ) -> None:
        room = self.house.rooms[number]
        if not here.any():
            return
        u, v = self._uv(index, reach, face)
        for opening in room.openings:
            if opening.face != face:
                continue
            through = here & within(u, v, opening.low, opening.high)
            if opening.to == OUTDOORS:
                through &= ~_bar(u, v, opening)
            if depth < 5:
                self.trace(opening.to, index[through], depth + 1)
            here = here & ~through
            self._shade(number, index, here & _frame_of(u, v, opening), reach, face, room.trim)
            here = here & ~_frame_of(u, v, opening)
        for patch in reversed(room.patches):
            if patch.face == face:
                on = here & within(u, v, patch.low, patch.high)
                self._shade(number, index, on, reach, face, patch.material, patch)
                here = here & ~on
        material = {2: room.floor, 3: room.ceiling}.get(face, room.walls)
        if face not in (2, 3):
            skirting = here & (v < room.low[1] + room.sill_m)
            self._shade(number, index, skirting, reach, face, room.trim)
            here = here & ~skirting
        self._shade(number, index, here, reach, face, material)

    def _uv(self, index: NDArray[np.intp], reach: Array, face: int) -> tuple[Array, Array]:
        u, v = PLANE[face // 2]
        rays = self.rays[index]
        return self.camera[u] + reach * rays[:, u], self.camera[v] + reach * rays[:, v]

    def _shade(
        self,
        number: int,
        index: NDArray[np.intp],
        on: NDArray[np.bool_],
        reach: Array,
        face: int,
        material: Material,
        patch: Patch | None = None,
    ) -> None:
        """Light a surface of a room: `face` is the room's, or the box's own outward one."""
        chosen = index[on]
        if not len(chosen):
            return
        points = self.camera + reach[on, None] * self.rays[chosen]
        normal = np.zeros(3, np.float32)
        normal[face // 2] = 1 if face % 2 else -1
        if np.dot(points[0] - self.camera, normal) > 0:
            normal = -normal
        u, v = PLANE[face // 2]
        spectra, amounts = self._lights(number, points, normal)
        self._finish(chosen, points[:, u], points[:, v], material, spectra, amounts)
        if patch is not None and patch.card:
            if patch.card not in self.card_names:
                self.card_names.append(patch.card)
            self.card[chosen] = self.card_names.index(patch.card)

    def _finish(
        self,
        chosen: NDArray[np.intp],
        u: Array,
        v: Array,
        material: Material,
        spectra: list[Spectrum],
        amounts: Array,
    ) -> None:
        bright, share = material.texture(u, v)
        second = material.reflectance if material.second is None else material.second
        white = np.array([colour(s) for s in spectra], np.float32)
        first_rgb = np.array([colour(s, material.reflectance) for s in spectra], np.float32)
        second_rgb = np.array([colour(s, second) for s in spectra], np.float32)
        share = share[:, None]
        self.light[chosen] = bright[:, None] * (
            (1 - share) * (amounts @ first_rgb) + share * (amounts @ second_rgb)
        )
        self.illuminant[chosen] = amounts @ white
        own = (1 - share) * colour(_D65, material.reflectance) + share * colour(_D65, second)
        self.reflectance[chosen] = bright[:, None] * own

    def _lights(self, number: int, points: Array, normal: Array) -> tuple[list[Spectrum], Array]:
        """Spectra of the lights in a room and the illuminance each gives at the points (n, lights)."""
        if number == OUTDOORS:
            return self._open_air(points, normal)
        room = self.house.rooms[number]
        spectra, amounts = [self.bounce[number].ambient], [_corner_shade(points, room)]
        for lamp in room.lamps:
            spectra.append(lamp.spectrum)
            position = np.array(lamp.position, np.float32)
            amounts.append(
                lamp.intensity * _from_ball(points, normal, position) * _open(points, position, room.boxes)
            )
        for opening in room.openings:
            spectra.append(self._through(opening))
            amounts.append(_from_opening(points, normal, room, opening))
        return spectra, np.stack(amounts, axis=1).astype(np.float32)

    def _through(self, opening: Opening) -> Spectrum:
        """Radiance that comes in through an opening, as the white it would light at unit form factor."""
        if opening.to != OUTDOORS:
            return self.bounce[opening.to].radiance
        return _window_light(self.house.outdoors)

    def _lamps(self, room: Room, index: NDArray[np.intp], limit: Array) -> NDArray[np.bool_]:
        hit = np.zeros(len(index), bool)
        for lamp in room.lamps:
            to = np.array(lamp.position, np.float32) - self.camera
            along = self.rays[index] @ to
            seen = (along > 0) & (to @ to - along**2 < lamp.radius**2) & (along < limit)
            self.light[index[seen]] = lamp.intensity / lamp.radius**2 * colour(lamp.spectrum)
            hit |= seen
        return hit

    def _outdoors(self, index: NDArray[np.intp]) -> None:
        if not len(index):
            return
        scene, rays = self.house.outdoors, self.rays[index]
        box, near, box_face = nearest_box(self.camera, rays, scene.boxes, 1e-4)
        ground = np.where(rays[:, 1] < 0, (scene.ground_m - self.camera[1]) / rays[:, 1], np.inf)
        near_ground = (ground < 40) & ~((box >= 0) & (near < ground))
        self._shade(OUTDOORS, index, near_ground, ground, 3, scene.ground)
        for b, thing in enumerate(scene.boxes):
            for f in range(6):
                on = (box == b) & (box_face == f) & (near < ground)
                self._shade(OUTDOORS, index, on, near, f, thing.material)
        rest = ~near_ground & ~((box >= 0) & (near < ground))
        self._backdrop(index[rest])

    def _backdrop(self, index: NDArray[np.intp]) -> None:
        """Trees on the horizon, sky above them."""
        scene, rays = self.house.outdoors, self.rays[index]
        yaw = np.degrees(np.arctan2(rays[:, 0], rays[:, 2]))
        pitch = np.degrees(np.arcsin(np.clip(rays[:, 1], -1, 1)))
        # The noise runs along a circle, so that the horizon closes.
        a, b = np.cos(np.radians(yaw)), np.sin(np.radians(yaw))
        tops = (
            2 + 7 * smooth_noise(a * 6 + 40, b * 6 + 40, 11) + 2 * smooth_noise(a * 40 + 90, b * 40 + 90, 12)
        )
        tree = pitch < tops
        self.light[index] = sky_colour(scene, rays)
        leaves = 0.6 + 0.8 * smooth_noise(a * 60 + 200, pitch * 1.2 + b * 60, 13)
        normal = np.array([0, 0.6, 0.8], np.float32)
        spectra, amounts = self._open_air(rays[tree], normal)
        flat = np.zeros(int(tree.sum()), np.float32)
        self._finish(index[tree], flat, flat, scene.trees, spectra, amounts)
        self.light[index[tree]] *= leaves[tree, None]
        self.reflectance[index[tree]] *= leaves[tree, None]

    def _open_air(self, points: Array, normal: Array) -> tuple[list[Spectrum], Array]:
        scene = self.house.outdoors
        yaw, pitch = scene.sun_direction_deg
        sun = direction(yaw, pitch).astype(np.float32)
        lit = max(float(normal @ sun), 0.0) * scene.sun_illuminance
        shadow = _open(points, points + 60 * sun, scene.boxes) if lit else np.zeros(len(points))
        sky = np.full(len(points), (0.5 + 0.5 * normal[1]) * scene.sky_radiance)
        spectra = [scene.sun, 0.5 * scene.zenith + 0.5 * scene.horizon]
        return spectra, np.stack([lit * shadow, sky], axis=1).astype(np.float32)

    def picture(self, width: int, supersample: int) -> Picture:
        """Average the rays of each pixel."""
        shape = (width // 2, supersample, width, supersample)
        rows, reflectance, illuminant = (
            a.reshape(*shape, 3).mean(axis=(1, 3), dtype=np.float32)
            for a in (self.light, self.reflectance, self.illuminant)
        )
        card = self.card.reshape(shape)
        cards = {
            name: np.all(card == number, axis=(1, 3)) for number, name in enumerate(self.card_names) if number
        }
        return Picture(rows, reflectance, illuminant, cards)


_D65 = daylight(6504)


@dataclass(frozen=True)
class RoomLight:
    """The even light of a room: what bounces onto its surfaces, and what it sends through its doors."""

    ambient: Spectrum
    radiance: Spectrum


def room_light(house: House) -> list[RoomLight]:
    """Even light of every room by the integrating sphere, with two rounds of exchange through doors."""
    lights = [RoomLight(np.zeros(len(_D65)), np.zeros(len(_D65))) for _ in house.rooms]
    for _ in range(3):
        lights = [_one_room(house, room, lights) for room in house.rooms]
    return lights


def _one_room(house: House, room: Room, lights: Sequence[RoomLight]) -> RoomLight:
    flux = sum((4 * np.pi * lamp.intensity * lamp.spectrum for lamp in room.lamps), np.zeros(len(_D65)))
    open_area = [0.0] * 6
    for opening in room.openings:
        outside = _window_light(house.outdoors) if opening.to == OUTDOORS else lights[opening.to].radiance
        flux = flux + opening.area() * outside
        open_area[opening.face] += opening.area()
    total, reflected = 0.0, np.zeros(len(_D65))
    for face in range(6):
        material = {2: room.floor, 3: room.ceiling}.get(face, room.walls)
        mean = (
            material.reflectance if material.second is None else (material.reflectance + material.second) / 2
        )
        total += room.face_area(face)
        reflected = reflected + (room.face_area(face) - open_area[face]) * mean
    mean_reflectance = reflected / total
    everywhere = flux / (total * (1 - mean_reflectance))
    return RoomLight(everywhere * mean_reflectance, everywhere * mean_reflectance)


def _window_light(scene: Outdoors) -> Spectrum:
    """What a window shows on average: half low sky, half ground and trees."""
    ground = scene.ground.reflectance * (
        scene.sky_radiance * scene.zenith + 0.5 * scene.sun_illuminance * scene.sun
    )
    return 0.5 * scene.sky_radiance * scene.horizon + 0.5 * ground


def sky_colour(scene: Outdoors, rays: Array) -> Array:
    """Radiance of the sky in directions (n, 3), with soft clouds and the sun's disc."""
    yaw, pitch = scene.sun_direction_deg
    height = np.sqrt(np.clip(rays[:, 1], 0, 1))[:, None]
    base = height * colour(scene.zenith) * 0.7 + (1 - height) * colour(scene.horizon) * 1.2
    lift = np.clip(rays[:, 1], 0.08, 1)
    cloud = smooth_noise(rays[:, 0] / lift * 0.8 + 50, rays[:, 2] / lift * 0.8 + 50, 14)
    cloud = np.clip(1.6 * cloud - 0.7, 0, 0.7)[:, None]
    lit = 0.5 * colour(scene.sun) + 0.5 * colour(scene.horizon)
    sky = scene.sky_radiance * ((1 - cloud) * base + cloud * 1.3 * lit)
    near = rays @ direction(yaw, pitch).astype(np.float32)
    glow = np.exp((near - 1) * 60)[:, None] * scene.sun_illuminance * 0.3 * colour(scene.sun)
    disc = (near > np.cos(np.radians(0.6)))[:, None] * scene.sun_illuminance * 800 * colour(scene.sun)
    return (sky + glow + disc).astype(np.float32)


def _entry(camera: Array, rays: Array, low: Array, high: Array) -> Array:
    entry: Array = np.minimum((low - camera) / rays, (high - camera) / rays).max(axis=1)
    return entry


def _open(points: Array, target: Array, boxes: Sequence[Box]) -> Array:
    """1 where the straight way from the points to the target meets no box, else 0."""
    way = target - points
    way = np.where(np.abs(way) < 1e-6, np.float32(1e-6), way)
    clear = np.ones(len(points), np.float32)
    for box in boxes:
        low = (np.array(box.low, np.float32) - points) / way
        high = (np.array(box.high, np.float32) - points) / way
        enter, leave = np.minimum(low, high).max(axis=1), np.maximum(low, high).min(axis=1)
        clear[(enter < leave) & (leave > 2e-3) & (enter < 0.999)] = 0
    return clear


def _from_ball(points: Array, normal: Array, position: Array) -> Array:
    way = position - points
    square = np.sum(way * way, axis=1)
    lit: Array = np.maximum(way @ normal, 0) / np.maximum(square, 0.01) ** 1.5
    return lit


def _from_opening(points: Array, normal: Array, room: Room, opening: Opening, cut: int = 2) -> Array:
    """Illuminance from an opening of unit radiance times pi (cut x cut pieces, each with its shadow)."""
    axis, side = divmod(opening.face, 2)
    u, v = PLANE[axis]
    inward = np.zeros(3, np.float32)
    inward[axis] = -1 if side else 1
    total = np.zeros(len(points), np.float32)
    for i in range(cut):
        for j in range(cut):
            spot = np.zeros(3, np.float32)
            spot[axis] = room.high[axis] if side else room.low[axis]
            spot[u] = opening.low[0] + (i + 0.5) / cut * (opening.high[0] - opening.low[0])
            spot[v] = opening.low[1] + (j + 0.5) / cut * (opening.high[1] - opening.low[1])
            way = spot - points
            square = np.maximum(np.sum(way * way, axis=1), 0.02)
            form = np.maximum(way @ normal, 0) * np.maximum(-(way @ inward), 0) / square**2
            lit = np.flatnonzero(form > 0)
            total[lit] += form[lit] * _open(points[lit], spot, room.boxes)
    return total * np.float32(opening.area() / cut**2 / np.pi)


def _corner_shade(points: Array, room: Room) -> Array:
    """Less of the even light near where two faces meet: an ambient occlusion of half a metre's reach."""
    low, high = np.array(room.low, np.float32), np.array(room.high, np.float32)
    gaps = np.sort(np.minimum(np.abs(points - low), np.abs(high - points)), axis=1)
    shade: Array = (1 - 0.28 * np.exp(-gaps[:, 1] / 0.35)) * (1 - 0.18 * np.exp(-gaps[:, 2] / 0.35))
    return shade


def _frame_of(u: Array, v: Array, opening: Opening, wide: float = 0.07) -> NDArray[np.bool_]:
    (u0, v0), (u1, v1) = opening.low, opening.high
    return within(u, v, (u0 - wide, v0 - wide), (u1 + wide, v1 + wide))


def _bar(u: Array, v: Array, opening: Opening, wide: float = 0.025) -> NDArray[np.bool_]:
    middle_u, middle_v = (opening.low[0] + opening.high[0]) / 2, (opening.low[1] + opening.high[1]) / 2
    bar: NDArray[np.bool_] = (np.abs(u - middle_u) < wide) | (np.abs(v - middle_v) < wide)
    return bar
