"""What the bright, unsaturated parts of a frame tell of the lights around its saturated ones."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.filters import smooth
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.studies.clipped.rebuild import SATURATED, TRUSTED, Floats, Lights, smooth_step

_WIDTH = 128
"""Columns of the map; its detail is far coarser."""
_MOST = 1024
"""Rows of a map that was kept; no frame is looked at more closely."""
_NEAR_DEG, _FAR_DEG = 3.0, 15.0
_EVIDENCE = 0.02
"""Weight of "no warmth, no tint" against the surroundings, as a share of full evidence everywhere."""
_BRIGHT_FROM, _BRIGHT_TO = 0.15, 0.5
_MOST_WARMTH, _MOST_TINT = 2.0, 0.15
"""Beyond such a tint it is the colour of a surface and tells nothing: a lawn is no green light, nor warm."""
_DARKEST = 1e-4


@dataclass(frozen=True, slots=True)
class Surroundings:
    """A frame's saturation.

    Attributes
    ----------
    warmth_tint : ndarray of shape (height, width, 2), dtype float64
        Low-resolution map over the whole sphere, see `panopipe.studies.clipped.rebuild.rebuilt_gain`.
    any_percent, all_percent : float
        Share of the sphere, by solid angle, where at least one plane, and where all planes, saturate.
    """

    warmth_tint: Floats
    any_percent: float
    all_percent: float

    def is_sound(self) -> bool:
        """Whether it can be what `survey` gives: it may have been kept where others can write."""
        height = min(len(self.warmth_tint), _MOST) if isinstance(self.warmth_tint, np.ndarray) else 0
        percents = (self.any_percent, self.all_percent)
        return is_array(self.warmth_tint, (height, 2 * height, 2)) and all(
            isinstance(percent, float) and 0 <= percent <= 100.001 for percent in percents
        )


def is_array(value: object, shape: tuple[int, ...]) -> bool:
    """Whether a value is an array of finite float64 of this shape, and not an empty one."""
    if not isinstance(value, np.ndarray) or value.dtype != np.float64 or value.shape != shape:
        return False
    return 0 not in shape and bool(np.isfinite(value).all())


def read_map(
    values: Floats, rows: NDArray[np.intp], columns: NDArray[np.intp], width: int
) -> tuple[Floats, Floats]:
    """Warmth and tint at pixels of the full frame; bilinear, around the sides.

    Parameters
    ----------
    values : ndarray of shape (height, columns, 2), dtype float64
        The map.
    rows, columns : ndarray of shape (n,), dtype intp
        Pixels, columns counted from where the map begins; rows beyond a pole by the half-turn rule.
    width : int
        Of the full frame.
    """
    beyond = (rows < 0) | (rows >= width // 2)
    rows = np.where(beyond, (-1 - rows) % width, rows)
    columns = np.where(beyond, columns + width // 2, columns) % width
    per_pixel, height = values.shape[1] / width, len(values)
    x, y = (columns + 0.5) * per_pixel - 0.5, np.clip((rows + 0.5) * per_pixel - 0.5, 0, height - 1)
    left, above = np.floor(x).astype(np.intp), y.astype(np.intp)
    right, down = (x - left)[:, None], (y - above)[:, None]
    below, after, left = (
        np.minimum(above + 1, height - 1),
        (left + 1) % values.shape[1],
        left % values.shape[1],
    )
    top = values[above, left] + right * (values[above, after] - values[above, left])
    bottom = values[below, left] + right * (values[below, after] - values[below, left])
    warmth, tint = (top + down * (bottom - top)).T
    return warmth, tint


def survey(share: Floats, lights: Lights) -> Surroundings:
    """Learn from a whole frame at reduced size.

    Parameters
    ----------
    share : ndarray of shape (height, width, 3), dtype float64
        Samples as a share of the white level, picked from the frame (not averaged: a mean of saturated
        and other samples looks unsaturated).
    lights : Lights
        The frame's lights.
    """
    any_percent, all_percent = saturated_percent(share)
    if not any_percent:
        return Surroundings(np.zeros((1, 2, 2)), 0.0, 0.0)
    return Surroundings(_map(share, lights), any_percent, all_percent)


def saturated_percent(share: Floats) -> tuple[float, float]:
    """Share of the sphere, by solid angle, where at least one plane, and where all planes, saturate."""
    full = np.moveaxis(share, 2, 0) >= SATURATED
    weight = 100 * pixel_solid_angle(share.shape[0])[:, None] / (4 * np.pi)
    in_any, in_all = full[0] | full[1] | full[2], full[0] & full[1] & full[2]
    return float(np.sum(weight * in_any)), float(np.sum(weight * in_all))


def _map(share: Floats, lights: Lights) -> Floats:
    brightest = np.maximum(np.maximum(share[:, :, 0], share[:, :, 1]), share[:, :, 2])
    evidence = smooth_step(brightest, _BRIGHT_FROM, _BRIGHT_TO) * ~_near(brightest > TRUSTED)
    a = lights.share_of_red
    bright = np.nonzero(evidence)
    red, green, blue = np.log(np.maximum(share[bright] / lights.neutral, _DARKEST)).T
    warmth = np.clip(red - blue, -_MOST_WARMTH, _MOST_WARMTH)
    tint = green - a * red - (1 - a) * blue
    weight = evidence[bright] * (1 - smooth_step(np.abs(tint), 0, _MOST_TINT))
    told = np.zeros((*evidence.shape, 3))
    told[bright] = weight[:, None] * np.stack([np.ones_like(warmth), warmth, tint], axis=1)
    stack = _means(told)
    far, near = smooth(stack, _FAR_DEG), smooth(stack, _NEAR_DEG)
    wide = far[:, :, 1:] / (far[:, :, :1] + _EVIDENCE)
    mixed: Floats = (near[:, :, 1:] + _EVIDENCE * wide) / (near[:, :, :1] + _EVIDENCE)
    return mixed


def _near(saturated: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Saturated pixels and their neighbours, which may be mixtures with the wrong colour."""
    wide = np.concatenate([saturated[:, -1:], saturated, saturated[:, :1]], axis=1).astype(np.uint8)
    return np.asarray(cv2.dilate(wide, np.ones((3, 3), np.uint8))[:, 1:-1] > 0)


def _means(stack: Floats) -> Floats:
    """Block means down to about the map's width; the frame as it is if it is small or odd."""
    height, width = stack.shape[:2]
    step = max(width // _WIDTH, 1)
    if width % step or height % step or (width // step) % 2:
        return stack
    blocks = stack.reshape(height // step, step, width // step, step, -1)
    total = blocks[:, 0, :, 0].copy()  # whole planes at a time: numpy's own mean goes by threes
    for row, column in list(np.ndindex(step, step))[1:]:
        total += blocks[:, row, :, column]
    return np.asarray(total / step**2)
