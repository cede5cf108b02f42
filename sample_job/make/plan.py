"""The plan of Fenhollow: where the walls stand, where the light comes from, where the camera stood.

Knows nothing of the renderer. Metres, x east, y north, z up; a guest house of our own invention.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

CEILING_M = 2.6
CAMERA_HEIGHT_M = 1.5

# Reflectances of the surfaces that are neutral by construction, by the number the renderer gives them.
NEUTRALS: dict[int, tuple[str, float]] = {
    1: ("ceiling", 0.82),
    2: ("trim", 0.80),
    3: ("white wall", 0.76),
    4: ("linen", 0.74),
    5: ("grey stoneware", 0.18),
    6: ("white tiles", 0.80),
}


@dataclass(frozen=True)
class Shot:
    """One position of the camera.

    Attributes
    ----------
    room, name : str
        Folder and file name.
    x, y : float
        Place on the plan.
    yaw_deg : float
        Where the middle of the frame looks: 0 north, 90 east.
    exposure_s : tuple of int
        Exposure time in seconds, a fraction.
    iso : int
        Speed the camera was set to.
    baseline_ev : float
        What the camera held back to keep the highlights, and says so in the file.
    taken : str
        Time of the shot, EXIF form.
    """

    room: str
    name: str
    x: float
    y: float
    yaw_deg: float
    exposure_s: tuple[int, int]
    iso: int
    baseline_ev: float
    taken: str


SHOTS = (
    Shot("hall", "hall-01", 2.75, 5.08, 112.0, (1, 250), 200, 2.5, "2026:09:18 10:02:11"),
    Shot("hall", "hall-02", 4.85, 5.02, 262.0, (1, 250), 200, 2.5, "2026:09:18 10:04:02"),
    Shot("lounge", "lounge-01", 2.75, 1.95, 215.0, (1, 800), 200, 2.5, "2026:09:18 10:09:40"),
    Shot("lounge", "lounge-02", 3.85, 3.05, 230.0, (1, 800), 200, 2.5, "2026:09:18 10:11:15"),
    Shot("bedroom", "bedroom-01", 6.45, 1.15, 70.0, (1, 500), 200, 2.5, "2026:09:18 10:16:31"),
    Shot("bedroom", "bedroom-02", 6.35, 3.05, 120.0, (1, 500), 200, 2.5, "2026:09:18 10:18:05"),
    Shot("bathroom", "bathroom-01", 2.15, 7.1, 30.0, (1, 200), 200, 2.5, "2026:09:18 10:22:47"),
    Shot("deck", "deck-01", 1.75, -1.65, 330.0, (1, 1600), 100, 1.0, "2026:09:18 10:31:20"),
)

ROOMS = {
    "lounge": (0.0, 5.2, 0.0, 4.2),
    "bedroom": (5.35, 9.4, 0.0, 4.2),
    "hall": (0.0, 9.4, 4.35, 5.75),
    "bathroom": (0.6, 3.6, 5.9, 8.3),
}
"""West, east, south and north wall of each room."""

Opening = tuple[float, float, float, float]
"""From, to along the wall; sill and head above the floor."""

LOUNGE_DOOR: Opening = (3.6, 4.5, 0, 2.05)
BEDROOM_DOOR: Opening = (5.85, 6.75, 0, 2.05)
BATH_DOOR: Opening = (1.65, 2.5, 0, 2.05)
FRONT_DOOR: Opening = (4.6, 5.5, 0, 2.1)
GARDEN_DOOR: Opening = (0.75, 2.15, 0, 2.15)
LOUNGE_WINDOW: Opening = (3.0, 4.7, 0.75, 2.15)
BEDROOM_WINDOW: Opening = (6.4, 8.3, 0.8, 2.15)
BATH_WINDOW: Opening = (2.6, 3.2, 1.4, 2.0)

_HOLES: dict[str, dict[str, tuple[Opening, ...]]] = {
    "lounge": {"south": (GARDEN_DOOR, LOUNGE_WINDOW), "north": (LOUNGE_DOOR,)},
    "bedroom": {"south": (BEDROOM_WINDOW,), "north": (BEDROOM_DOOR,)},
    "hall": {"south": (LOUNGE_DOOR, BEDROOM_DOOR), "north": (BATH_DOOR,), "west": (FRONT_DOOR,)},
    "bathroom": {"south": (BATH_DOOR,), "north": (BATH_WINDOW,)},
}


def leaves_room(shot: Shot, yaw_deg: float, pitch_deg: float, *, slack: float = 0.12) -> bool:
    """Whether a line of sight from a shot goes out of its room by a door or window (or close by one)."""
    if shot.room not in ROOMS:
        return False
    west, east, south, north = ROOMS[shot.room]
    yaw = math.radians(shot.yaw_deg + yaw_deg)
    x, y, rise = math.sin(yaw), math.cos(yaw), math.tan(math.radians(pitch_deg))
    ways = {
        "east" if x > 0 else "west": ((east if x > 0 else west) - shot.x) / x if x else math.inf,
        "north" if y > 0 else "south": ((north if y > 0 else south) - shot.y) / y if y else math.inf,
    }
    wall = min(ways, key=lambda name: ways[name])
    away = ways[wall]
    along = shot.x + away * x if wall in ("north", "south") else shot.y + away * y
    height = CAMERA_HEIGHT_M + away * rise
    return any(
        a - slack < along < b + slack and low - slack < height < high + slack
        for a, b, low, high in _HOLES[shot.room].get(wall, ())
    )


# Correlated colour temperatures of the lights, kelvin.
LOUNGE_LAMPS_K = 2700
HALL_LAMPS_K = 3000
BATHROOM_LAMPS_K = 4000
BEDSIDE_LAMPS_K = 2700
SUN_K = 5300
SKY_K = 9500
HORIZON_K = 6500


def planckian_xy(kelvin: float) -> tuple[float, float]:
    """Chromaticity of a black body, by the rational fit of Krystek 1985 (CIE 1960 u, v to within 8e-5)."""
    t = kelvin
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t**2) / (
        1 + 8.42420235e-4 * t + 7.08145163e-7 * t**2
    )
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t**2) / (
        1 - 2.89741816e-5 * t + 1.61456053e-7 * t**2
    )
    return 3 * u / (2 * u - 8 * v + 4), 2 * v / (2 * u - 8 * v + 4)


def daylight_xy(kelvin: float) -> tuple[float, float]:
    """Chromaticity of a phase of daylight, CIE 15, 4000 to 25000 K."""
    t = kelvin
    if t <= 7000:
        x = -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063
    else:
        x = -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040
    return x, -3 * x * x + 2.87 * x - 0.275


def linear_rgb(xy: tuple[float, float]) -> tuple[float, float, float]:
    """Linear Rec.709 colour of a chromaticity, luminance 1 (IEC 61966-2-1 primaries)."""
    x, y = xy
    big_x, big_z = x / y, (1 - x - y) / y
    return (
        3.2409699 * big_x - 1.5373832 - 0.4986108 * big_z,
        -0.9692436 * big_x + 1.8759675 + 0.0415551 * big_z,
        0.0556301 * big_x - 0.2039770 + 1.0569715 * big_z,
    )


def lamp_rgb(kelvin: float) -> tuple[float, float, float]:
    """Linear colour of a lamp on the Planckian locus, luminance 1."""
    return linear_rgb(planckian_xy(kelvin))


def day_rgb(kelvin: float) -> tuple[float, float, float]:
    """Linear colour of daylight, luminance 1."""
    return linear_rgb(daylight_xy(kelvin))


SUN_AZIMUTH_DEG, SUN_ELEVATION_DEG = 42.0, 47.0


def sun_direction() -> tuple[float, float, float]:
    """Unit vector towards the sun; azimuth from north by east."""
    a, e = math.radians(SUN_AZIMUTH_DEG), math.radians(SUN_ELEVATION_DEG)
    return math.cos(e) * math.sin(a), math.cos(e) * math.cos(a), math.sin(e)
