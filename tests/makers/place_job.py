"""Photograph rendered places into a job: `python -m tests.makers.place_job PLACE... JOB [--file merged]`.

PLACE is a folder that `python -m tests.scenes.places` wrote. Every place becomes a room of one frame.
`single` is one exposure that clips 3 EV above what the file calls white, as lossless 16-bit samples; `merged`
is a bracket merged into half floats that hold 7 EV above it, its noise that of the longest exposure that did
not clip. The white was set once, to 4500 K.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from tests.makers import camera
from tests.makers.dng import CAMERA_A, CAMERA_D65, Shot, write_linear_dng
from tests.scenes.place import Light, Place, read_place

Noise = Literal["clean", "small"]
File = Literal["single", "merged"]
HEADROOM_EV: dict[File, float] = {"single": 3.0, "merged": 7.0}
SENSORS: dict[Noise, camera.Sensor] = {
    "clean": camera.Sensor(),
    "small": camera.Sensor(full_well_e=32_000.0, read_noise_e=4.0),
}
"""`small`: in one exposure white holds 4,000 electrons, the room's middle 400 and a noise of 20."""
IN_PLACE = "[nadir]\nuse = false\n\n[level]\nuse = false\n"
"""Recipe that leaves everything where it is: no support stands there, and truth lies pixel by pixel."""
BRACKET_EV = (6, 4, 2, 0)
"""Exposures of the merged file above the shortest."""


def merged_values(values: np.ndarray, sensor: camera.Sensor, random: np.random.Generator) -> np.ndarray:
    """Camera values (1.0 where the shortest exposure clips) as a merged bracket holds them, with noise."""
    result = np.minimum(values, 1)
    noise = random.standard_normal(values.shape)
    done = np.zeros(values.shape[:2], bool)
    for ev in BRACKET_EV:
        taken = ~done & ((values.max(-1) * 2**ev < 0.9) | (ev == 0))
        electrons = result[taken] * 2**ev * sensor.full_well_e
        deviation = np.sqrt(electrons + sensor.read_noise_e**2)
        result[taken] = (electrons + deviation * noise[taken]) / (2**ev * sensor.full_well_e)
        done |= taken
    return result


def photograph(
    path: Path, light: Light, white_level: float, *, file: File, noise: Noise, seed: int, taken: str
) -> Path:
    """Write linear Rec.709 light as a DNG; `white_level` is the luminance that the file calls white."""
    baseline_ev, sensor = HEADROOM_EV[file], SENSORS[noise]
    saturation = white_level * 2**baseline_ev
    shot = Shot(taken=taken, exposure_s=None, f_number=None, iso=None)
    if file == "single":
        return camera.shoot(
            path, light, saturation=saturation, baseline_ev=baseline_ev, seed=seed, shot=shot, sensor=sensor
        )
    values = merged_values(camera.camera_values(light, saturation), sensor, np.random.default_rng(seed))
    return write_linear_dng(
        path,
        np.maximum(values, 0).astype(np.float16),
        compression="deflate",
        baseline_exposure_ev=baseline_ev,
        color_matrix_1=CAMERA_A,
        illuminant_1=17,
        color_matrix_2=CAMERA_D65,
        illuminant_2=21,
        as_shot_neutral=camera.as_shot_neutral(),
        shot=shot,
    )


def write_job(
    places: list[Place], job: Path, *, file: File, noise: Noise, ev: float = 0, scale: float = 1
) -> Path:
    """Write a job of one frame for each place, exposed `ev` more; no support stands in them."""
    for number, place in enumerate(places):
        light = place.mixed
        if scale != 1:
            light = cv2.resize(light, None, fx=scale, fy=scale, interpolation=cv2.INTER_LINEAR)
        path = job / "originals" / place.name / f"{place.name}-01.dng"
        taken = f"2026:10:03 10:{number:02d}:00"
        level = place.white_level * 2.0**-ev
        photograph(path, light, level, file=file, noise=noise, seed=400 + number, taken=taken)
    (job / "recipe.toml").write_text(IN_PLACE, encoding="utf-8")
    return job


def main() -> None:
    """Write the job that the command line asks for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("places", type=Path, nargs="+")
    parser.add_argument("job", type=Path)
    parser.add_argument("--file", choices=list(HEADROOM_EV), default="single")
    parser.add_argument("--noise", choices=list(SENSORS), default="clean")
    parser.add_argument("--ev", type=float, default=0.0)
    parser.add_argument("--scale", type=float, default=1.0)
    asked = parser.parse_args()
    places = [read_place(folder) for folder in asked.places]
    write_job(places, asked.job, file=asked.file, noise=asked.noise, ev=asked.ev, scale=asked.scale)
    print(f"{asked.job}: {len(places)} frames")


if __name__ == "__main__":
    main()
