"""Where the floor under the camera ends: which part of a straight-down view is like the rim of the hole.

Walls, furniture, lawns and pools seen straight down differ from the floor by colour, by lightness or by how
rough they are. Each spot is described by these three over a window large enough to average a pattern, and is
floor if something at the rim of the hole is like it. A rug's edge at the rim makes two kinds, both floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.nearest import nearest
from panopipe.studies.floor.logs import offset_for, to_log
from panopipe.studies.floor.scene import shrunk, within

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_GRID_RADIUS_PX = 16
"""Radius of the hole on the grid of descriptions."""
_WINDOW = 0.3
"""Standard deviation of the window that is described, in radii of the hole."""
_RIM = 0.3
"""Width of the strip around the hole whose kinds are floor, in radii of the hole."""
_LIGHTNESS, _COLOUR, _ROUGHNESS = 0.30, 0.12, 0.9
"""Differences that count as one: log light (shade and sunshine vary on one floor), log ratios of channels,
and log of the rms of fine detail."""
_UNLIKE, _RATHER_UNLIKE = 1.5, 0.9
"""Distances from which a spot is, and may be, something else."""
_UNLIKE_SPOT, _ODD_WINDOW = 1.0, 0.4
"""The same for a single spot, in surroundings that are at least so unlike."""
_LEAST_SHARE = 0.15
"""Smallest piece of something else that counts, in areas of the hole: smaller ones are part of a pattern."""
_NEAR = 2.0
"""How far out, in radii of the hole, an end of the floor matters to the eye."""


@dataclass(frozen=True, slots=True, eq=False)
class Extent:
    """The floor around a hole.

    Attributes
    ----------
    floor : ndarray of shape (n, n), dtype bool
        Where the view shows floor of the kinds at the rim; true inside the hole.
    unlike : ndarray of shape (n, n), dtype float32
        How far each spot is from all that lies at the rim, from 1 on rather something else.
    other_share : float
        Share of something else among the surroundings, out to twice the hole's radius.
    """

    floor: Mask
    unlike: Picture
    other_share: float


def floor_extent(light: Picture, hole: Mask) -> Extent:
    """Tell floor from what is none.

    Parameters
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Straight-down view, linear light.
    hole : ndarray of shape (n, n), dtype bool
    """
    radius = math.sqrt(hole.sum() / math.pi)
    factor = max(1, round(radius / _GRID_RADIUS_PX))
    taken = shrunk(hole.astype(np.float32), factor) > 0
    described, spots = _described(light, taken, factor, radius / factor)
    rim = within(taken, max(2.0, _RIM * radius / factor)) & ~taken
    beyond = ~(taken | rim)
    unlike = _nearest(described, beyond, described[rim])
    other = _large(unlike > _UNLIKE, unlike > _RATHER_UNLIKE, _LEAST_SHARE * float(taken.sum()))
    near = within(taken, (_NEAR - 1) * radius / factor) & ~taken
    share = float((other & (unlike > _UNLIKE))[near].mean()) if near.any() else 0.0
    size = hole.shape[::-1]
    # The first bits of a drawer or a door are too small for the window to tell: they do by themselves.
    bits = _nearest(spots, beyond & (unlike > _ODD_WINDOW), spots[rim]) > _UNLIKE_SPOT
    grown = cv2.dilate((other | bits).astype(np.uint8), np.ones((3, 3), np.uint8))
    covered = (taken.shape[1] * factor, taken.shape[0] * factor)
    full = cv2.resize(grown, covered, interpolation=cv2.INTER_NEAREST).astype(bool)
    floor = np.ones(size[::-1], np.bool_)
    floor[: covered[1], : covered[0]] = ~full
    wide = np.zeros(hole.shape, np.float32)
    wide[: covered[1], : covered[0]] = cv2.resize(
        unlike.astype(np.float32), covered, interpolation=cv2.INTER_LINEAR
    )
    return Extent(floor | hole, wide, share)


def _described(light: Picture, taken: Mask, factor: int, radius: float) -> tuple[Picture, Picture]:
    """Lightness, two colours and roughness of each spot's surroundings, each over what counts as one.

    And lightness and colours of the spot alone.
    """
    offset = offset_for(light)
    blocks = to_log(np.maximum(shrunk(light, factor), 0), offset)
    luma = blocks @ np.array((0.3, 0.6, 0.1), np.float32)
    weight = (~taken).astype(np.float32)
    sigma = max(1.0, _WINDOW * radius)

    def mean(values: Picture) -> Picture:
        total = cv2.GaussianBlur(values * weight, (0, 0), sigma)
        return np.asarray(total / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-3), np.float32)

    fine = luma - cv2.GaussianBlur(luma, (0, 0), 1.0)
    # Beside the hole, its own edge is no roughness of the floor.
    fine[within(taken, 2.5)] = 0
    sure = (~within(taken, 2.5)).astype(np.float32)
    energy = cv2.GaussianBlur(fine * fine, (0, 0), sigma) / np.maximum(
        cv2.GaussianBlur(sure, (0, 0), sigma), 1e-2
    )
    rough = 0.5 * np.log(energy + 0.004**2)
    red, green, blue = (blocks[..., channel] for channel in range(3))
    spots = [luma / _LIGHTNESS, (red - green) / _COLOUR, (blue - green) / _COLOUR]
    described = [*(mean(spot) for spot in spots), rough / _ROUGHNESS]
    return np.stack(described, -1).astype(np.float32), np.stack(spots, -1).astype(np.float32)


def _nearest(described: Picture, where: Mask, kinds: Picture) -> Picture:
    """Distance of some spots to the nearest of some descriptions; zero elsewhere."""
    some = described[where]
    distance, distances = np.empty(len(some), np.float32), np.zeros(where.shape, np.float32)
    nearest(some, np.ascontiguousarray(kinds[:: max(1, len(kinds) // 150)]), distance)
    distances[where] = distance
    return distances


def _large(sure: Mask, perhaps: Mask, area: float) -> Mask:
    """What may be something else and hangs together with a large enough piece that surely is."""
    count, labels = cv2.connectedComponents(perhaps.astype(np.uint8), connectivity=4)
    sizes = np.bincount(labels[sure], minlength=count)
    kept: Mask = (sizes >= area)[labels] & perhaps
    return kept
