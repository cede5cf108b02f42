"""Floors that end near the camera: a wall, a lawn, a pool, a step down. The camera stands at (0, 0)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.scenes.floors import Floor, Picture, planks, square_tiles, value_noise

HEIGHT_M = 1.5


def walled(floor: Floor, distance_m: float = 0.5) -> Floor:
    """A floor that ends at a painted wall with a skirting board, `distance_m` ahead of the camera."""

    def seen(x: Picture, y: Picture) -> Picture:
        share = distance_m / np.maximum(y, distance_m)
        up, aside = HEIGHT_M * (1 - share), x * share
        paint = (
            np.array((0.62, 0.60, 0.55), np.float32)
            * (1 + 0.01 * value_noise(aside, up, 0.02, 51))[..., None]
        )
        board = (
            np.array((0.80, 0.80, 0.78), np.float32)
            * (1 - 0.5 * np.exp(-((up - 0.08) ** 2) / 2e-5))[..., None]
        )
        shadow = 1 - 0.35 * np.exp(-np.clip(distance_m - y, 0, None) / 0.03)
        below = floor(x, y) * shadow[..., None]
        return np.where(
            (y < distance_m)[..., None], below, np.where((up < 0.08)[..., None], board, paint)
        ).astype(np.float32)

    return seen


def lawn(floor: Floor, edge_m: float = 0.05) -> Floor:
    """Paving that ends at a lawn, `edge_m` right of the camera."""

    def seen(x: Picture, y: Picture) -> Picture:
        blades = (
            1
            + 0.45 * value_noise(x * 3, y, 0.008, 61)
            + 0.35 * value_noise(x, y * 3, 0.011, 62)
            + 0.3 * value_noise(x, y, 0.06, 63)
            + 0.2 * value_noise(x, y, 0.25, 64)
        )
        dry = value_noise(x, y, 0.1, 65)[..., None] * np.array((0.03, 0.01, 0.0), np.float32)
        grass = np.clip(blades, 0.15, None)[..., None] * (np.array((0.09, 0.15, 0.035), np.float32) + dry)
        ragged = edge_m + 0.015 * value_noise(y, y * 0, 0.03, 66) + 0.02 * value_noise(y, y * 0, 0.15, 67)
        on = np.clip((x - ragged) / 0.004 + 0.5, 0, 1)[..., None]
        return (floor(x, y) * (1 - on) + grass * on).astype(np.float32)

    return seen


def pool(floor: Floor, edge_m: float = 0.18) -> Floor:
    """Paving with a pale coping that ends at rippled water, `edge_m` right of the camera."""

    def seen(x: Picture, y: Picture) -> Picture:
        ripple = value_noise(x, y, 0.12, 71) + 0.6 * value_noise(x + 0.4 * y, y, 0.05, 72)
        bright = np.exp(-((ripple / 0.12) ** 2))[..., None]
        water = np.array((0.06, 0.28, 0.34), np.float32) * (1 + 0.15 * ripple[..., None]) + 0.3 * bright
        on = np.clip((x - edge_m) / 0.003 + 0.5, 0, 1)[..., None]
        return (floor(x, y) * (1 - on) + water * on).astype(np.float32)

    return seen


def step_down(floor: Floor, edge_m: float = 0.3, drop_m: float = 0.18) -> Floor:
    """A floor that goes on a step lower, `edge_m` right of the camera, in the step's shadow at first."""

    def seen(x: Picture, y: Picture) -> Picture:
        deeper = (HEIGHT_M + drop_m) / HEIGHT_M
        low = floor(x * deeper + 0.07, y * deeper + 0.03)
        low = low * (0.45 + 0.45 * np.clip((x - edge_m) / 0.25, 0, 1))[..., None]
        nosing = np.exp(-((np.clip(x - edge_m + 0.03, -1, 1) / 0.012) ** 4))[..., None]
        high = floor(x, y) * (1 - 0.75 * nosing)
        return np.where((x < edge_m)[..., None], high, low).astype(np.float32)

    return seen


def plinth(floor: Floor, radius_m: float = 0.42) -> Floor:
    """A small round of floor amid a lawn."""
    around = lawn(floor, -1e3)

    def seen(x: Picture, y: Picture) -> Picture:
        on = np.clip((radius_m - np.hypot(x, y)) / 0.004 + 0.5, 0, 1)[..., None]
        return (floor(x, y) * on + around(x, y) * (1 - on)).astype(np.float32)

    return seen


def medallion(floor: Floor, x_m: float = 0.08, y_m: float = -0.05) -> Floor:
    """A floor with one large inlaid rosette around the camera that repeats nowhere."""

    def seen(x: Picture, y: Picture) -> Picture:
        far, angle = np.hypot(x - x_m, y - y_m), np.arctan2(x - x_m, y - y_m)
        petals = np.sin(5 * angle + 9 * far) * np.sin(far * 21) + 0.5 * np.sin(2 * angle - 6 * far)
        shade = 1 + 0.55 * np.tanh(4 * petals) * np.clip((0.9 - far) / 0.02, 0, 1)
        return (floor(x, y) * shade[..., None]).astype(np.float32)

    return seen


ENDS: dict[str, Callable[[], Floor]] = {
    "wall": lambda: walled(planks(), 0.5),
    "near wall": lambda: walled(square_tiles(), 0.22),
    "lawn": lambda: lawn(square_tiles()),
    "pool": lambda: pool(square_tiles(side_m=0.4)),
    "plinth": lambda: plinth(square_tiles()),
    "medallion": lambda: medallion(square_tiles()),
    "step": lambda: step_down(planks()),
}
"""Ends of floors that want a look, under a foot of some ten degrees."""
