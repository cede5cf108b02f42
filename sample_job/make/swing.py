"""Render the kitchen of the sample's bracket twice: a lantern on a cord swings before the glazed door.

The monopod stands under the camera. `python -m sample_job.make.swing OUT [--width 2048]` with the renderer's
Python; each render goes to OUT/<position>/kitchen as `tests.scenes.place` reads it, and
`sample_job.make.bracket` photographs them.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import tests.scenes.places.__main__ as places  # isort: skip  (puts the sample's kit on the path)
import things
from kit import ball, glossy, rod

from tests.scenes.place import write_place
from tests.scenes.places.designs import DESIGNS
from tests.scenes.places.room import Room

SEED = 41
POSITIONS_M = {"still": -0.18, "swung": 0.22}
"""How far north of the middle of the door the lantern hangs."""


STAND_YAW_DEG = 20.0
"""Where the monopod's feet point."""


def with_lantern(build: Callable[[Any], Room], north_m: float) -> Callable[[Any], Room]:
    """A place with a monopod in its middle and a paper lantern at 1.6 m in front of its western side."""

    def built(random: Any) -> Room:
        room = build(random)
        at = (-1.5, north_m, 1.62)
        rod(
            (at[0], 0.0, room.height), (at[0], at[1], at[2] + 0.16), 0.006, glossy("cord", (0.05, 0.05, 0.05))
        )
        ball(at, 0.17, glossy("lantern", (0.52, 0.09, 0.05), roughness=0.6))
        things.monopod((0.0, 0.0, 0.0), places.CAMERA_M, STAND_YAW_DEG)
        return room

    return built


def main() -> None:
    """Render what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--positions", nargs="*", choices=list(POSITIONS_M), default=list(POSITIONS_M))
    parser.add_argument("--width", type=int, default=2048)
    parser.add_argument("--samples", type=int, default=12)
    asked = parser.parse_args()
    design = DESIGNS["kitchen"]
    for name in asked.positions:
        DESIGNS["kitchen"] = replace(design, build=with_lantern(design.build, POSITIONS_M[name]))
        folder = asked.out / name
        size = {"width": asked.width, "samples": asked.samples, "threads": 1}
        place = places.render("kitchen", seed=SEED, folder=folder, **size)
        write_place(folder / "kitchen", place)
        print(f"{name}: {place.facts['seconds']} s", flush=True)


if __name__ == "__main__":
    main()
