"""The job as a practitioner in a hurry would script it with OpenCV: whole frames, float32.

The same mathematics as the default recipe, with the numbers that the joint solution found handed in; see
`scikit_image.py` beside it.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import rawpy

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, SRGB_FROM_WORKING
from panopipe.stages.vibrance import chroma_gain
from panopipe.studies.light.curve import Moves, moved_base, steeper_light
from tests.makers.shoulder import shoulder

Rows = np.ndarray

DARKEST, EDGE_VARIANCE_EV2, REACH_DEG = 2.0**-20, 0.25, 4.5
"""Black, the variance from which a step is an edge, and the reach of the guided filter."""


def finish(dng: Path, jpeg: Path, facts: dict[str, object]) -> None:
    """Take one uncompressed linear DNG to a JPEG; `facts` holds levels, matrix, moves and correction."""
    with rawpy.imread(str(dng)) as raw:
        light = raw.raw_image[..., :3].astype(np.float32)
    light = (light - np.float32(facts["black"])) / np.float32(facts["white"] - facts["black"])
    light = cv2.transform(light, np.asarray(facts["matrix"], np.float32))
    light = tone(light, facts["moves"])
    correction = np.asarray(facts["correction"], np.float32)
    light = cv2.transform(light, correction)
    light = vibrance(light, facts["strength"])
    light = cover(light)
    cv2.imwrite(str(jpeg), coded(light)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 94])


def tone(light: Rows, moves: Moves) -> Rows:
    """Guided filter of log luminance by itself, then the curves from a table."""
    luminance = np.maximum(cv2.transform(light, LUMINANCE_OF_WORKING[None].astype(np.float32)), DARKEST)
    light_ev = cv2.log(luminance) * np.float32(1 / np.log(2))
    size = int(2 * REACH_DEG * light.shape[1] / 360) | 1

    def box(plane: Rows) -> Rows:
        return cv2.boxFilter(plane, -1, (size, size), borderType=cv2.BORDER_REPLICATE)

    mean = box(light_ev)
    variance = box(light_ev * light_ev) - mean * mean
    slope = variance / (variance + np.float32(EDGE_VARIANCE_EV2))
    base = box(slope) * light_ev + box(mean - slope * mean)
    grid = np.linspace(-24, 24, 8192)
    shift = np.interp(base, grid, moved_base(grid + moves.exposure_ev, moves) - grid).astype(np.float32)
    moved = light_ev + shift
    curve = shoulder(steeper_light(2.0**grid, moves), moves.shoulder_ev)
    shown = np.interp(moved, grid, np.maximum(curve, 1e-12)).astype(np.float32)
    return light * (shown / luminance)[..., None]


_LMS = np.array(
    [[0.6167557, 0.3601984, 0.0230459], [0.2651331, 0.6358394, 0.0990275], [0.1001026, 0.2039065, 0.6959909]]
)
_LAB = np.array(
    [
        [0.2104543, 0.7936178, -0.0040720],
        [1.9779985, -2.4285922, 0.4505937],
        [0.0259040, 0.7827718, -0.8086758],
    ]
)


def vibrance(light: Rows, strength: float) -> Rows:
    """Oklab chroma."""
    cones = np.cbrt(cv2.transform(light, _LMS.astype(np.float32)))
    lab = cv2.transform(cones, _LAB.astype(np.float32))
    chroma = cv2.magnitude(lab[..., 1], lab[..., 2])
    hue = cv2.phase(lab[..., 1], lab[..., 2], angleInDegrees=True)
    gain = chroma_gain(strength, chroma / np.maximum(lab[..., 0], 1e-6), hue).astype(np.float32)
    lab[..., 1:] *= gain[..., None]
    cones = cv2.transform(lab, np.linalg.inv(_LAB).astype(np.float32))
    return cv2.transform(cones**3, np.linalg.inv(_LMS).astype(np.float32))


def cover(light: Rows, radius_deg: float = 8.0, reach_deg: float = 14.0) -> Rows:
    """Fill the disc underfoot in a straight-down view with OpenCV's own inpainting."""
    height, width = light.shape[:2]
    size = int(width / np.pi * np.tan(np.radians(reach_deg)))
    axis = ((np.arange(size) + 0.5) / size * 2 - 1).astype(np.float32)
    x, z = np.meshgrid(axis, axis)
    reach = np.tan(np.radians(reach_deg))
    rows = height - 0.5 - np.degrees(np.arctan(np.hypot(x, z) * reach)) / 180 * height
    columns = (np.arctan2(x, z) / (2 * np.pi) + 0.5) * width - 0.5
    bottom = light[int(rows.min()) - 1 :]
    rows -= height - len(bottom)
    view = cv2.remap(
        bottom,
        columns.astype(np.float32),
        rows.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    mask = (np.hypot(x, z) * reach < np.tan(np.radians(radius_deg))).astype(np.uint8)
    view8 = np.clip(view * 255, 0, 255).astype(np.uint8)
    filled = cv2.inpaint(view8, mask, 5, cv2.INPAINT_TELEA).astype(np.float32) / 255
    first = int(height * (1 - radius_deg / 180))
    pitch = np.radians(90 - (np.arange(first, height) + 0.5) / height * 180)[:, None]
    yaw = ((np.arange(width) + 0.5) / width - 0.5)[None] * 2 * np.pi
    ring = np.tan(np.pi / 2 + pitch) / reach
    across = ((ring * np.sin(yaw) + 1) / 2 * size - 0.5).astype(np.float32)
    down = ((ring * np.cos(yaw) + 1) / 2 * size - 0.5).astype(np.float32)
    light[first:] = cv2.remap(filled, across, down, cv2.INTER_LINEAR)
    return light


def coded(light: Rows) -> np.ndarray:
    """Into sRGB: fit the gamut towards grey, encode, dither, 8 bits."""
    rgb = cv2.transform(light, SRGB_FROM_WORKING.astype(np.float32))
    grey = np.clip(cv2.transform(light, LUMINANCE_OF_WORKING[None].astype(np.float32)), 0, 1)[..., None]
    low = np.minimum(rgb.min(axis=-1, keepdims=True), 0)
    high = np.maximum(rgb.max(axis=-1, keepdims=True), 1)
    keep = np.minimum(grey / np.maximum(grey - low, 1e-6), (1 - grey) / np.maximum(high - grey, 1e-6))
    rgb = np.clip(grey + (rgb - grey) * np.clip(keep, 0, 1), 0, 1)
    code = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * cv2.pow(rgb, 1 / 2.4) - 0.055)
    grain = np.random.default_rng(1).random(code.shape, dtype=np.float32) - 0.5
    return np.clip(np.round(code * 255 + grain), 0, 255).astype(np.uint8)
