"""Two more takes of the deck, each with something wrong, made of the one that is there.

    python -m sample_job.make.takes [--job sample_job]

Run it from the project's root in the environment of the tests. The camera comes back a few centimetres off
its place, turned and not quite upright; in one take the sun shines into the lens, in the other somebody is
there.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np

from panopipe.files.picture import open_picture
from sample_job.make.develop import exif
from sample_job.make.plan import SHOTS
from tests.makers.camera import Sensor, write_codes
from tests.makers.takes import made_place

TAKES = {"deck-02": ("flare", 44, "2026:09:18 10:35:05"), "deck-03": ("person", 13, "2026:09:18 10:38:50")}
"""By name: what is wrong, the seed of all that is left to chance, and when it was taken."""
SENSOR = Sensor(full_well_e=15_000.0)
"""Its steps are as wide as the noise that both developments add up to, which keeps the files small."""


def camera_values(path: Path) -> np.ndarray:
    """Samples of a frame of the sample job, 1 at saturation."""
    recorded = open_picture(path)
    try:
        samples = recorded.samples.rows(0, recorded.samples.height).astype(np.float32)
    finally:
        recorded.samples.close()
    return np.asarray((samples - recorded.black) / (recorded.white - recorded.black), np.float32)


def main() -> None:
    """Make both."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--job", type=Path, default=Path("sample_job"))
    folder = parser.parse_args().job / "originals" / "deck"
    first = next(shot for shot in SHOTS if shot.name == "deck-01")
    light = np.maximum(camera_values(folder / "deck-01.dng"), 0)
    for name, (fault, seed, taken) in TAKES.items():
        (rows,) = made_place(light, fault, seed, takes=1, outdoors=False).takes
        path = folder / f"{name}.dng"
        shot = replace(exif(first), taken=taken)
        write_codes(path, SENSOR.quantised(rows), baseline_ev=first.baseline_ev, shot=shot, sensor=SENSOR)
        print(f"{path}: {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
