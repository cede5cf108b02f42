"""Small whole frames for the review's tests: plain rooms drawn on the sphere, and jobs that hold them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from panopipe.frame import FrameKey
from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column
from panopipe.state.record import Effective, FrameRecord

Picture = NDArray[np.uint8]


@cache
def room(
    width: int = 1024, *, seed: int = 1, lean_deg: float = 0.0, lean_yaw_deg: float = 30.0, gain: float = 1.0
) -> Picture:
    """A box room with doors, pictures and planks, seen from inside, in sRGB codes; it leans if told."""
    chance = np.random.default_rng(seed)
    size = chance.uniform([3.0, 2.4, 4.0], [5.0, 2.8, 6.0])  # metres along x, y, z
    stand = np.array([chance.uniform(0.35, 0.65) * size[0], 1.45, chance.uniform(0.35, 0.65) * size[2]])
    super_sampled = width * 2
    yaw = yaw_of_column(np.arange(super_sampled), super_sampled)[np.newaxis]
    pitch = pitch_of_row(np.arange(super_sampled // 2), super_sampled // 2)[:, np.newaxis]
    ray = direction(yaw, pitch)
    if lean_deg:
        axis = np.array([np.cos(np.radians(lean_yaw_deg)), 0, -np.sin(np.radians(lean_yaw_deg))])
        ray = Rotation.from_rotvec(axis * np.radians(lean_deg)).apply(ray.reshape(-1, 3)).reshape(ray.shape)
    with np.errstate(divide="ignore"):
        reach = np.where(ray > 0, (size - stand) / ray, -stand / ray)
    wall = np.argmin(reach, axis=2)
    hit = stand + ray * reach.min(axis=2)[..., np.newaxis]
    light = _surfaces(wall, ray, hit, size, chance) * gain
    small = cv2.resize(light.astype(np.float32), (width, width // 2), interpolation=cv2.INTER_AREA)
    small += chance.normal(0, 0.002, small.shape)
    coded = np.where(small <= 0.0031308, 12.92 * small, 1.055 * np.maximum(small, 1e-6) ** (1 / 2.4) - 0.055)
    return np.asarray(np.clip(np.rint(coded * 255), 0, 255), dtype=np.uint8)


def _surfaces(
    wall: NDArray[np.intp],
    ray: NDArray[np.float64],
    hit: NDArray[np.float64],
    size: NDArray[np.float64],
    chance: np.random.Generator,
) -> NDArray[np.float64]:
    paint = np.array([0.55, 0.5, 0.44]) * chance.uniform(0.8, 1.1)
    light = np.empty((*wall.shape, 3))
    shade = 0.75 + 0.25 * np.abs(ray[..., :1])
    light[:] = paint * shade
    down = (wall == 1) & (ray[..., 1] < 0)
    light[down] = (
        np.array([0.3, 0.2, 0.12]) * (0.8 + 0.3 * np.mod(np.floor(hit[..., :1] / 0.14) * 0.618, 1))
    )[down]
    light[(wall == 1) & (ray[..., 1] > 0)] = [0.72, 0.71, 0.69]
    for side, along in ((0, 2), (2, 0)):
        for sign in (1, -1):
            on = (wall == side) & (np.sign(ray[..., side]) == sign)
            for _ in range(2):
                left = chance.uniform(0.1, 0.7) * size[along]
                door = on & (np.abs(hit[..., along] - left - 0.45) < 0.45) & (hit[..., 1] < 2.05)
                light[door] = chance.uniform(0.1, 0.7) * np.array([1, 0.95, 0.9])
            frame = (
                on & (np.abs(hit[..., along] - 0.2 * size[along]) < 0.3) & (np.abs(hit[..., 1] - 1.6) < 0.35)
            )
            light[frame] = chance.uniform(0.05, 0.85, 3)
            skirting = on & (hit[..., 1] < 0.1)
            light[skirting] = 0.75
    return light


def save(path: Path, picture: Picture, quality: int = 95) -> None:
    """Write a picture as JPEG without chroma subsampling."""
    path.parent.mkdir(parents=True, exist_ok=True)
    options = [
        cv2.IMWRITE_JPEG_QUALITY,
        quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]
    path.write_bytes(cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), options)[1].tobytes())


def finished(job: Path, place: str, name: str, picture: Picture, **facts: object) -> FrameRecord:
    """Put a finished picture and its before-picture into a job folder, and make its record."""
    output, before = f"finished/{place}/{name}.jpg", f".panopipe/before/{place}/{name}.jpg"
    save(job / output, picture)
    save(job / before, np.asarray(picture * 0.6, dtype=np.uint8))
    settings = {
        "tone": {"exposure_ev": Effective("auto", "built-in"), "shadows_ev": Effective(1.5, "recipe.toml:7")},
        "nadir": {
            "radius_deg": Effective(12.0, f"overrides/{place}.toml:3"),
            "use": Effective(True, "built-in"),
        },
    }
    plain: dict[str, object] = {
        "originals": (f"originals/{place}/{name}.dng",),
        "outputs": (output,),
        "before": before,
        "width": picture.shape[1],
        "height": picture.shape[0],
        "settings": settings,
        "order": ("decode", "tone", "nadir", "export"),
        "notes": {"tone": {"exposure_ev": 0.4}},
        "stage_seconds": {"decode": 0.4, "tone": 0.8, "nadir": 0.3, "export": 0.5},
        "peak_bytes": 400 << 20,
        "taken": "2026:11:24 10:00:00",
    }
    return FrameRecord(FrameKey(place, name), "finished", **(plain | facts))  # type: ignore[arg-type]
