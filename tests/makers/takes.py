"""Takes of one stand, minutes apart, made of one sphere of light: natural differences, and one fault at most.

Between takes the sun, clouds and leaves move a little, the light and the exposure change, the camera comes
back a few centimetres off and turned. A fault is put into one of the takes alone. Nothing here asks panopipe
what it thinks of takes: light in, takes and the truth about them out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import (
    direction,
    pitch_of_row,
    pixel_of,
    pixel_solid_angle,
    yaw_of_column,
    yaw_pitch,
)
from panopipe.sphere.sampling import sample_frame
from panopipe.sphere.wrap import pad

Light = NDArray[np.float32]
Plane = NDArray[np.float64]

FAULTS = ("glare", "flare", "clip", "person", "blur", "lean", "seam")
LUMINANCE = np.array((0.2627, 0.6780, 0.0593))
"""Weights of linear BT.2020 (ITU-R BT.2020-2, table 4)."""
FULL_WELL_E = 60_000.0
"""Electrons at saturation of one reduced pixel; several photosites share it."""
EYE_M = 1.5
SEEN_EV = 0.5
"""Someone who differs from what is behind by less is not made: nobody would notice."""
SEEN_STEP_EV = 0.1
"""Likewise a seam: what it changes at its edge, on average along its bent part."""


@dataclass(frozen=True)
class MadePlace:
    """Takes of a stand and what is true of them.

    Attributes
    ----------
    takes : list of ndarray of shape (height, width, 3), dtype float32
        Linear light, 1.0 where a plane clips.
    fault : str
        One of `FAULTS`, or empty.
    faulty : int
        The take that has it.
    yaw_deg, pitch_deg : float
        Where in that take, as far as the fault has a place.
    """

    takes: list[Light]
    fault: str = ""
    faulty: int = -1
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0


@dataclass
class _Scene:
    """What a take is made of, step by step: `light` first as the world is, then as the camera sees it."""

    light: Light
    random: np.random.Generator
    sun: Plane
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    lean_deg: float = 0.0


def made_place(light: Light, fault: str, seed: int, *, takes: int = 3, outdoors: bool = True) -> MadePlace:
    """Make the takes of one stand.

    Parameters
    ----------
    light : ndarray of shape (height, width, 3), dtype float32
        Linear light of the whole sphere.
    fault : str
        One of `FAULTS`, or empty for none.
    seed : int
        Everything by chance hangs on it.
    takes : int
        How many.
    outdoors : bool
        Whether shadows, clouds and leaves move.
    """
    random = np.random.default_rng(seed)
    light = _levelled(light, random)
    sun = _brightest(light)
    faulty = int(random.integers(takes)) if fault else -1
    seeds = random.integers(0, 2**31, takes)
    shade = _shade_of(light.shape[1], np.random.default_rng(seed + 1)) if outdoors else None
    turns_freely = random.random() < 0.3
    made, place = [], (0.0, 0.0)
    for take in range(takes):
        own = np.random.default_rng(seeds[take])
        scene = _Scene(_moved_light(light, own, shade), own, sun)
        has = fault if take == faulty else ""
        if has == "person":
            _add_visitor(scene)
        _set_up(scene, turns_freely=turns_freely, outdoors=outdoors, leans=has == "lean")
        if has in _IN_CAMERA:
            _IN_CAMERA[has](scene)
        made.append(_exposed(scene, clips=has == "clip"))
        if take == faulty:
            place = scene.yaw_deg, scene.pitch_deg
    return MadePlace(made, fault, faulty, *place)


def luminance(light: Light) -> Plane:
    """Luminance of linear light in the working space."""
    return np.asarray(light, np.float64) @ LUMINANCE


def _levelled(light: Light, random: np.random.Generator) -> Light:
    """Scale so that at +1 EV about 1 % of the sphere clips: what a careful photographer sets."""
    peak = np.sort(light.max(-1), axis=None)
    light = np.minimum(light, np.float32(8 * peak[int(0.985 * peak.size)]))  # a sun would ring when resampled
    return (light * np.float32(0.5 * random.uniform(0.7, 1.0) / peak[int(0.985 * peak.size)])).astype(
        np.float32
    )


def _brightest(light: Light) -> Plane:
    bright = cv2.GaussianBlur(luminance(light), (0, 0), 4)
    row, column = np.unravel_index(int(np.argmax(bright)), bright.shape)
    width = light.shape[1]
    return np.asarray(direction(yaw_of_column(column, width), pitch_of_row(row, width // 2)))


def _broad_noise(width: int, scale_deg: float, random: np.random.Generator) -> Plane:
    """Smooth noise of unit deviation on the sphere."""
    small = random.standard_normal((48, 96))
    sigma = scale_deg / 360 * 96
    smooth = cv2.GaussianBlur(pad(small, 24), (0, 0), sigma)[24:-24, 24:-24]
    full = cv2.resize(pad(smooth, 4), None, fx=width / 96, fy=width / 96, interpolation=cv2.INTER_CUBIC)
    edge = 4 * width // 96
    full = full[edge : edge + width // 2, edge : edge + width]
    return np.asarray((full - full.mean()) / full.std())


def _shade_of(width: int, random: np.random.Generator) -> Plane:
    """Edges of shadow on what lies below the horizon: a field whose zero is the edge."""
    return _broad_noise(width, random.uniform(4, 10), random) + 0.6


def _moved_light(light: Light, random: np.random.Generator, shade: Plane | None) -> Light:
    """Clouds change the light broadly, and the sun moves shadows a little."""
    height, width = light.shape[:2]
    gain = np.exp2(0.08 * _broad_noise(width, 25, random) + random.uniform(-0.3, 0.3))
    if shade is not None:
        moved = np.roll(shade, int(random.integers(-5, 6)), axis=1)
        below = np.clip(-np.sin(np.radians(pitch_of_row(np.arange(height), height))) * 8, 0, 1)[:, None]
        gain *= 1 - 0.45 * below / (1 + np.exp(moved / 0.03))
        above = 1 - below
        gain *= np.exp2(0.12 * above * _broad_noise(width, 6, random))  # clouds drift and change
    return np.asarray(light * gain[..., None], np.float32)


def _set_up(scene: _Scene, *, turns_freely: bool, outdoors: bool, leans: bool) -> None:
    """Put the camera back: turned, a little off its place, upright as far as a hand can; leaves move."""
    random, (height, width) = scene.random, scene.light.shape[:2]
    turn = random.uniform(-180, 180) if turns_freely else random.uniform(-4, 4)
    lean = random.uniform(1.0, 4.0) if leans else abs(random.normal(0, 0.12))
    axis = math.radians(random.uniform(0, 360))
    scene.lean_deg = lean
    matrix = _rotation(turn, lean, axis)
    pitch = np.radians(pitch_of_row(np.arange(height), height))
    yaw = np.radians(yaw_of_column(np.arange(width), width))
    own = direction(np.degrees(yaw)[None], np.degrees(pitch)[:, None])
    seen = own @ matrix.T
    seen = seen + _parallax(seen, random)
    if outdoors:
        seen = seen + _leaves(scene.light, seen, random)
    columns, lines = pixel_of(*yaw_pitch(seen), width)
    scene.light = np.maximum(
        sample_frame(scene.light, 0, columns, lines, kernel="cubic", even_near_poles=False), 0
    )
    scene.yaw_deg, scene.pitch_deg = _through(matrix.T, scene.yaw_deg, scene.pitch_deg)
    scene.sun = matrix.T @ scene.sun


def _through(matrix: Plane, yaw_deg: float, pitch_deg: float) -> tuple[float, float]:
    yaw, pitch = yaw_pitch(matrix @ direction(yaw_deg, pitch_deg))
    return float(yaw), float(pitch)


def _rotation(turn_deg: float, lean_deg: float, axis: float) -> Plane:
    turn = cv2.Rodrigues(np.array([0, math.radians(turn_deg), 0]))[0]
    lean = cv2.Rodrigues(math.radians(lean_deg) * np.array([math.cos(axis), 0, math.sin(axis)]))[0]
    return np.asarray(turn @ lean)


def _parallax(seen: Plane, random: np.random.Generator) -> Plane:
    """What 1 to 4 cm do to directions, over a level floor and things 3 to 20 m away."""
    off_m = random.uniform(0.01, 0.04) * direction(random.uniform(0, 360), random.uniform(-20, 20))
    far = random.uniform(3, 20)
    distance = np.minimum(far, EYE_M / np.maximum(-seen[..., 1], 1e-3))
    return np.asarray(off_m / distance[..., None])


def _leaves(light: Light, seen: Plane, random: np.random.Generator) -> Plane:
    """Directions that tremble by a third of a degree in some parts."""
    width = light.shape[1]
    where = np.clip(_broad_noise(width, 12, random) - 0.3, 0, 1)
    moved = [_broad_noise(width, 4.2, random) * where for _ in range(3)]
    return np.asarray(np.radians(0.35) * np.stack(moved, axis=-1))


def _grid(width: int) -> Plane:
    height = width // 2
    return direction(
        yaw_of_column(np.arange(width), width)[None], pitch_of_row(np.arange(height), height)[:, None]
    )


def _local(light: Light, yaw_deg: float, pitch_deg: float, radius_deg: float) -> Plane:
    """Luminance of the pixels around a direction."""
    near = _grid(light.shape[1]) @ direction(yaw_deg, pitch_deg) > math.cos(math.radians(radius_deg))
    return luminance(light)[near]


# What is in the scene


def _add_visitor(scene: _Scene) -> None:
    """Put in a person, or a thing that was left standing, that can be told from what it hides."""
    while True:
        light, covered = _with_visitor(scene)
        inside = covered > 0.5
        change = np.abs(np.log2((light[inside] + 0.01) / (scene.light[inside] + 0.01)))
        if inside.sum() > 30 and float(np.median(change.max(-1))) > SEEN_EV:
            break
    grid, weight = _grid(light.shape[1]), covered * pixel_solid_angle(light.shape[0])[:, None]
    scene.light = light
    scene.yaw_deg, scene.pitch_deg = _centre(weight, grid)


def _with_visitor(scene: _Scene) -> tuple[Light, Plane]:
    """Light with someone in it, and how far each pixel shows them; lit as the surroundings are."""
    random, width = scene.random, scene.light.shape[1]
    yaw_deg, far_m = random.uniform(-180, 180), random.uniform(1.6, 7)
    yaw, pitch = yaw_pitch(_grid(width))
    aside = np.radians((yaw - yaw_deg + 180) % 360 - 180)
    ahead = np.abs(aside) < math.pi / 3
    x = np.where(ahead, np.tan(np.clip(aside, -1.2, 1.2)) * far_m, 99.0)
    y = np.tan(np.radians(np.clip(pitch, -89, 89))) * far_m / np.maximum(np.cos(aside), 0.1) + EYE_M
    parts = _person(x, y, random) if random.random() < 0.7 else _thing(x, y, random)
    below = -math.degrees(math.atan2(EYE_M, far_m))
    lit = float(np.percentile(_local(scene.light, yaw_deg, max(-50.0, below / 2), 12), 75)) / 0.5
    foot = 0.5 * ahead * np.exp(-np.square(x / 0.4) - np.square(y / 0.12))
    light = np.asarray(scene.light * (1 - foot[..., None]))
    covered, grain = np.zeros(x.shape), _broad_noise(width, 4.0, random)
    for coverage, colour in parts:
        shading = np.clip(1 + 0.25 * x / 0.3, 0.5, 1.4) * np.exp2(0.25 * grain)
        paint = lit * np.array(colour) * shading[..., None]
        soft = cv2.GaussianBlur((coverage & ahead).astype(np.float64), (0, 0), 0.6)[..., None]
        light = light * (1 - soft) + paint * soft
        covered = np.maximum(covered, soft[..., 0])
    return light.astype(np.float32), covered


def _centre(weight: Plane, grid: Plane) -> tuple[float, float]:
    yaw, pitch = yaw_pitch((weight[..., None] * grid).sum((0, 1)))
    return float(yaw), float(pitch)


def _cloth(random: np.random.Generator) -> tuple[float, float, float]:
    base = random.choice([0.05, 0.1, 0.25, 0.6])
    return tuple(float(v) for v in base * random.uniform(0.5, 1.4, 3))  # type: ignore[return-value]


Part = tuple[NDArray[np.bool_], tuple[float, float, float]]


def _person(x: Plane, y: Plane, random: np.random.Generator) -> list[Part]:
    step = random.uniform(0.05, 0.2)
    tall = random.uniform(0.9, 1.05)
    x, y = x / tall, y / tall
    shirt, trousers, skin = _cloth(random), _cloth(random), (0.45, 0.33, 0.25)
    legs = np.zeros(x.shape, bool)
    for side in (-1, 1):
        centre = side * (0.09 + step * np.clip(0.85 - y, 0, 1))
        legs |= (np.abs(x - centre) < 0.085) & (y > 0) & (y < 0.9)
    torso = (np.abs(x) < 0.2 + 0.04 * (y > 1.2)) & (y >= 0.85) & (y < 1.45)
    arms = (np.abs(np.abs(x) - 0.28 - 0.1 * (1.4 - y) * step * 4) < 0.05) & (y > 0.8) & (y < 1.42)
    head = (x / 0.09) ** 2 + ((y - 1.6) / 0.13) ** 2 < 1
    hair = head & (y > 1.63)
    neck = (np.abs(x) < 0.05) & (y > 1.4) & (y < 1.52)
    return [
        (legs, trousers),
        (arms, shirt),
        (neck, skin),
        (torso, shirt),
        (head, skin),
        (hair, (0.05, 0.04, 0.03)),
    ]


def _thing(x: Plane, y: Plane, random: np.random.Generator) -> list[Part]:
    """A crate, a trolley or a car: a body, a top and dark wheels."""
    wide, tall = random.uniform(0.35, 1.4), random.uniform(0.4, 1.0)
    body = (np.abs(x) < wide / 2) & (y > 0.08) & (y < tall)
    top = (np.abs(x + 0.1 * wide) < wide / 3) & (y >= tall) & (y < 1.4 * tall)
    stripe = body & (np.abs(y - tall / 2) < 0.06 * tall)
    wheels = np.zeros(x.shape, bool)
    for side in (-0.32, 0.32):
        wheels |= np.hypot(x - side * wide, y - 0.1) < 0.12
    return [
        (body, _cloth(random)),
        (top, _cloth(random)),
        (stripe, _cloth(random)),
        (wheels, (0.03, 0.03, 0.03)),
    ]


# What happens in the camera


def _glare(scene: _Scene) -> None:
    """Light of the sun or of a lamp, scattered over the whole picture and most of all near it."""
    random, lum = scene.random, luminance(scene.light)
    dark = float(np.percentile(lum, 15))
    lift = np.exp2(random.uniform(0.6, 2.0)) - 1
    near = np.degrees(np.arccos(np.clip(_grid(scene.light.shape[1]) @ scene.sun, -1, 1)))
    veil = dark * lift * (0.6 + 1.2 * np.exp(-np.square(near / random.uniform(35, 70))))
    tint = np.array([1.05, 1.0, 0.92]) ** random.uniform(0, 2)
    scene.light = np.asarray(scene.light + veil[..., None] * tint, np.float32)
    yaw, pitch = yaw_pitch(scene.sun)
    scene.yaw_deg, scene.pitch_deg = float(yaw), float(pitch)


def _flare(scene: _Scene) -> None:
    """One to three spots of light without structure, from between the lenses."""
    random, width = scene.random, scene.light.shape[1]
    grid = _grid(width)
    while True:
        yaw_deg, pitch_deg = random.uniform(-180, 180), math.degrees(math.asin(random.uniform(-0.8, 0.8)))
        around = _local(scene.light, yaw_deg, pitch_deg, 6)
        if np.percentile(around, 80) < 0.35:
            break
    size, spots = random.uniform(2.2, 7), int(random.integers(1, 4))
    kind = random.choice(["disc", "glow", "hexagon", "ring"])
    heading = random.uniform(0, 2 * np.pi)
    added = np.zeros_like(scene.light, np.float64)
    strength = float(np.mean(around)) * (np.exp2(random.uniform(0.7, 1.8)) - 1)
    for number in range(spots):
        step = number * size * 2.4
        spot_yaw = yaw_deg + step * math.cos(heading) / max(math.cos(math.radians(pitch_deg)), 0.3)
        towards = direction(spot_yaw, np.clip(pitch_deg + step * math.sin(heading), -80, 80))
        tint = random.uniform(0.5, 1.2, 3)
        own = size * (1 - 0.25 * number)
        added += _spot(grid, towards, own, kind)[..., None] * strength * tint / tint.mean() * 0.7**number
    scene.light = np.asarray(scene.light + added, np.float32)
    scene.yaw_deg, scene.pitch_deg = yaw_deg, pitch_deg


def _spot(grid: Plane, towards: Plane, size_deg: float, kind: str) -> Plane:
    """Coverage of a spot `size_deg` in radius."""
    right = np.cross([0.0, 1.0, 0.0], towards)
    right /= np.linalg.norm(right)
    up = np.cross(towards, right)
    ahead = grid @ towards
    x, y = (np.degrees(np.arctan2(grid @ axis, np.maximum(ahead, 1e-3))) for axis in (right, up))
    far = np.where(ahead > 0.2, np.hypot(x, y), 999.0)
    if kind == "glow":
        return np.asarray(np.exp(-np.square(far / (0.6 * size_deg))))
    if kind == "hexagon":
        turn = [np.abs(x * math.cos(a) + y * math.sin(a)) for a in (0, np.pi / 3, 2 * np.pi / 3)]
        far = np.where(ahead > 0.2, np.max(turn, axis=0), 999.0)
    edge = 1 / (1 + np.exp(np.clip((far - size_deg) / (0.05 * size_deg), -50, 50)))
    if kind == "ring":
        edge *= 0.4 + 0.6 * np.exp(-np.square((far - 0.85 * size_deg) / (0.2 * size_deg)))
    return np.asarray(edge)


def _blur(scene: _Scene) -> None:
    """Out of focus, or moved while the shutter was open."""
    random = scene.random
    if random.random() < 0.5:
        kernel_1d = cv2.getGaussianKernel(15, random.uniform(0.9, 2.2))
        kernel = kernel_1d @ kernel_1d.T
    else:
        length, angle = random.uniform(3.5, 7), random.uniform(0, np.pi)
        kernel = np.zeros((15, 15), np.float64)
        for t in np.linspace(-length / 2, length / 2, 60):
            kernel[round(7 + t * math.sin(angle)), round(7 + t * math.cos(angle))] += 1
        kernel = cv2.GaussianBlur(kernel / kernel.sum(), (0, 0), 0.5)
    padded = pad(scene.light, 8)
    scene.light = cv2.filter2D(padded, -1, kernel / kernel.sum())[8:-8, 8:-8].copy()


def _seam(scene: _Scene) -> None:
    """The stitcher bent one lens's picture wrongly along a part of the seam, or laid both over each other."""
    random = scene.random
    while True:
        doubled = random.random() < 0.25
        moved, seam, centre, near = _bent(scene.light, random, doubled=doubled)
        before, after = (np.log2(luminance(one) + 0.01) for one in (scene.light, moved))
        if doubled:
            seen = float(np.abs(after - before)[near].mean())
        else:
            seen = _step_across(after, seam, near) - _step_across(before, seam, near)
        if seen > SEEN_STEP_EV:
            break
    scene.light, scene.yaw_deg, scene.pitch_deg = moved, seam, centre


def _step_across(logs: Plane, seam_deg: float, near: NDArray[np.bool_]) -> float:
    """Mean difference of the two pixels beside the seam, in EV, along its bent part."""
    column = math.floor((seam_deg + 180) / 360 * logs.shape[1] + 0.5)
    rows = near.any(axis=1)
    return float(np.abs(logs[rows, column % logs.shape[1]] - logs[rows, column - 1]).mean())


def _bent(
    light: Light, random: np.random.Generator, *, doubled: bool
) -> tuple[Light, float, float, NDArray[np.bool_]]:
    """Light whose one side is bent along a part of a seam; the seam's yaw, the middle's pitch, the place."""
    width = light.shape[1]
    yaw, pitch = yaw_pitch(_grid(width))
    seam, centre = random.choice([-90.0, 90.0]) + random.uniform(-1, 1), random.uniform(-40, 30)
    if random.random() < 0.3:  # a camera of several lenses, or a file that starts elsewhere
        seam = random.uniform(-180, 180)
    half, size, reach = random.uniform(14, 30), random.uniform(0.8, 2.0), random.uniform(4, 12)
    aside = (yaw - seam + 180) % 360 - 180
    along = np.clip((half - np.abs(pitch - centre)) / 6, 0, 1)
    turn = random.uniform(0, 2 * np.pi)
    share = along * np.exp(-np.abs(aside) / reach) * (1.0 if doubled else (aside > 0))
    columns, lines = pixel_of(
        yaw + size * math.cos(turn) * share, pitch + size * math.sin(turn) * share, width
    )
    moved = sample_frame(light, 0, columns, lines, kernel="cubic", even_near_poles=False)
    if doubled:
        blend = 0.5 * along * np.clip(4 - np.abs(aside), 0, 1)
        moved = light * (1 - blend[..., None]) + moved * blend[..., None]
    near = (np.abs(pitch - centre) < half) & (np.abs(aside) < 3)
    return np.maximum(moved, 0).astype(np.float32), float(seam), centre, near


_IN_CAMERA: dict[str, Callable[[_Scene], None]] = {
    "glare": _glare,
    "flare": _flare,
    "blur": _blur,
    "seam": _seam,
}


def _exposed(scene: _Scene, *, clips: bool) -> Light:
    """Expose to within 1 EV of the others, clip, and add the sensor's noise."""
    random = scene.random
    gain_ev = random.uniform(-1, 1)
    if clips:
        gain_ev = max(1.5, gain_ev + 1.5)
        while clipped_share(scene.light * np.exp2(gain_ev)) < 0.05 and gain_ev < 5:
            gain_ev += 0.25
    electrons = np.minimum(scene.light * np.exp2(gain_ev), 1.0) * FULL_WELL_E
    noisy = electrons + np.sqrt(electrons + 9) * random.standard_normal(electrons.shape)
    return np.clip(noisy / FULL_WELL_E, 0, 1).astype(np.float32)


def clipped_share(light: Light) -> float:
    """Share of the sphere where all planes are at or over the clipping level."""
    weight = pixel_solid_angle(light.shape[0]) / (4 * np.pi)
    return float(((light.min(-1) >= 0.995).sum(1) * weight).sum())
