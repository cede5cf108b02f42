"""Turn rendered light into the sample job: DNGs as the invented camera writes them, and the truth behind.

    python -m sample_job.make.develop RENDERED [--job sample_job]

Run it from the project's root in the environment of the tests. See README.md.
"""

from __future__ import annotations

import argparse
import io
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from panopipe.sphere.views import straight_down, view_from_frame
from sample_job.make import plan
from sample_job.make.calm import calmed
from sample_job.make.plan import NEUTRALS, SHOTS, Shot
from tests.makers import camera
from tests.makers.dng import ASCII, RATIONAL, Tag
from tests.makers.dng import Shot as Exif

LIGHTS = ("day", "lamps")
PLAIN = (1, 2, 3)
"""Numbers of ceiling, trim and white walls: one even coat of paint each."""
F_NUMBER = 2.2
CANDELA_PER_UNIT = 454.5
"""Brings the renderer's radiance to cd/m2: its sun and sky then give 100 000 lx on the lawn."""
FLOOR_VIEW_PX, FLOOR_VIEW_HALF_DEG = 256, 20.0
POSITION = [
    Tag(1, ASCII, "S"),
    Tag(2, RATIONAL, [(35, 1), (10, 1), (0, 1)]),
    Tag(3, ASCII, "W"),
    Tag(4, RATIONAL, [(118, 1), (30, 1), (0, 1)]),
]
"""In the middle of the South Pacific: there to be left out of the finished files."""


def saturation(shot: Shot) -> float:
    """Radiance of the as-shot white that just clips, in the renderer's unit.

    Speed by saturation (ISO 12232): H = 78 / S lx s, with H = 0.65 L t / N^2.
    """
    seconds = shot.exposure_s[0] / shot.exposure_s[1]
    luminance = 78 / shot.iso * F_NUMBER**2 / (0.65 * seconds)
    return luminance / CANDELA_PER_UNIT * 2**shot.baseline_ev


def layers(folder: Path, name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Light with the monopod; light, reflectance and material numbers without it."""
    with np.load(folder / f"{name}.npz") as file:
        found = {key: file[key] for key in file.files}
    numbers = found["material"]
    plain = np.where(np.isin(numbers, PLAIN), numbers, 0).astype(np.uint8)

    def whole(form: str) -> np.ndarray:
        lights = {key: found[form + key] for key in LIGHTS if form + key in found}
        return np.sum(list(calmed(lights, plain).values()), 0, dtype=np.float32)

    return whole(""), whole("bare_"), found["reflectance"], numbers


def neutral_spots(
    shot: Shot, recorded: np.ndarray, camera_peak: np.ndarray, surface: np.ndarray
) -> list[dict[str, Any]]:
    """Places where a surface of the table of neutrals fills a cell of 3 degrees, spread over the frame."""
    cell = surface.shape[1] // 128
    rows, columns = surface.shape[0] // cell, 128

    def cells(values: np.ndarray) -> np.ndarray:
        return values.reshape(rows, cell, columns, cell, -1)

    numbers = cells(surface)[..., 0]
    lowest, highest = numbers.min((1, 3)), numbers.max((1, 3))
    mean, spread = cells(recorded).mean((1, 3)), cells(recorded).std((1, 3))
    calm = (spread.max(-1) < 0.06 * mean.min(-1)) & (cells(camera_peak)[..., 0].max((1, 3)) < 0.9)
    spots = []
    for index, (name, reflectance) in NEUTRALS.items():
        if index == 6:
            continue
        usable = np.argwhere((lowest == index) & (highest == index) & calm)
        usable = usable[(usable[:, 0] > 3) & (usable[:, 0] < rows - 6)]
        for row, column in usable[:: max(1, len(usable) // 12)][:12]:
            yaw_deg = ((column + 0.5) / columns - 0.5) * 360
            pitch_deg = (0.5 - (row + 0.5) / rows) * 180
            spots.append(
                {
                    "yaw_deg": round(float(yaw_deg), 3),
                    "pitch_deg": round(float(pitch_deg), 3),
                    "surface": name,
                    "reflectance": reflectance,
                    "own_room": not plan.leaves_room(shot, float(yaw_deg), float(pitch_deg)),
                    "recorded_working": [round(float(value), 6) for value in mean[row, column]],
                }
            )
    return spots


def srgb8(linear: np.ndarray) -> np.ndarray:
    """8-bit sRGB codes of linear Rec.709 (IEC 61966-2-1)."""
    linear = np.clip(linear, 0, 1)
    return np.round(
        255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    ).astype(np.uint8)


def exif(shot: Shot) -> Exif:
    """What the camera writes about a shot."""
    return Exif(
        taken=shot.taken,
        offset="-08:00",
        exposure_s=shot.exposure_s[0] / shot.exposure_s[1],
        f_number=F_NUMBER,
        iso=shot.iso,
        focal_length_mm=1.5,
        make="Fenhollow Optical",
        model="FH Sphere 1",
        lens="FH dual 1.5 mm",
        gps=POSITION,
    )


def develop(folder: Path, job: Path, shot: Shot, seed: int) -> dict[str, Any]:
    """Write one frame's DNG and truth; returns what the table of truth says of it."""
    light, bare, reflectance, surface = layers(folder, shot.name)
    level = saturation(shot)
    path = job / "originals" / shot.room / f"{shot.name}.dng"
    camera.shoot(path, light, saturation=level, baseline_ev=shot.baseline_ev, seed=seed, shot=exif(shot))
    recorded = camera.recorded_working(bare, saturation=level, baseline_ev=shot.baseline_ev)
    peak = camera.camera_values(bare, level).max(-1)
    view = straight_down(FLOOR_VIEW_PX, FLOOR_VIEW_PX / 2 / np.tan(np.radians(FLOOR_VIEW_HALF_DEG)))
    small = (512, 256)
    truth = job / "truth" / f"{shot.name}.npz"
    truth.parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(
        truth,
        floor=view_from_frame(recorded.astype(np.float32), 0, view, kernel="linear").astype(np.float16),
        reflectance=srgb8(cv2.resize(reflectance, small, interpolation=cv2.INTER_AREA)),
        surface=cv2.resize(surface, small, interpolation=cv2.INTER_NEAREST),
    )
    if shot.name == "lounge-01":
        ready_made(path.with_suffix(".jpg"), light * 2**shot.baseline_ev / level * 2)
    print(f"{path}: {path.stat().st_size / 1e6:.2f} MB; {truth.name}: {truth.stat().st_size / 1e3:.0f} kB")
    return {
        "room": shot.room,
        "position_m": [shot.x, shot.y],
        "yaw_from_north_deg": shot.yaw_deg,
        "saturation": round(level, 4),
        "baseline_ev": shot.baseline_ev,
        "neutrals": neutral_spots(shot, recorded, peak, surface),
    }


def ready_made(path: Path, rgb: np.ndarray) -> None:
    """The camera's own JPEG beside the DNG: a plain curve, half size, white left as it is."""
    toned = rgb * 1.6 / (1 + rgb)
    small = cv2.resize(toned.astype(np.float32), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    path.write_bytes(
        cv2.imencode(".jpg", srgb8(small)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 82])[1].tobytes()
    )


def main() -> None:
    """Develop all frames that were rendered."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("rendered", type=Path)
    parser.add_argument("--job", type=Path, default=Path("sample_job"))
    asked = parser.parse_args()
    frames = {}
    for number, shot in enumerate(SHOTS):
        if (asked.rendered / f"{shot.name}.npz").exists():
            frames[shot.name] = develop(asked.rendered, asked.job, shot, 1000 + number)
    facts = {
        "as_shot_xy": camera.LAMPS_AND_DAY.xy,
        "floor_view": {"size_px": FLOOR_VIEW_PX, "half_field_deg": FLOOR_VIEW_HALF_DEG},
        "lights_kelvin": {
            "lounge": plan.LOUNGE_LAMPS_K,
            "hall": plan.HALL_LAMPS_K,
            "bedroom": plan.BEDSIDE_LAMPS_K,
            "bathroom": plan.BATHROOM_LAMPS_K,
            "sun": plan.SUN_K,
        },
        "surfaces": {
            str(index): {"name": name, "reflectance": value} for index, (name, value) in NEUTRALS.items()
        },
        "frames": frames,
    }
    text = io.StringIO()
    json.dump(facts, text, indent=1)
    (asked.job / "truth" / "truth.json").write_text(text.getvalue() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
