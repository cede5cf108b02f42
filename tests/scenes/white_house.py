"""Test houses for the white balance: rooms under known lights, hidden grey cards, one exterior.

Six rooms lie on both sides of a hall. Every house has lamps from 2500 K upwards and daylight, two rooms
where lamp and window mix, one with strongly coloured walls, one with a wooden ceiling, and an exterior at
noon or at sunset. The camera's white balance is set once, by eye, somewhere between the lights.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.temperature import xy_from_cct_duv
from panopipe.frame import FrameKey
from tests.scenes import house as parts
from tests.scenes.camera import expose
from tests.scenes.raycast import (
    OUTDOORS,
    Box,
    House,
    Lamp,
    Material,
    Opening,
    Outdoors,
    Patch,
    Picture,
    Room,
    render,
)
from tests.scenes.spectra import Spectrum, daylight, halogen, led, surface

Random = np.random.Generator

ROOMS = ("hall", "lounge", "kitchen", "bath", "study", "bedroom", "nursery")
_HALL = ((0.0, 0.0, 0.0), (10.5, 2.6, 1.8))
_DEPTH_M = 4.2
_WIDTH_M = 3.5


@dataclass(frozen=True)
class Stand:
    """Where the camera stood for one frame."""

    key: FrameKey
    house: House
    camera: tuple[float, float, float]


@dataclass(frozen=True)
class Shoot:
    """A house, the stands of its frames, and what is true of its rooms.

    Attributes
    ----------
    stands : sequence of Stand
        In walking order, the exterior last.
    camera_kelvin : float
        The camera's manual white balance for the whole shoot.
    coloured, wooden : str
        The room with coloured walls and the one with a wooden ceiling.
    mixed : tuple of str
        Rooms where lamp and window mix.
    sunset : bool
        Whether the exterior was taken at sunset.
    """

    stands: Sequence[Stand]
    camera_kelvin: float
    coloured: str
    wooden: str
    mixed: tuple[str, ...]
    sunset: bool

    @property
    def camera_white_xy(self) -> tuple[float, float]:
        """Chromaticity of the camera's white balance."""
        x, y = xy_from_cct_duv(self.camera_kelvin)
        return float(x), float(y)


@dataclass(frozen=True)
class Shot:
    """A photographed frame and its truth."""

    stand: Stand
    rows: NDArray[np.float32]
    truth: Picture
    gain: float


def photograph(shoot: Shoot, width: int) -> Iterator[Shot]:
    """Render and expose every frame of a shoot, in order."""
    for number, stand in enumerate(shoot.stands):
        truth = render(stand.house, stand.camera, width)
        gain = _metered_gain(truth)
        rows = expose(
            truth.rows,
            exposure_ev=float(np.log2(gain)),
            white_xy=shoot.camera_white_xy,
            clip=1.0,
            seed=number,
        )
        yield Shot(stand, rows, truth, gain)


def random_shoot(seed: int) -> Shoot:
    """Build house number `seed`; the same number gives the same house."""
    random = np.random.default_rng(seed)
    names = [str(name) for name in random.permutation(ROOMS[1:])]
    coloured, wooden, mixed = names[0], names[1], (names[2], names[3])
    paint = parts.WARM_WHITE if random.random() < 0.5 else parts.WHITE_PAINT
    outdoors = Outdoors(horizon=daylight(random.uniform(6000, 7000)))
    rooms = [_hall(random, paint)]
    for log_chromaticity, name in enumerate(ROOMS[1:]):
        light = "mixed" if name in mixed else "day" if name == names[4] else "lamp"
        walls = _coloured_paint(random) if name == coloured else _white_paint(random, paint)
        ceiling = parts.OAK if name == wooden else parts.WHITE_PAINT
        rooms.append(_side_room(random, log_chromaticity, name, light, walls, ceiling))
    house = House(rooms, outdoors)
    sunset = bool(seed % 2)
    stands = [*_indoor_stands(house), _outdoor_stand(sunset)]
    return Shoot(stands, float(random.uniform(3600, 4800)), coloured, wooden, mixed, sunset)


def _metered_gain(truth: Picture) -> float:
    """Expose as a photographer does: the middle at a third of full scale, bright surfaces not clipped."""
    lit = truth.rows[..., 1][truth.reflectance[..., 1] > 0]
    return float(min(0.33 / np.median(lit), 0.75 / np.percentile(lit, 92)))


def _lamp_spectrum(random: Random) -> Spectrum:
    if random.random() < 0.5:
        return halogen(random.uniform(2500, 3000))
    return led(random.choice([2700, 3000, 4000]) * random.uniform(0.97, 1.03), random.uniform(-0.003, 0.003))


def _white_paint(random: Random, usual: Material) -> Material:
    if random.random() < 0.75:
        return usual
    return (
        Material(surface(0.62, 0.61, 0.58)) if random.random() < 0.5 else Material(surface(0.60, 0.63, 0.66))
    )


def _coloured_paint(random: Random) -> Material:
    colours = ((0.55, 0.22, 0.14), (0.16, 0.34, 0.24), (0.18, 0.28, 0.50), (0.66, 0.50, 0.16))
    return Material(surface(*colours[int(random.integers(len(colours)))]))


def _hall(random: Random, paint: Material) -> Room:
    low, high = _HALL
    lamp = _lamp_spectrum(random)
    doors = [
        Opening(5 if log_chromaticity < 3 else 4, *_door(log_chromaticity), log_chromaticity + 1)
        for log_chromaticity in range(6)
    ]
    pictures = [
        Patch(0, (0.5, 1.1), (1.3, 1.7), parts.picture_of(int(random.integers(100)))),
        Patch(1, (0.5, 1.0), (1.4, 1.8), parts.picture_of(int(random.integers(100)))),
        Patch(4, (2.2, 1.2), (3.0, 1.8), parts.picture_of(int(random.integers(100)))),
        Patch(5, (5.6, 1.2), (6.4, 1.8), parts.picture_of(int(random.integers(100)))),
    ]
    cards = [
        *(
            Patch(4, (x, y), (x + 0.2, y + 0.2), parts.CARD, f"hall-a{x}")
            for x, y in ((0.3, 1.6), (5.1, 1.2), (8.4, 0.9))
        ),
        *(
            Patch(5, (x, y), (x + 0.2, y + 0.2), parts.CARD, f"hall-b{x}")
            for x, y in ((2.0, 1.2), (5.2, 0.8), (9.3, 1.6))
        ),
        Patch(0, (1.4, 1.2), (1.6, 1.4), parts.CARD, "hall-c"),
    ]
    return Room(
        low,
        high,
        parts.GREY_TILES if random.random() < 0.5 else parts.OAK,
        paint,
        parts.WHITE_PAINT,
        parts.GLOSS_TRIM,
        boxes=parts.shelf((9.3, 0.0, 0.0), seed=int(random.integers(100))),
        lamps=(Lamp((2.6, 2.35, 0.9), lamp, 0.7), Lamp((7.8, 2.35, 0.9), lamp, 0.7)),
        patches=(*pictures, *cards),
        openings=doors,
    )


def _door(log_chromaticity: int) -> tuple[tuple[float, float], tuple[float, float]]:
    x = (log_chromaticity % 3) * _WIDTH_M + 0.9
    return (x, 0.0), (x + 0.85, 2.05)


def _side_room(
    random: Random, log_chromaticity: int, name: str, light: str, walls: Material, ceiling: Material
) -> Room:
    x0 = (log_chromaticity % 3) * _WIDTH_M
    back = log_chromaticity < 3
    z0 = _HALL[1][2] if back else -_DEPTH_M
    low, high = (x0, 0.0, z0), (x0 + _WIDTH_M, 2.6, z0 + _DEPTH_M)
    door_face, window_face = (4, 5) if back else (5, 4)
    openings = [Opening(door_face, *_door(log_chromaticity), 0)]
    if light != "lamp":
        openings.append(Opening(window_face, (x0 + 0.8, 0.9), (x0 + 2.4, 2.2), OUTDOORS))
    strength = {"lamp": random.uniform(0.9, 1.6), "mixed": random.uniform(1.6, 2.6), "day": 0.0}[light]
    lamp_at = (x0 + random.uniform(0.9, 2.6), 2.2, z0 + random.uniform(1.2, 3.0))
    lamps = (Lamp(lamp_at, _lamp_spectrum(random), strength),) if strength else ()
    floor = (
        parts.GREY_TILES
        if name in ("kitchen", "bath")
        else parts.BLUE_CARPET
        if name == "study"
        else parts.OAK
    )
    pictures = (
        Patch(0, (z0 + 1.4, 1.1), (z0 + 2.4, 1.8), parts.picture_of(int(random.integers(100)))),
        Patch(window_face, (x0 + 2.55, 1.1), (x0 + 3.25, 1.7), parts.picture_of(int(random.integers(100)))),
    )
    spots = (
        (0, z0 + 0.6, 1.7), (0, z0 + 2.8, 1.2), (0, z0 + 3.7, 0.8),
        (1, z0 + 0.5, 0.9), (1, z0 + 1.9, 1.3), (1, z0 + 3.4, 1.7),
        (door_face, x0 + 0.3, 1.7), (door_face, x0 + 2.3, 1.2), (door_face, x0 + 3.1, 0.8),
        (window_face, x0 + 0.3, 1.2), (window_face, x0 + 2.7, 0.8),
    )  # fmt: skip
    cards = tuple(
        Patch(face, (u, v), (u + 0.2, v + 0.2), parts.CARD, f"{name}-{number}")
        for number, (face, u, v) in enumerate(spots)
    )
    return Room(
        low,
        high,
        floor,
        walls,
        ceiling,
        parts.GLOSS_TRIM,
        boxes=_furniture(random, name, (x0, 0.0, z0 + (1.6 if back else 0.4))),
        lamps=lamps,
        patches=(*pictures, *cards),
        openings=openings,
    )


def _furniture(random: Random, name: str, at: tuple[float, float, float]) -> tuple[Box, ...]:
    x, y, z = at
    seed = int(random.integers(100))
    if name in ("bedroom", "nursery"):
        return (*parts.bed((x + 0.1, y, z)), *parts.shelf((x + 2.5, y, z + 1.9), seed=seed))
    if name in ("kitchen", "bath"):
        white = Box((x + 0.05, y, z), (x + 0.65, y + 0.9, z + 1.8), parts.GLOSS_TRIM)
        return (white, *parts.shelf((x + 2.5, y, z + 1.9), seed=seed))
    return (*parts.sofa((x + 0.1, y, z)), *parts.table((x + 2.1, y, z + 1.2)))


def _indoor_stands(house: House) -> Iterator[Stand]:
    for number, x in enumerate((1.6, 4.6, 8.0), start=1):
        yield Stand(FrameKey("hall", f"hall-{number:02d}"), house, (x, 1.5, 0.95))
    for log_chromaticity, name in enumerate(ROOMS[1:]):
        room = house.rooms[log_chromaticity + 1]
        x = (room.low[0] + room.high[0]) / 2
        for number, share in enumerate((0.28, 0.62), start=1):
            depth = share if log_chromaticity < 3 else 1 - share
            z = room.low[2] + depth * _DEPTH_M
            yield Stand(FrameKey(name, f"{name}-{number:02d}"), house, (x + 0.2, 1.5, z))


def _outdoor_stand(sunset: bool) -> Stand:
    outdoors = parts.outdoor_scene()
    if sunset:
        outdoors = replace(
            outdoors,
            zenith=daylight(9500),
            horizon=halogen(3300),
            sun=halogen(2300),
            sun_direction_deg=(-150.0, 6.0),
            sky_radiance=3.0,
            sun_illuminance=9.0,
        )
    return Stand(FrameKey("garden", "garden-01"), House((), outdoors), (5.0, 1.4, 1.0))
