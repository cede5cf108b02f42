"""Flat views put back into the frame, only where something is covered.

A picture finer than the frame is averaged down before it is sampled.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pixel_of, yaw_pitch
from panopipe.sphere.sampling import KERNELS, REACH
from panopipe.sphere.views import View, frame_focal_px

Picture = NDArray[np.float32]

_MOST_SHARED = 32
"""Most columns that are drawn at once near the nadir."""


def view_index_of_frame(
    view: View, width: int, first: int, last: int, *, shared: int = 1
) -> tuple[Picture, Picture]:
    """Column and row index in a view of each pixel of rows `first` to `last`; NaN behind the view.

    With `shared`, of the middle of each so many columns.
    """
    # A direction is linear in (cos p sin y, sin p, cos p cos y), so rows and columns part.
    yaw = (np.arange(width // shared) + 0.5) / (width // shared) * 2 * np.pi - np.pi
    pitch = np.pi / 2 - (np.arange(first, last) + 0.5) / (width // 2) * np.pi
    across = np.stack([np.sin(yaw), np.cos(yaw)])
    level, steep = np.cos(pitch)[:, None].astype(np.float32), np.sin(pitch)[:, None].astype(np.float32)
    right, up, ahead = (
        level * (axis[[0, 2]] @ across)[None, :].astype(np.float32) + steep * np.float32(axis[1])
        for axis in view.axes.T
    )
    if float(ahead.min()) <= 1e-6:
        ahead = np.where(ahead > 1e-6, ahead, np.float32(np.nan))
    scale = np.float32(view.focal_px) / ahead
    columns = right * scale + np.float32(view.width / 2 - 0.5)
    lines = np.float32(view.height / 2 - 0.5) - up * scale
    return columns, lines


def write_view(
    rows: Picture, first: int, view: View, picture: Picture, cover: Picture, *, kernel: str = "cubic"
) -> tuple[int, int]:
    """Put a view into the rows of a frame, in place, only where `cover` is above zero.

    Parameters
    ----------
    rows : ndarray of shape (n, width, channels), dtype float32
        Rows of a frame, changed in place. A pixel under zero cover keeps its bits.
    first : int
        Row of the frame that `rows[0]` is.
    view : View
        Where the picture lies.
    picture : ndarray of shape (view.height, view.width, channels), dtype float32
        What to write.
    cover : ndarray of shape (view.height, view.width), dtype float32
        How much of the picture to take, 0 to 1.

    Returns
    -------
    tuple of int
        First row and one past the last row that were touched.
    """
    width, last = rows.shape[1], first + rows.shape[0]
    begin, end = _rows_under(cover, view, width, first, last)
    if begin >= end:
        return first, first
    picture, coarse = _no_finer(picture, view, frame_focal_px(width))
    cover, _ = _no_finer(cover, view, frame_focal_px(width))
    covered = _first_covered(cover, coarse, width)
    touched: list[int] = []
    for top, bottom, shared in _octaves(coarse, width, first + begin, first + end):
        part, open_rows = rows[top - first : bottom - first], min(max(covered - top, 0), bottom - top)
        touched += _write_rows(part, top, coarse, picture, cover, open_rows, shared, kernel)
    return (touched[0], touched[-1] + 1) if touched else (first, first)


def _octaves(view: View, width: int, first: int, last: int) -> list[tuple[int, int, int]]:
    """Cut rows to where so many columns (a power of two) lie within half a pixel of a view straight down."""
    height = width // 2
    if view.axes[1, 2] != -1:
        return [(first, last, 1)]
    cuts, shared = [(first, 1)], 2
    while shared <= _MOST_SHARED and width % shared == 0:
        angle = math.atan(frame_focal_px(width) / (2 * shared * view.focal_px))
        cuts.append((math.ceil(height - 0.5 - angle * height / math.pi), shared))
        shared *= 2
    ends = [row for row, _ in cuts[1:]] + [last]
    parts = [(max(top, first), min(end, last), by) for (top, by), end in zip(cuts, ends, strict=True)]
    return [(top, bottom, by) for top, bottom, by in parts if top < bottom]


def _first_covered(cover: Picture, view: View, width: int) -> int:
    """First row from which on a view straight down covers all in full, as far as that is easily told."""
    height = width // 2
    if view.axes[1, 2] != -1:
        return height
    right, up = (part.astype(np.float32) for part in view.plane())
    open_to, _, _, _ = cv2.minMaxLoc(right * right + up * up, (cover < 1).view(np.uint8))
    if not open_to > 0:
        return height if (cover < 1).any() else 0
    # Two pixels nearer, all four samples that a pixel is made of are covered.
    angle = math.atan(max(0.0, math.sqrt(open_to) - 2 / view.focal_px))
    return min(height, math.ceil(height - 0.5 - angle * height / math.pi))


def _write_rows(
    rows: Picture,
    first: int,
    view: View,
    picture: Picture,
    cover: Picture,
    open_rows: int,
    shared: int,
    kernel: str,
) -> list[int]:
    """Put a view into some rows, drawn for each `shared` columns at once; returns the rows touched.

    Rows after the first `open_rows` are known to be covered in full.
    """
    width = rows.shape[1]
    share = np.empty((0, width), np.float32)
    if open_rows:
        share = _drawn(cover, *view_index_of_frame(view, width, first, first + open_rows), "linear")
    touched = np.flatnonzero(share.any(axis=1)).tolist() + list(range(open_rows, len(rows)))
    if not touched:
        return []
    top, bottom = touched[0], touched[-1] + 1
    columns, lines = view_index_of_frame(view, width, first + top, first + bottom, shared=shared)
    drawn = _spread(_drawn(picture, columns, lines, kernel), shared)
    if top < open_rows:
        end = min(open_rows, bottom)
        part, weight = rows[top:end], np.clip(share[top:end], 0.0, 1.0)
        some, full, partly = drawn[: end - top], weight >= 1, (weight > 0) & (weight < 1)
        cv2.copyTo(some, full.view(np.uint8), part)
        part[partly] += (some[partly] - part[partly]) * weight[partly][:, None]
    rows[open_rows:bottom] = drawn[open_rows - top :]
    return [first + row for row in touched]


def _spread(rows: Picture, shared: int) -> Picture:
    """Spread each column of whole rows over so many."""
    if shared == 1:
        return rows
    wide = np.concatenate([rows[:, -2:], rows, rows[:, :2]], axis=1)
    size = (wide.shape[1] * shared, len(rows))
    spread: Picture = cv2.resize(wide, size, interpolation=cv2.INTER_CUBIC)
    return spread[:, 2 * shared : -2 * shared]


def _rows_under(cover: Picture, view: View, width: int, first: int, last: int) -> tuple[int, int]:
    """Rows, counted from `first`, that anything covered can fall on."""
    grown = cv2.dilate((cover > 0).astype(np.uint8), np.ones((5, 5), np.uint8))
    if not grown.any():
        return 0, 0
    # The ends of what is covered lie on its edge, or at a pole.
    edge = grown > cv2.erode(grown, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    right, up = (part[edge] for part in np.broadcast_arrays(*view.plane()))
    seen = np.stack([right, up, np.ones_like(right)], -1) @ view.axes.T
    _, lines = pixel_of(*yaw_pitch(seen), width)
    top, bottom = float(lines.min()), float(lines.max())
    poles = view.index_of(((0.0, 1.0, 0.0), (0.0, -1.0, 0.0)))
    zenith, nadir = (_holds(grown, x, y) for x, y in zip(*poles, strict=True))
    # The pixels just around a pole fall between samples of the view: half a frame pixel more on each side.
    begin = 0 if zenith else math.floor(top) - 2
    end = width // 2 if nadir else math.ceil(bottom) + 3
    return max(begin - first, 0), max(min(end, last) - first, 0)


def _holds(mask: NDArray[np.uint8], x: float, y: float) -> bool:
    if math.isnan(x) or not (-0.5 <= x < mask.shape[1] - 0.5 and -0.5 <= y < mask.shape[0] - 0.5):
        return False
    return bool(mask[round(y), round(x)])


def _drawn(picture: Picture, columns: Picture, lines: Picture, kernel: str) -> Picture:
    outside = np.isnan(columns)
    if outside.any():
        columns, lines = columns.copy(), lines.copy()
        columns[outside] = lines[outside] = -10 * REACH
    drawn: Picture = cv2.remap(
        picture, columns, lines, KERNELS[kernel], borderMode=cv2.BORDER_CONSTANT, borderValue=0
    )
    return drawn


def _no_finer(picture: Picture, view: View, focal_px: float) -> tuple[Picture, View]:
    factor = view.focal_px / focal_px
    if factor < 1.5:
        return picture, view
    width, height = max(1, round(view.width / factor)), max(1, round(view.height / factor))
    shrunk = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
    # A square pixel is needed on both axes: the sides are rounded, the focal length follows the width.
    return shrunk, View(width, height, view.focal_px * width / view.width, view.axes)
