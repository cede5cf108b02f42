"""The large-scale light of a frame, its *base*, in a grid over the sphere and over log2 luminance.

The base of a pixel is the mean log2 luminance of what lies around it *and* is about as bright: a bilateral
filter. Small differences within a surface are detail, a window against its wall is base, and neither the
wall near the window nor the view near its frame is mistaken for the other. The filter is computed in a
coarse grid of yaw, pitch and log2 luminance that closes on the sphere. In each cell the base is then a curve
over luminance, and a full-size pixel reads the curve of its place.

References
----------
.. [1] J. Chen, S. Paris, F. Durand, Real-time edge-aware image processing with the bilateral grid,
   SIGGRAPH 2007.
.. [2] C. Tomasi, R. Manduchi, Bilateral filtering for gray and color images, ICCV 1998.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.easing import smooth_step
from panopipe.sphere.filters import smooth
from panopipe.sphere.wrap import pad

Plane32 = NDArray[np.float32]
Float = NDArray[np.float64]

GRID_WIDTH = 64
"""Columns of the grid, 5.6 degrees each; half as many rows."""
FINE_WIDTH = 512
"""Width, at most, at which log2 luminance is sorted into the grid."""
SPREAD_DEG = 6.0
"""Standard deviation of the window around a pixel."""
LEVEL_EV = 0.4
"""Step of the grid in log2 luminance. Light that differs by three steps or more is never mixed; an edge of
1 EV stays in the base but for a fortieth."""
UNSEEN = 1e-3
"""Weight, against all light around, of a level's own luminance: a level that is not seen is its own base."""
DARKEST_EV = -20.0
"""Log2 luminance below which light counts as black."""
CLOSE_PX, CLOSE_EV = 2, 0.7
"""How far around, at `FINE_WIDTH`, and within which difference (standard deviation) a pixel is compared."""
EVEN_EV, ROUGH_EV = 0.012, 0.045
"""Difference from what is close that is noise and fall of light, and from where on it is texture."""

THING_PX = 7
"""Half the width, at `FINE_WIDTH`, up to which what is darker than all around it is a thing: 5 degrees."""
THING_FROM_EV, THING_OVER_EV = 0.3, 0.5
"""How much darker it must be, and over how many EV that becomes sure."""


@dataclass(frozen=True, slots=True)
class Base:
    """The base as curves over log2 luminance.

    Attributes
    ----------
    lowest_ev : float
        Log2 luminance of the first level; the others follow every `LEVEL_EV`.
    curves_ev : ndarray of shape (rows, levels, columns), dtype float64
        Base of each level in each cell of a whole 2:1 grid.
    seen : ndarray of shape (rows, levels, columns), dtype float64
        Share of the light around the cell that lies at the level; sums to 1 along levels.
    rough : ndarray of shape (rows, levels, columns), dtype float64
        How much of the light that the base of the level is the mean of differs from what is close to it, as
        texture does and the smooth fall of a lamp's light does not; 0 to 1.
    thing : ndarray of shape (rows, levels, columns), dtype float64
        How much of it is that of small things darker than what they stand before, in the same light; 0 to 1.
    """

    lowest_ev: float
    curves_ev: Float
    seen: Float
    rough: Float
    thing: Float

    @property
    def levels_ev(self) -> Float:
        """Log2 luminance of the levels."""
        levels: Float = self.lowest_ev + LEVEL_EV * np.arange(self.curves_ev.shape[1], dtype=np.float64)
        return levels


VIEW_REACH_EV = 0.8
"""Standard deviation in log2 luminance within which the light of a view is mixed."""


def with_views(base: Base, part: Float) -> Base:
    """Base in which light of a view is mixed more widely, so that a view keeps the contrast of its own.

    Parameters
    ----------
    base : Base
        As found.
    part : ndarray of shape (levels,)
        How far each level belongs to a view: at 0 it stays as it is, and others don't mix with it.
    """
    levels = base.levels_ev
    near = np.exp(-0.5 * ((levels[:, None] - levels) / VIEW_REACH_EV) ** 2) * part
    weight = np.einsum("lm,rmc->rlc", near, base.seen)
    light = np.einsum("lm,rmc->rlc", near, base.seen * base.curves_ev)
    mixed = (light + UNSEEN * base.curves_ev) / (weight + UNSEEN)
    return replace(base, curves_ev=base.curves_ev + part[:, None] * (mixed - base.curves_ev))


SAME_LIGHT_EV, OTHER_LIGHT_EV = 1.3, 3.0
"""How far above a surface what lies around it may be and still tell the light that falls on it (standard
deviation), and from where on it is lit otherwise. White paint reflects 2.15 EV more than an 18 % card."""
OTHER_OVER_EV = 0.8
THINGS = 0.5
"""Share of a level that things fill, from where on it is treated as theirs."""


def with_surroundings(base: Base) -> Base:
    """Base in which a small dark thing has the light of the brighter surfaces around it.

    A card on a wall, a chair before it: what is dark there is the thing, not the light. So a level is mixed
    with those above it, as far as one light reaches, and each by the share of the surroundings that it fills.
    A large surface outweighs the brighter ones around it and keeps its own light.
    """
    above = base.levels_ev - base.levels_ev[:, None]
    near = np.where(above > 0, np.exp(-0.5 * (above / SAME_LIGHT_EV) ** 2), 0)
    near *= 1 - smooth_step((above - OTHER_LIGHT_EV + OTHER_OVER_EV) / OTHER_OVER_EV)
    near += np.eye(len(near))
    weight = np.einsum("lm,rmc->rlc", near, base.seen)
    light = np.einsum("lm,rmc->rlc", near, base.seen * base.curves_ev)
    mixed = (light + UNSEEN * base.curves_ev) / (weight + UNSEEN)
    thing = smooth_step(base.thing / THINGS)
    return replace(base, curves_ev=base.curves_ev + thing * (mixed - base.curves_ev))


def log2_luminance(rows: Plane32, weights: NDArray[np.float64]) -> Plane32:
    """Log2 of a frame's luminance, black at `DARKEST_EV`, at most `FINE_WIDTH` wide.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        A whole 2:1 frame.
    weights : ndarray of shape (3,)
        Shares of the components in luminance.
    """
    luminance = cv2.transform(rows, weights.reshape(1, 3).astype(np.float32))
    light_ev: Plane32 = np.log2(np.maximum(luminance, np.float32(2.0**DARKEST_EV)))
    if light_ev.shape[1] <= FINE_WIDTH:
        return light_ev
    size = (FINE_WIDTH, FINE_WIDTH // 2)
    return np.asarray(cv2.resize(light_ev, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def find_base(light_ev: Plane32) -> Base:
    """Base of a whole frame.

    Parameters
    ----------
    light_ev : ndarray of shape (height, width), dtype float32
        Log2 luminance of the whole frame at reduced size.

    Returns
    -------
    Base
        Curves on a grid of at most `GRID_WIDTH` columns.
    """
    lowest = np.floor(light_ev.min() / LEVEL_EV) * LEVEL_EV - LEVEL_EV
    count = int(np.ceil((light_ev.max() - lowest) / LEVEL_EV)) + 2
    sums = _splatted(light_ev, (_roughness(light_ev), _things(light_ev)), lowest, count)
    share, light, rough, thing = _between_levels(sums.transpose(0, 1, 3, 2))
    rows, columns = share.shape[:2]
    around = smooth(np.concatenate([share, light, rough, thing], axis=-1), SPREAD_DEG)
    share, light, rough, thing = around.reshape(rows, columns, 4, count).transpose(2, 0, 1, 3)
    mean = (light + UNSEEN * np.arange(count)) / (share + UNSEEN)
    seen = share / share.sum(axis=-1, keepdims=True)
    planes = (lowest + LEVEL_EV * mean, seen, rough / (share + UNSEEN), thing / (share + UNSEEN))
    return Base(float(lowest), *(plane.transpose(0, 2, 1) for plane in planes))


def _roughness(light_ev: Plane32) -> Float:
    """How far each pixel differs from what is close to it and about as bright, 0 to 1."""
    margin = min(2 * CLOSE_PX, light_ev.shape[0])
    wide = np.ascontiguousarray(pad(light_ev, margin))
    close = cv2.bilateralFilter(wide, 2 * CLOSE_PX + 1, CLOSE_EV, CLOSE_PX)[margin:-margin, margin:-margin]
    rough: Float = np.clip((np.abs(light_ev - close) - EVEN_EV) / (ROUGH_EV - EVEN_EV), 0, 1)
    return rough


def _things(light_ev: Plane32) -> Float:
    """How far each pixel is that of a small thing darker than all around it, in the same light, 0 to 1.

    A closing fills what is dark and narrow, and leaves a fall of light, however steep, as it is.
    """
    margin = min(2 * THING_PX, light_ev.shape[0])
    wide = np.ascontiguousarray(pad(light_ev, margin))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * THING_PX + 1,) * 2)
    filled = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc)[margin:-margin, margin:-margin]
    darker = (filled - light_ev).astype(np.float64)
    other = smooth_step((darker - OTHER_LIGHT_EV + OTHER_OVER_EV) / OTHER_OVER_EV)
    return smooth_step((darker - THING_FROM_EV) / THING_OVER_EV) * (1 - other)


def _splatted(light_ev: Plane32, marks: tuple[Float, ...], lowest: float, count: int) -> Float:
    """By cell row, level and cell column: share of pixels, and share times level and times each mark."""
    height, width = light_ev.shape
    columns = min(GRID_WIDTH, width)
    rows = columns // 2
    row = np.arange(height) * rows // height
    column = np.arange(width) * columns // width
    level = (light_ev.astype(np.float64) - lowest) / LEVEL_EV
    below = level.astype(np.intp)
    part = level - below
    place = (row[:, None] * count + below) * columns + column
    size = rows * count * columns
    weight = np.concatenate([(1 - part).ravel(), part.ravel()])
    places = np.concatenate([place.ravel(), (place + columns).ravel()])
    pixels = np.outer(np.bincount(row, minlength=rows), np.bincount(column, minlength=columns))[:, None, :]
    weights = [weight, *(weight * np.tile(value.ravel(), 2) for value in (level, *marks))]
    sums = [np.bincount(places, each, size) for each in weights]
    return np.stack([plane.reshape(rows, count, columns) / pixels for plane in sums])


def _between_levels(values: Float) -> Float:
    """Mix each level a little with its neighbours, along the last axis."""
    padded = np.pad(values, [(0, 0)] * (values.ndim - 1) + [(1, 1)])
    mixed: Float = (padded[..., :-2] + 2 * padded[..., 1:-1] + padded[..., 2:]) / 4
    return mixed
