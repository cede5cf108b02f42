"""Brackets: several exposures of one panorama as a camera writes them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tests.makers.camera import Sensor, shoot
from tests.makers.dng import Shot

SMALL_SENSOR = Sensor(full_well_e=10_000, read_noise_e=10)


def room_light(width: int = 256, seed: int = 3) -> np.ndarray:
    """A made room, linear Rec.709: walls with texture, and a window 6 EV above them."""
    random = np.random.default_rng(seed)
    height = width // 2
    coarse = random.uniform(0.02, 0.2, (height // 8, width // 8, 1))
    light = np.kron(coarse, np.ones((8, 8, 1))) * np.array([1.0, 0.9, 0.7])
    light *= random.uniform(0.8, 1.2, (height, width, 1))
    top, left, side = height // 3, width // 3, width // 10
    light[top : top + side, left : left + side] *= 64
    return light.astype(np.float32)


def write_bracket(
    folder: Path,
    light: np.ndarray,
    evs: Sequence[float],
    *,
    name: str = "hall",
    begin: str = "2026:11:24 21:10:",
    first_second: int = 0,
    told_off_ev: float = 0.0,
    lights: Sequence[np.ndarray] | None = None,
) -> list[Path]:
    """Shoot a bracket, two seconds from shot to shot; `lights` is what each of them sees, if not the same."""
    files = []
    for number, ev in enumerate(evs):
        told = ev + (told_off_ev if number else 0)
        shot = Shot(exposure_s=2.0**told / 30, taken=f"{begin}{first_second + 2 * number:02d}")
        seen = light if lights is None else lights[number]
        files.append(
            shoot(
                folder / f"{name}-{number + 1:02d}.dng",
                seen,
                saturation=1 / 2.0**ev,
                baseline_ev=0,
                seed=100 * number + first_second,
                shot=shot,
                sensor=SMALL_SENSOR,
            )
        )
    return files
