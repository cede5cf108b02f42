"""Photograph the sample's bracket: `python -m sample_job.make.bracket RENDERED [--job sample_job]`.

Five exposures of the kitchen that `sample_job.make.swing` rendered, 2 EV apart and two seconds from shot to
shot, on a monopod that sways a little. In two of them the lantern has swung across the door.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from sample_job.make.develop import F_NUMBER, POSITION
from tests.makers import camera
from tests.makers.dng import Shot
from tests.scenes.place import read_place
from tests.scenes.sway import Room, Sway, swayed

EXPOSURES = (
    (0, "still", 0.0),
    (-2, "swung", 0.15),
    (2, "still", 0.2),
    (-4, "still", 0.1),
    (4, "swung", 0.25),
)
"""EV, where the lantern hangs, and how far the pole leans in degrees."""
ROOM = Room(sides=(2.1, 2.2, 2.3, 2.5, 1.5, 1.1), pillars=())
TAKEN = "2026:11:24 22:04:{:02d}"


def main() -> None:
    """Write the five files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rendered", type=Path)
    parser.add_argument("--job", type=Path, default=Path("sample_job"))
    asked = parser.parse_args()
    places = {name: read_place(asked.rendered / name / "kitchen") for name in ("still", "swung")}
    level = places["still"].white_level
    for number, (ev, name, lean) in enumerate(EXPOSURES):
        light = swayed(places[name].mixed, Sway(lean, 80.0 * number), ROOM) if lean else places[name].mixed
        shot = Shot(
            taken=TAKEN.format(2 * number),
            offset="-08:00",
            exposure_s=2.0**ev / 15,
            f_number=F_NUMBER,
            iso=100,
            exposure_bias_ev=float(ev),
            gps=POSITION,
        )
        path = asked.job / "originals" / "kitchen" / f"kitchen-{number + 1:02d}.dng"
        sensor = replace(camera.Sensor(), full_well_e=60_000.0)
        camera.shoot(
            path, light, saturation=level / 2.0**ev, baseline_ev=0, seed=40 + number, shot=shot, sensor=sensor
        )
        print(f"{path}: {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
