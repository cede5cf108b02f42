"""A straight strip of floor drawn flat: along and aside, in camera heights from the nadir."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.sampling import REACH, sample_frame

Picture = NDArray[np.float32]
Float = NDArray[np.float64]
Place = tuple[NDArray[np.int64], NDArray[np.int64]]

_ROWS_AT_ONCE = 64


@dataclass(frozen=True, slots=True)
class Line:
    """Where a strip lies: its direction from the nadir, and how far to the right of the nadir it runs."""

    yaw_deg: float
    offset: float


def furthest(rows: Picture, first: int) -> float:
    """Distance from the nadir, in camera heights, to which rows of a frame from `first` on can be drawn."""
    height = rows.shape[1] // 2
    return math.tan((height - first - REACH - 2) * math.pi / height)


def draw_strip(rows: Picture, first: int, line: Line, along: Float, across: Float) -> Picture:
    """The floor along a line: shape (len(along), len(across), 3)."""
    width = rows.shape[1]
    aside = across + line.offset
    far = np.hypot(along[:, None], aside[None, :])
    yaw = math.radians(line.yaw_deg) + np.arctan2(aside[None, :], along[:, None])
    columns = (yaw / (2 * np.pi) + 0.5) * width - 0.5
    lines = width / 2 - 0.5 - np.arctan(far) * (width / (2 * np.pi))
    return sample_frame(rows, first, columns.astype(np.float32), lines.astype(np.float32), kernel="lanczos")


def put_strip(
    rows: Picture, first: int, line: Line, along: Float, across: Float, strip: Picture, cover: Picture
) -> None:
    """Put a strip into the rows of a frame, in place, only where `cover` is above zero."""
    for place, at in _pixels_of(rows, first, line, along, across):
        share = cv2.remap(cover, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)[..., None]
        new = cv2.remap(strip, *at, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
        old = rows[place]
        rows[place] = np.where(share > 0, old + (new - old) * share, old)


def brighten_strip(rows: Picture, first: int, line: Line, along: Float, across: Float, lost: Picture) -> None:
    """Give the rows of a frame back, in place, what log light they have lost along a strip.

    Parameters
    ----------
    lost : ndarray of shape (len(along), len(across), 3), dtype float32
        Natural logarithm; zero at all borders.
    """
    for place, at in _pixels_of(rows, first, line, along, across):
        gain = cv2.remap(lost, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        old = rows[place]
        rows[place] = np.where(gain > 0, old * np.exp(gain), old)


def _pixels_of(
    rows: Picture, first: int, line: Line, along: Float, across: Float
) -> Iterator[tuple[Place, tuple[Picture, Picture]]]:
    """Pixels of a frame that may lie in a strip, some rows at once, and their columns and rows in it."""
    width = rows.shape[1]
    starts, steps = (along[0], across[0]), (along[1] - along[0], across[1] - across[0])
    widest = float(np.abs(across).max())
    nearest = math.hypot(max(along[0], 0.0), max(abs(line.offset) - widest, 0.0))
    reach = math.hypot(max(abs(along[0]), along[-1]), abs(line.offset) + widest)
    for top in range(0, len(rows), _ROWS_AT_ONCE):
        lines = np.arange(top, min(top + _ROWS_AT_ONCE, len(rows)))
        far = np.tan((width / 2 - 0.5 - (lines + first)) * (2 * np.pi / width))
        use = (far > nearest) & (far < reach)
        if not use.any():
            continue
        lines, far = lines[use], far[use]
        columns = _columns_of(line, width, along[0], (abs(line.offset) + widest) / float(far.min()))
        yaw = (columns + 0.5) / width * 2 * np.pi - np.pi - math.radians(line.yaw_deg)
        ahead, aside = far[:, None] * np.cos(yaw), far[:, None] * np.sin(yaw) - line.offset
        at = (
            ((aside - starts[1]) / steps[1]).astype(np.float32),
            ((ahead - starts[0]) / steps[0]).astype(np.float32),
        )
        yield (lines[:, None], columns[None, :] % width), at


def _columns_of(line: Line, width: int, start: float, aside: float) -> NDArray[np.int64]:
    """Columns of a frame between which a strip lies; all of them where it passes beside the nadir."""
    if start <= 0 or aside >= 1:
        return np.arange(width)
    centre = round((line.yaw_deg / 360 + 0.5) * width - 0.5)
    reach = math.ceil(math.asin(aside) * width / (2 * np.pi)) + 1
    return np.arange(centre - reach, centre + reach + 1)
