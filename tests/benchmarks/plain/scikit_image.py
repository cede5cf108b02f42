"""The job as a practitioner would script it with numpy and scikit-image: whole frames, float64.

The same mathematics as the default recipe, with the numbers that the joint solution found handed in. It is
here to be measured against, so it is written the way one writes such a script: clear, one array after
another, no bands.
"""

from __future__ import annotations

from pathlib import Path

import imageio.v3 as iio
import numpy as np
import rawpy
from scipy.ndimage import map_coordinates, uniform_filter
from skimage.restoration import inpaint_biharmonic

from panopipe.colour.oklab import oklab_from_working, working_from_oklab
from panopipe.colour.spaces import LUMINANCE_OF_WORKING, SRGB_FROM_WORKING
from panopipe.stages.vibrance import raise_chroma
from panopipe.studies.light.curve import Moves, moved_base, steeper_light
from tests.makers.shoulder import shoulder

Float = np.ndarray

DARKEST, EDGE_VARIANCE_EV2, REACH_DEG = 2.0**-20, 0.25, 4.5
"""Black, the variance from which a step is an edge, and the reach of the guided filter."""


def finish(dng: Path, jpeg: Path, facts: dict[str, object]) -> None:
    """Take one uncompressed linear DNG to a JPEG; `facts` holds levels, matrix, moves and correction."""
    light = decode(dng, facts)
    light = tone(light, facts["moves"])
    correction = np.asarray(facts["correction"])
    light = vibrance(light, correction, facts["strength"])
    light = light @ correction.T
    light = cover(light)
    iio.imwrite(jpeg, coded(light), quality=94)


def decode(dng: Path, facts: dict[str, object]) -> Float:
    """Camera samples to the working space."""
    with rawpy.imread(str(dng)) as raw:
        samples = raw.raw_image[..., :3].astype(np.float64)
    levels = (samples - facts["black"]) / (facts["white"] - facts["black"])
    return levels @ np.asarray(facts["matrix"]).T


def tone(light: Float, moves: Moves) -> Float:
    """Guided filter of log luminance by itself, then the curves."""
    light_ev = np.log2(np.maximum(light @ LUMINANCE_OF_WORKING, DARKEST))
    size = int(2 * REACH_DEG * light.shape[1] / 360) | 1
    modes = ("nearest", "wrap")
    mean = uniform_filter(light_ev, size, mode=modes)
    variance = uniform_filter(light_ev**2, size, mode=modes) - mean**2
    slope = variance / (variance + EDGE_VARIANCE_EV2)
    offset = mean - slope * mean
    base = uniform_filter(slope, size, mode=modes) * light_ev + uniform_filter(offset, size, mode=modes)
    moved = light_ev + moved_base(base + moves.exposure_ev, moves) - base
    shown = np.maximum(shoulder(steeper_light(2.0**moved, moves), moves.shoulder_ev), 1e-12)
    return light * (shown / 2.0**light_ev)[..., None]


def vibrance(light: Float, correction: Float, strength: float) -> Float:
    """Oklab chroma, judged under the frame's own white."""
    raised = raise_chroma(light @ correction.T, strength)
    return raised @ np.linalg.inv(correction).T


def cover(light: Float, radius_deg: float = 8.0, reach_deg: float = 14.0) -> Float:
    """Fill the disc underfoot in a straight-down view, a biharmonic surface from its rim."""
    height, width = light.shape[:2]
    size = int(width / np.pi * np.tan(np.radians(reach_deg)) / 4)
    axis = (np.arange(size) + 0.5) / size * 2 - 1
    x, z = np.meshgrid(axis, axis)
    reach = np.tan(np.radians(reach_deg))
    rows = height - 0.5 - np.degrees(np.arctan(np.hypot(x, z) * reach)) / 180 * height
    columns = (np.arctan2(x, z) / (2 * np.pi) + 0.5) * width - 0.5
    view = np.stack(
        [map_coordinates(light[..., c], [rows, columns], order=1, mode="grid-wrap") for c in range(3)],
        axis=-1,
    )
    mask = np.hypot(x, z) * reach < np.tan(np.radians(radius_deg))
    small = inpaint_biharmonic(view[::4, ::4], mask[::4, ::4], channel_axis=-1)
    first = int(height * (1 - radius_deg / 180))
    pitch = np.radians(90 - (np.arange(first, height) + 0.5) / height * 180)[:, None]
    yaw = ((np.arange(width) + 0.5) / width - 0.5)[None] * 2 * np.pi
    ring = np.tan(np.pi / 2 + pitch) / reach
    place = [
        (ring * np.cos(yaw) + 1) / 2 * small.shape[0] - 0.5,
        (ring * np.sin(yaw) + 1) / 2 * small.shape[1] - 0.5,
    ]
    for c in range(3):
        light[first:, :, c] = map_coordinates(small[..., c], place, order=1, mode="nearest")
    return light


def coded(light: Float) -> np.ndarray:
    """Into sRGB: fit the gamut by chroma in Oklab, encode, dither, 8 bits."""
    lab = oklab_from_working(np.clip(light, 0, None))
    lab[..., 0] = np.minimum(lab[..., 0], 1)
    for _ in range(6):
        rgb = working_from_oklab(lab) @ SRGB_FROM_WORKING.T
        outside = ((rgb < -1e-4) | (rgb > 1 + 1e-4)).any(axis=-1)
        lab[outside, 1:] *= 0.85
    rgb = np.clip(rgb, 0, 1)
    code = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * rgb ** (1 / 2.4) - 0.055)
    grain = np.random.default_rng(1).random(code.shape) - 0.5
    return np.clip(np.round(code * 255 + grain), 0, 255).astype(np.uint8)
