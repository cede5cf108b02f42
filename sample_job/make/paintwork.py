"""Render the painted walls and ceilings of the sample job's rooms once more, at half the size (needs bpy).

    python sample_job/make/paintwork.py OUT [--width 1024] [--samples 8] [--only hall-01 ...] [--threads 1]

Even paint shows every remnant of noise and no detail: what it lacks is light paths, not pixels. Writes per
shot `OUT/<name>.npz`: the light of day and of lamps, a number for every coat of paint, 0 for all else, and
how far it is to be laid over, by row.
`python -m sample_job.make.repaint` lays it over the frames.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import bpy
import numpy as np
import sphere
from plan import CAMERA_HEIGHT_M, SHOTS, Shot
from render import LAMPS, build, floor_of

COATS = {"ceiling": 1, "trim": 2, "white wall": 3, "green wall": 7, "ochre wall": 8}
"""Materials that are one even coat of matt paint."""


def _number_coats() -> None:
    for thing in bpy.data.objects:
        if thing.type == "MESH" and thing.data.materials:
            thing.pass_index = COATS.get(thing.data.materials[0].name, 0)


def _shoot(scene: Any, shot: Shot, width: int, folder: Path, *, zenith: bool) -> None:
    """All but the floor, which has no paint; or the zenith alone."""
    at = (shot.x, shot.y, floor_of(shot) + CAMERA_HEIGHT_M)
    above = sphere.cap(scene, at, shot.yaw_deg, width, folder, up=True)
    if zenith:
        seen = above
    else:
        seen = sphere.joined(sphere.belt(scene, at, shot.yaw_deg, width, folder), above, above)
    share = sphere.cap_share(width // 2) * (np.arange(width // 2) < width // 4)[:, None]
    lights = {LAMPS if name == sphere.OTHER else name: light for name, light in seen.lights.items()}
    lights = {name: light.astype(np.float32) for name, light in lights.items()}
    lights["share"] = share if zenith else np.ones_like(share)
    np.savez(folder / f"{shot.name}.npz", coat=seen.thing, **lights)  # type: ignore[arg-type]


def main() -> None:
    """Build the house once, then shoot."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--width", type=int, default=1024)
    parser.add_argument("--samples", type=int, default=8)
    parser.add_argument("--zenith", action="store_true", help="nothing but what lies overhead")
    parser.add_argument("--threads", type=int, default=1)
    indoors = [shot.name for shot in SHOTS if shot.room != "deck"]
    parser.add_argument("--only", nargs="*", choices=indoors, default=indoors)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    scene = build(asked.samples, asked.threads)
    _number_coats()
    shots = {shot.name: shot for shot in SHOTS}
    for name in asked.only:
        started = time.monotonic()
        _shoot(scene, shots[name], asked.width, asked.out, zenith=asked.zenith)
        print(f"{name}: {time.monotonic() - started:.0f} s", flush=True)


if __name__ == "__main__":
    main()
