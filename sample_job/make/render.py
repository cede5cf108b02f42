"""Render the frames of the sample job with Cycles (the `bpy` package), full and without the monopod.

    python sample_job/make/render.py OUT [--width 2048] [--samples 160] [--only deck-01 ...] [--threads 1]

Writes per shot `OUT/<name>.exr` (radiance, reflectance and material number of the whole sphere) and
`OUT/<name>-bare.exr` (the lower rows again, without the monopod). See README.md beside this file.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import bpy
import garden
import house
import rooms
import things
from kit import box, glossy
from plan import CAMERA_HEIGHT_M, SHOTS, Shot

MARGIN = 64
"""Beyond the whole turn, one part in so many of the width is rendered on either side, and cut off later."""

BARE_BELOW_DEG = -62.0
"""The frame without monopod is rendered below this pitch only: above it the two are the same."""


def _scene(width: int, samples: int, threads: int) -> Any:
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.render.resolution_x, scene.render.resolution_y = width + 2 * (width // MARGIN), width // 2
    scene.render.resolution_percentage = 100
    scene.render.threads_mode, scene.render.threads = "FIXED", threads
    scene.render.use_persistent_data = True
    cycles = scene.cycles
    cycles.device, cycles.samples = "CPU", samples
    cycles.use_adaptive_sampling = False
    cycles.use_denoising, cycles.denoiser = True, "OPENIMAGEDENOISE"
    cycles.denoising_input_passes, cycles.denoising_prefilter = "RGB_ALBEDO_NORMAL", "ACCURATE"
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 5, 3, 2
    cycles.light_sampling_threshold = 0.04
    cycles.transmission_bounces, cycles.transparent_max_bounces = 3, 8
    cycles.caustics_reflective = cycles.caustics_refractive = False
    cycles.sample_clamp_indirect = 20.0
    cycles.blur_glossy = 1.0
    layer = scene.view_layers[0]
    layer.use_pass_diffuse_color = True
    layer.use_pass_material_index = True
    image = scene.render.image_settings
    image.media_type = "MULTI_LAYER_IMAGE"
    image.file_format = "OPEN_EXR_MULTILAYER"
    image.color_depth, image.exr_codec = "32", "ZIP"
    return scene


def _camera(scene: Any) -> Any:
    data = bpy.data.cameras.new("sphere")
    data.type, data.panorama_type = "PANO", "EQUIRECTANGULAR"
    data.clip_start = 0.02
    # A little more than the whole turn: the denoiser then sees both sides of the cut.
    data.longitude_max = math.pi * (1 + 2 / MARGIN)
    data.longitude_min = -data.longitude_max
    if abs(data.longitude_max - math.pi * (1 + 2 / MARGIN)) > 1e-5:
        raise ValueError(f"the renderer holds the turn to {data.longitude_max}; no margin is to be had")
    camera = bpy.data.objects.new("sphere", data)
    scene.collection.objects.link(camera)
    scene.camera = camera
    return camera


def _floor(shot: Shot) -> float:
    if shot.room == "deck":
        return -0.02
    return 0.008 if shot.name == "lounge-01" else 0.0


def _body(shot: Shot) -> Any:
    """The camera itself: in mirrors and shadows, never in its own picture."""
    height = _floor(shot) + CAMERA_HEIGHT_M
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


def _shoot(scene: Any, camera: Any, shot: Shot, folder: Path) -> None:
    floor = _floor(shot)
    camera.location = (shot.x, shot.y, floor + CAMERA_HEIGHT_M)
    camera.rotation_euler = (math.radians(90), 0, math.radians(-shot.yaw_deg))
    stand = [*things.monopod((shot.x, shot.y, floor), CAMERA_HEIGHT_M, shot.yaw_deg), _body(shot)]
    for suffix in ("", "-bare"):
        started = time.monotonic()
        scene.render.use_border = bool(suffix)
        scene.render.use_crop_to_border = False
        scene.render.border_min_x, scene.render.border_max_x, scene.render.border_min_y = 0, 1, 0
        scene.render.border_max_y = (90 + BARE_BELOW_DEG) / 180 if suffix else 1
        for part in stand:
            part.hide_render = bool(suffix)
        scene.render.filepath = str(folder / f"{shot.name}{suffix}.exr")
        bpy.ops.render.render(write_still=True)
        print(f"{shot.name}{suffix}: {time.monotonic() - started:.0f} s", flush=True)
    for part in stand:
        bpy.data.objects.remove(part)


def main() -> None:
    """Build the house once, then shoot."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--width", type=int, default=2048)
    parser.add_argument("--samples", type=int, default=160)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[shot.name for shot in SHOTS])
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    scene = _scene(asked.width, asked.samples, asked.threads)
    camera = _camera(scene)
    house.build()
    rooms.build()
    garden.build()
    shots = {shot.name: shot for shot in SHOTS}
    for name in asked.only:
        _shoot(scene, camera, shots[name], asked.out)


if __name__ == "__main__":
    main()
