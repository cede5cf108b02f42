"""The whole sphere seen from one spot, light by light, closed at the cut and at the poles.

An equirectangular camera stretches what lies overhead and underfoot, and a denoiser that sees it stretched
leaves a star there. So the belt between is rendered with that camera, a strip more on both sides, and the two
caps with a fisheye that looks straight up and straight down; each part is denoised as it is, then faded into
its neighbour.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy
import cv2
import numpy as np
import OpenEXR
from denoise import Picture, denoised

MARGIN = 64
"""Beyond the whole turn, one part in so many of the width is rendered on either side, and faded over."""
BELT_DEG, CAP_DEG = 66.0, 40.0
"""The belt reaches this far up and down; the caps this far from their poles."""
FADE_DEG = (54.0, 62.0)
"""Pitches between which the belt fades into a cap."""
CAP_SCALE = 1.25
"""Pixels of a cap for one of the belt: what is warped keeps its sharpness."""
OTHER = "other"
"""Name of the light that belongs to no group."""
REST = 1e-3
"""Less than that is what rounding leaves of the joint picture when all groups are taken from it."""

Point = tuple[float, float, float]


@dataclass
class Seen:
    """What a camera saw.

    Attributes
    ----------
    lights : dict of str to ndarray of shape (H, W, 3), dtype float32
        Linear Rec.709, the renderer's unit, by light group.
    reflectance : ndarray of shape (H, W, 3), dtype float32
        Diffuse reflectance.
    material, thing : ndarray of shape (H, W), dtype uint8
        `pass_index` of the material and of the object.
    """

    lights: dict[str, Picture]
    reflectance: Picture
    material: np.ndarray
    thing: np.ndarray

    @property
    def joint(self) -> Picture:
        """All lights together."""
        return np.sum(list(self.lights.values()), 0, dtype=np.float32)


def prepare(scene: Any, *, samples: int, threads: int, groups: Iterable[str], bounces: int = 4) -> None:
    """Set a scene up to be rendered as noisy layers, one for each light group.

    Parameters
    ----------
    scene : bpy.types.Scene
        What is to be rendered.
    samples, threads : int
        Light paths for each pixel, and processors to use.
    groups : iterable of str
        Names of the light groups that lamps and world were given.
    bounces : int
        How often light is followed from one matt surface to the next.
    """
    scene.render.engine = "CYCLES"
    scene.render.resolution_percentage = 100
    scene.render.threads_mode, scene.render.threads = "FIXED", threads
    scene.render.use_persistent_data = True
    scene.render.use_crop_to_border = False
    cycles = scene.cycles
    cycles.device, cycles.samples = "CPU", samples
    cycles.use_adaptive_sampling = cycles.use_denoising = False
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 5, bounces, 2
    cycles.light_sampling_threshold = 0.01
    cycles.transmission_bounces, cycles.transparent_max_bounces = 3, 8
    cycles.caustics_reflective = cycles.caustics_refractive = False
    cycles.sample_clamp_indirect = 20.0
    cycles.blur_glossy = 1.0
    layer = scene.view_layers[0]
    layer.use_pass_diffuse_color = True
    layer.use_pass_material_index = layer.use_pass_object_index = True
    layer.cycles.denoising_store_passes = True
    for name in groups:
        layer.lightgroups.add(name=name)
    image = scene.render.image_settings
    image.media_type = "MULTI_LAYER_IMAGE"
    image.file_format = "OPEN_EXR_MULTILAYER"
    image.color_depth, image.exr_codec = "32", "ZIP"


def _camera(scene: Any, form: str, at: Point, turn_deg: Point) -> Any:
    data = bpy.data.cameras.new(form)
    data.type, data.panorama_type = "PANO", form
    data.clip_start = 0.02
    camera = bpy.data.objects.new(form, data)
    camera.location, camera.rotation_euler = at, [math.radians(value) for value in turn_deg]
    scene.collection.objects.link(camera)
    scene.camera = camera
    return data


def _render(scene: Any, size: tuple[int, int], folder: Path) -> dict[str, np.ndarray]:
    """Render with the scene's camera; every layer by its name."""
    scene.render.resolution_x, scene.render.resolution_y = size
    path = folder / "_layers.exr"
    scene.render.filepath = str(path)
    bpy.ops.render.render(write_still=True)
    found: dict[str, list[np.ndarray]] = {}
    with OpenEXR.File(str(path)) as file:
        for part in file.parts:
            for channel, values in sorted(part.channels.items()):
                pixels = np.array(values.pixels)
                found.setdefault(channel.split(".")[1], []).append(pixels.reshape(*pixels.shape[:2], -1))
    layers = {name: np.concatenate(planes, -1) for name, planes in found.items()}
    path.unlink()
    bpy.data.objects.remove(scene.camera)
    return layers


def _clean(layers: dict[str, np.ndarray], threads: int) -> Seen:
    def colour(name: str) -> Picture:
        return np.ascontiguousarray(layers[name][..., :3], np.float32)

    prefix = "Combined_"
    lights = {name.removeprefix(prefix): colour(name) for name in layers if name.startswith(prefix)}
    rest = colour("Combined")
    for light in lights.values():
        rest = rest - light
    if rest.max() > REST:
        lights[OTHER] = np.maximum(rest, 0)
    return Seen(
        denoised(lights, colour("Denoising Albedo"), colour("Denoising Normal"), threads=threads),
        colour("Diffuse Color"),
        np.rint(layers["Material Index"]).astype(np.uint8).squeeze(),
        np.rint(layers["Object Index"]).astype(np.uint8).squeeze(),
    )


def belt(scene: Any, at: Point, yaw_deg: float, width: int, folder: Path) -> Seen:
    """What lies between the caps, in the form of the whole frame; beyond `BELT_DEG` of pitch it is void."""
    extra, height = width // MARGIN, width // 2
    data = _camera(scene, "EQUIRECTANGULAR", at, (90, 0, -yaw_deg))
    data.longitude_max = math.pi * (1 + 2 / MARGIN)
    data.longitude_min = -data.longitude_max
    rows = round(height * (90 - BELT_DEG) / 180)
    scene.render.use_border = True
    scene.render.border_min_x, scene.render.border_max_x = 0, 1
    scene.render.border_min_y, scene.render.border_max_y = rows / height, 1 - rows / height
    layers = _render(scene, (width + 2 * extra, height), folder)
    inside = {name: values[rows : height - rows] for name, values in layers.items()}
    seen = _clean(inside, scene.render.threads)

    def whole(values: np.ndarray, smooth: bool) -> np.ndarray:
        cut = _closed(values, extra, smooth=smooth)
        return np.pad(cut, ((rows, rows),) + ((0, 0),) * (cut.ndim - 1))

    return _each(seen, whole)


def _closed(values: np.ndarray, extra: int, *, smooth: bool) -> np.ndarray:
    """Cut the margins off; the right one, which shows the left edge once more, is first faded into it."""
    whole = values[:, extra : values.shape[1] - extra].copy()
    if smooth:
        again = values[:, values.shape[1] - extra :]
        share = (np.arange(extra, dtype=np.float32)[None, :, None] + 0.5) / extra
        whole[:, :extra] = again * (1 - share) + whole[:, :extra] * share
    return whole


def _each(seen: Seen, change: Any) -> Seen:
    """Every layer changed by `change(values, smooth)`."""
    return Seen(
        {name: change(light, True) for name, light in seen.lights.items()},
        change(seen.reflectance, True),
        change(seen.material, False),
        change(seen.thing, False),
    )


def cap(scene: Any, at: Point, yaw_deg: float, width: int, folder: Path, *, up: bool) -> Seen:
    """What lies within `CAP_DEG` of the zenith or of the nadir, in the form of the whole frame.

    Beyond that it is void.
    """
    size = round(CAP_SCALE * width * 2 * CAP_DEG / 360)
    data = _camera(scene, "FISHEYE_EQUIDISTANT", at, (180 if up else 0, 0, -yaw_deg))
    data.fisheye_fov = math.radians(2 * CAP_DEG)
    scene.render.use_border = False
    seen = _clean(_render(scene, (size, size), folder), scene.render.threads)
    column, row = _in_cap(width, size, up=up)

    def warped(values: np.ndarray, smooth: bool) -> np.ndarray:
        kernel = cv2.INTER_LINEAR if smooth else cv2.INTER_NEAREST
        return cv2.remap(values, column, row, kernel)

    return _each(seen, warped)


def _in_cap(width: int, size: int, *, up: bool) -> tuple[Picture, Picture]:
    """Column and row in a cap's picture of every pixel of the frame."""
    yaw = (np.arange(width)[None] + 0.5) / width * 2 * np.pi - np.pi
    away = (np.arange(width // 2)[:, None] + 0.5) / width * 360
    reach = np.minimum((away if up else 180 - away) / CAP_DEG, 2) * size / 2
    column = size / 2 + reach * np.sin(yaw) - 0.5
    row = size / 2 + (1 if up else -1) * reach * np.cos(yaw) - 0.5
    return column.astype(np.float32), row.astype(np.float32)


def capture(scene: Any, at: Point, yaw_deg: float, width: int, folder: Path) -> Seen:
    """Render the sphere about a point.

    Parameters
    ----------
    scene : bpy.types.Scene
        Made ready by `prepare`.
    at : tuple of float
        Where the camera stands, metres.
    yaw_deg : float
        Where the middle of the frame looks: 0 north (+y), 90 east (+x).
    width : int
        Columns; the height is half of it.
    folder : Path
        For a file that passes through.

    Returns
    -------
    Seen
        The frame, row 0 at the zenith.
    """
    middle = belt(scene, at, yaw_deg, width, folder)
    above, below = (cap(scene, at, yaw_deg, width, folder, up=up) for up in (True, False))
    return joined(middle, above, below)


def cap_share(height: int) -> Picture:
    """How far the caps cover every row, of shape (height, 1)."""
    pitch = np.abs(90 - 180 * (np.arange(height) + 0.5) / height)
    share = np.clip((pitch - FADE_DEG[0]) / (FADE_DEG[1] - FADE_DEG[0]), 0, 1)
    return share.astype(np.float32)[:, None]


def joined(middle: Seen, above: Seen, below: Seen) -> Seen:
    """A belt and both caps, each faded into the other."""
    height, width = middle.material.shape
    share = cap_share(height)

    def faded(level: np.ndarray, up: np.ndarray, down: np.ndarray) -> np.ndarray:
        ends = np.concatenate([up[: height // 2], down[height // 2 :]])
        if level.ndim == 2:
            return np.where(share > 0.5, ends, level)
        return level * (1 - share[..., None]) + ends * share[..., None]

    parts = (middle, above, below)
    names = dict.fromkeys(name for part in parts for name in part.lights)
    none = np.zeros((height, width, 3), np.float32)
    return Seen(
        {name: faded(*(part.lights.get(name, none) for part in parts)) for name in names},
        faded(*(part.reflectance for part in parts)),
        faded(*(part.material for part in parts)),
        faded(*(part.thing for part in parts)),
    )
