"""Render the frames of the sample job with Cycles (the `bpy` package), full and without the monopod.

    python sample_job/make/render.py OUT [--width 2048] [--samples 12] [--only deck-01 ...] [--threads 1]

Writes per shot `OUT/<name>.npz`: the light of day and of lamps, reflectance and material number of the whole
sphere, and the lights once more as they are without the monopod. See README.md beside this file.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import bpy
import garden
import house
import numpy as np
import rooms
import sphere
import things
from kit import box, glossy
from plan import CAMERA_HEIGHT_M, SHOTS, Shot

DAY, LAMPS = "day", "lamps"


def build(samples: int, threads: int) -> Any:
    """The whole house and its garden, ready to be rendered as daylight and the rest."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    house.build()
    rooms.build()
    garden.build()
    scene = bpy.context.scene
    sphere.prepare(scene, samples=samples, threads=threads, groups=[DAY], bounces=3)
    scene.world.lightgroup = bpy.data.objects["sun"].lightgroup = DAY
    return scene


def floor_of(shot: Shot) -> float:
    """Height of what the monopod stands on."""
    if shot.room == "deck":
        return -0.02
    return 0.008 if shot.name == "lounge-01" else 0.0


def _body(shot: Shot) -> Any:
    """The camera itself: in mirrors and shadows, never in its own picture."""
    height = floor_of(shot) + CAMERA_HEIGHT_M
    body = box(
        (-0.025, -0.012, -0.11),
        (0.025, 0.012, 0.03),
        glossy("pole", (0.025, 0.025, 0.027), roughness=0.35),
        bevel=0.008,
        at=(shot.x, shot.y, height),
        yaw=-shot.yaw_deg,
    )
    body.visible_camera = False
    return body


def _shoot(scene: Any, shot: Shot, width: int, folder: Path) -> None:
    floor = floor_of(shot)
    at = (shot.x, shot.y, floor + CAMERA_HEIGHT_M)
    stand = [*things.monopod((shot.x, shot.y, floor), CAMERA_HEIGHT_M, shot.yaw_deg), _body(shot)]
    middle = sphere.belt(scene, at, shot.yaw_deg, width, folder)
    above = sphere.cap(scene, at, shot.yaw_deg, width, folder, up=True)
    below = sphere.cap(scene, at, shot.yaw_deg, width, folder, up=False)
    for part in stand:
        part.hide_render = True
    bare = sphere.joined(middle, above, sphere.cap(scene, at, shot.yaw_deg, width, folder, up=False))
    for part in stand:
        bpy.data.objects.remove(part)
    layers = {"reflectance": bare.reflectance, "material": bare.material}
    for form, seen in (("", sphere.joined(middle, above, below)), ("bare_", bare)):
        named = {LAMPS if name == sphere.OTHER else name: light for name, light in seen.lights.items()}
        layers |= {form + name: light for name, light in named.items()}
    np.savez(folder / f"{shot.name}.npz", **layers)


def main() -> None:
    """Build the house once, then shoot."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--width", type=int, default=2048)
    parser.add_argument("--samples", type=int, default=12)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[shot.name for shot in SHOTS])
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    scene = build(asked.samples, asked.threads)
    shots = {shot.name: shot for shot in SHOTS}
    for name in asked.only:
        started = time.monotonic()
        _shoot(scene, shots[name], asked.width, asked.out)
        print(f"{name}: {time.monotonic() - started:.0f} s", flush=True)


if __name__ == "__main__":
    main()
