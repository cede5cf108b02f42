"""Open sky over a frame: what hangs down from the zenith without an edge, and how likely it is sky.

A sky reaches from the zenith to the skyline; what stands there is darker than the sky just above it, hardly
anything at eye level is brighter, and its light is daylight or bluer. A ceiling has one or two of these, not
all: it is brighter than coloured walls, but windows are brighter still, and under lamps it is warm. So the
marks are added up as log odds, and none decides alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix
from panopipe.sphere.geometry import pitch_of_row, pixel_solid_angle
from panopipe.sphere.wrap import turned
from panopipe.studies.white.quantile import weighted_quantile

Cells = NDArray[np.bool_]
_Any = TypeVar("_Any", Matrix, Cells)

STEP = np.array([0.06, 0.15, 0.3])
"""Neighbouring cells of one sky differ by no more than this in the log cone ratios and in log luminance."""
NEARLY_CLIPPED = -0.7
"""A clipped cell goes on in one that is brighter than this, in natural logarithms below full scale."""
ZENITH_DEG, LOWEST_DEG, EYE_DEG = 70.0, -3.0, 30.0
BLUE_OF_SKY = -0.1
"""Log ratio of blue to green cones of a light of 5800 K: sky is bluer, lamps are not."""
BLUE_WITHOUT_CAMERA = 0.2
"""The same against the camera's own white, if that is not known."""
SKYLINE_STEP = 0.4
"""What stands before a sky is darker than it by more than this, in natural logarithms."""
BRIGHTEST_BELOW = 0.7
"""What is at eye level is brighter than the sky by no more than this, unless it is a window."""
USUAL_EV100 = 8.0
"""Exposure value at ISO 100 (ISO 2720) between rooms and open sky; at sunset a sky has about 12."""
DEEP_BLUE = 0.28
"""Log ratio of blue to green cones of a light of 9100 K, bluer than any in a house."""
LEAST_READABLE = 0.1
"""Share of the region that must not be clipped before its colour says anything."""
ODDS_BEFORE = -2.0
"""Most frames are of rooms."""


@dataclass(frozen=True, slots=True)
class Sky:
    """What looks like sky.

    Attributes
    ----------
    region : ndarray of bool (height, width)
        Cells that hang together with the zenith.
    likely : float
        0 to 1: how likely they are sky.
    """

    region: Cells
    likely: float


def find_sky(
    values: Matrix,
    known: Cells,
    clipped: Cells,
    *,
    camera_blue: float | None = None,
    exposure_ev100: float | None = None,
) -> Sky:
    """Find the sky of a frame on a grid of cells.

    Parameters
    ----------
    values : ndarray of shape (height, width, 3), dtype float64
        Log cone ratios and log luminance, as decoded; the luminance also of clipped cells.
    known, clipped : ndarray of bool (height, width)
        Cells whose values count, and cells that are mostly clipped.
    camera_blue : float or None
        Log ratio of blue to green cones of the camera's own white; None if it is not known.
    exposure_ev100 : float or None
        Exposure value at ISO 100; None if it is not known.

    Returns
    -------
    Sky
        Its region is the same whatever its likelihood.
    """
    region = _from_zenith(values, known & ~clipped, clipped)
    marks = [ODDS_BEFORE, _skyline(values, region), _brightest(values, region)]
    marks.append(_blue(values, region, region & known & ~clipped, camera_blue))
    if exposure_ev100 is not None:
        marks.append(float(np.clip(1.5 * (exposure_ev100 - USUAL_EV100), -5, 5)))
    return Sky(region, float(1 / (1 + np.exp(-sum(marks)))))


def _from_zenith(seen: Matrix, known: Cells, clipped: Cells) -> Cells:
    """Cells that can be reached from the zenith without crossing an edge, down to the horizon."""
    pitch = pitch_of_row(np.arange(len(seen)), len(seen))[:, None]
    down = _joined(seen[:-1], seen[1:], known[:-1], known[1:], clipped[:-1], clipped[1:])
    right = _joined(seen, _left(seen), known, _left(known), clipped, _left(clipped))
    above = np.broadcast_to(pitch > LOWEST_DEG, known.shape)
    region = np.broadcast_to(pitch > ZENITH_DEG, known.shape) & (known | clipped)
    size = -1
    while size != region.sum():
        size = int(region.sum())
        grown = region | turned(region & right, 1) | (_left(region) & right)
        grown[1:] |= region[:-1] & down
        grown[:-1] |= region[1:] & down
        region = grown & above
    return region


def _left(whole: _Any) -> _Any:
    """Every cell's right-hand neighbour in its place; the frame closes."""
    return turned(whole, -1)


def _joined(
    a: Matrix, b: Matrix, known_a: Cells, known_b: Cells, clipped_a: Cells, clipped_b: Cells
) -> Cells:
    smooth = known_a & known_b & np.all(np.abs(a - b) < STEP, axis=-1)
    glare = (clipped_a & (b[..., 2] > NEARLY_CLIPPED)) | (clipped_b & (a[..., 2] > NEARLY_CLIPPED))
    joined: Cells = smooth | (glare & (known_a | clipped_a) & (known_b | clipped_b))
    return joined


def _skyline(seen: Matrix, region: Cells) -> float:
    """Whether what stands under the region is darker than its lower edge."""
    height = len(seen)
    columns = np.flatnonzero(region.any(axis=0))
    if not len(columns):
        return -4.0
    edge = height - 1 - np.argmax(region[::-1, columns], axis=0)
    below = [seen[np.minimum(edge + step, height - 1), columns, 2] for step in (1, 2, 3)]
    step = float(np.median(seen[edge, columns, 2] - np.mean(below, axis=0)))
    return float(4 * np.tanh((step - SKYLINE_STEP) / 0.4))


def _brightest(seen: Matrix, region: Cells) -> float:
    """Whether anything at eye level is brighter than the region: a window seen from inside is."""
    height, width = region.shape
    area = np.repeat(pixel_solid_angle(height)[:, None], width, axis=1)
    eye = (np.abs(pitch_of_row(np.arange(height), height)) < EYE_DEG)[:, None] & ~region
    if not region.any() or not eye.any():
        return 0.0
    margin = weighted_quantile(seen[region, 2], area[region], 0.5) - weighted_quantile(
        seen[eye, 2], area[eye], 0.97
    )
    return float(np.clip(5 * (margin + BRIGHTEST_BELOW), -8, 0.5) + np.clip(2 * (margin - 0.3), 0, 1.5))


def _blue(seen: Matrix, region: Cells, readable: Cells, camera_blue: float | None) -> float:
    """Whether the bluest fifth of the region is daylight or bluer; what is all clipped says nothing."""
    share = readable.sum() / max(int(region.sum()), 1)
    if share < LEAST_READABLE:
        return 0.0
    blue = float(np.quantile(seen[readable, 1], 0.8))
    if camera_blue is None:
        return float(2.5 * np.tanh((blue - BLUE_WITHOUT_CAMERA) / 0.25))
    light = blue + camera_blue
    return float(5 * np.tanh((light - BLUE_OF_SKY) / 0.25) + 3 * np.clip((light - DEEP_BLUE) / 0.1, 0, 1))
