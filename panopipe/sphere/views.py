"""Flat (gnomonic) views of the sphere: from the frame, and back into it.

A view is what an ideal lens without distortion sees: straight lines stay straight, and a plane floor seen
straight down keeps its true shape. Samples lie at pixel centres, as everywhere in the house.

Both ways are anti-aliased. On the way out, rows near a pole are averaged sideways first (there, one pixel
of the view spans many columns), and a view coarser than the frame is drawn finer and averaged down. On the
way back, a picture finer than the frame is averaged down before it is sampled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.sphere.geometry import pixel_of, yaw_pitch

Float = NDArray[np.float64]
Picture = NDArray[np.float32]

REACH = 4
"""Pixels that the widest kernel (Lanczos over 8 x 8) reaches to each side."""

_MOST_SHARED = 32
"""Most columns that are drawn at once near the nadir."""

_KERNELS = {"linear": cv2.INTER_LINEAR, "cubic": cv2.INTER_CUBIC, "lanczos": cv2.INTER_LANCZOS4}


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A flat view.

    Attributes
    ----------
    width, height : int
        Pixels of the view.
    focal_px : float
        Distance of the picture plane in pixels: a pixel at the centre spans 1/focal_px radians.
    axes : ndarray of shape (3, 3), dtype float64
        Columns: the directions in the frame of the view's right, its up and its line of sight.
    """

    width: int
    height: int
    focal_px: float
    axes: Float = field(repr=False)

    def plane(self) -> tuple[Float, Float]:
        """Right (1, width) and up (height, 1) of the pixel centres, in focal lengths."""
        right = (np.arange(self.width) + 0.5 - self.width / 2) / self.focal_px
        up = (self.height / 2 - np.arange(self.height) - 0.5) / self.focal_px
        return right.astype(np.float64)[None, :], up.astype(np.float64)[:, None]

    def directions(self) -> Float:
        """Directions of the pixel centres, shape (height, width, 3), not of unit length."""
        right, up = np.broadcast_arrays(*self.plane())
        ahead = np.ones_like(right)
        seen: Float = np.stack([right, up, ahead], axis=-1) @ self.axes.T
        return seen

    def index_of(self, direction: ArrayLike) -> tuple[Float, Float]:
        """Column and row index (integers at pixel centres) of directions (..., 3); NaN behind the view."""
        right, up, ahead = np.moveaxis(np.asarray(direction, dtype=np.float64) @ self.axes, -1, 0)
        scale = self.focal_px / np.where(ahead > 1e-9, ahead, np.nan)
        return self.width / 2 - 0.5 + right * scale, self.height / 2 - 0.5 - up * scale


def looking(
    yaw_deg: float, pitch_deg: float, *, field_deg: float, width: int, height: int | None = None
) -> View:
    """View towards a direction, upright.

    Parameters
    ----------
    yaw_deg, pitch_deg : float
        Line of sight. At the zenith and the nadir, yaw says which direction is up in the view (at the
        nadir: forward is up; at the zenith: forward is down).
    field_deg : float
        Angle from the left edge of the leftmost pixels to the right edge of the rightmost ones, below 180.
    width, height : int
        Pixels; square if no height is given.

    Raises
    ------
    ValueError
        If the field is not between 0 and 180 degrees.
    """
    if not 0 < field_deg < 180:
        raise ValueError(f"a flat view of {field_deg:g} degrees cannot be; it must lie between 0 and 180")
    yaw, pitch = math.radians(yaw_deg), math.radians(pitch_deg)
    right = (math.cos(yaw), 0.0, -math.sin(yaw))
    up = (-math.sin(pitch) * math.sin(yaw), math.cos(pitch), -math.sin(pitch) * math.cos(yaw))
    ahead = (math.cos(pitch) * math.sin(yaw), math.sin(pitch), math.cos(pitch) * math.cos(yaw))
    focal_px = width / 2 / math.tan(math.radians(field_deg) / 2)
    return View(width, height or width, focal_px, np.array([right, up, ahead]).T)


def straight_down(size_px: int, focal_px: float, heading_deg: float = 0.0) -> View:
    """Square view of the floor with the heading at its top; one focal length is one camera height."""
    heading = math.radians(heading_deg)
    sine, cosine = math.sin(heading), math.cos(heading)
    axes = np.array([(cosine, 0.0, -sine), (sine, 0.0, cosine), (0.0, -1.0, 0.0)]).T
    return View(size_px, size_px, focal_px, axes)


def frame_focal_px(width: int) -> float:
    """Focal length at which a view's centre has the resolution of a frame `width` wide."""
    return width / (2 * math.pi)


def rows_needed(view: View, width: int) -> tuple[int, int]:
    """First row and one past the last row of a frame `width` wide that a view reads, kernels included."""
    height = width // 2
    _, rows = pixel_of(*yaw_pitch(view.directions()), width)
    first = max(0, math.floor(float(rows.min())) - REACH)
    last = min(height, math.ceil(float(rows.max())) + 1 + REACH)
    return first, last


def view_from_frame(rows: Picture, first: int, view: View, *, kernel: str = "cubic") -> Picture:
    """Draw a view from the rows of a frame.

    Parameters
    ----------
    rows : ndarray of shape (n, width) or (n, width, channels), dtype float32
        Neighbouring rows of a frame; all that the view needs (see `rows_needed`).
    first : int
        Row of the frame that `rows[0]` is.
    view : View
        What to draw.
    kernel : str
        "linear", "cubic" or "lanczos".

    Returns
    -------
    ndarray of shape (view.height, view.width[, channels]), dtype float32

    Raises
    ------
    ValueError
        If rows are missing.
    """
    width = rows.shape[1]
    finer = max(1, math.ceil(frame_focal_px(width) / view.focal_px - 1e-6))
    drawn = View(view.width * finer, view.height * finer, view.focal_px * finer, view.axes)
    columns, lines = frame_index_of_view(drawn, width)
    picture = sample_frame(rows, first, columns, lines, kernel=kernel)
    if finer > 1:
        picture = cv2.resize(picture, (view.width, view.height), interpolation=cv2.INTER_AREA)
    return picture


def frame_index_of_view(view: View, width: int) -> tuple[Picture, Picture]:
    """Column (not wrapped) and row index in a frame `width` wide of each pixel of a view, in float32."""
    right, up = (part.astype(np.float32) for part in view.plane())
    if view.axes[1, 2] == -1:
        return _index_of_view_down(view, right, up, width)
    x, y, z = (
        np.float32(axis[0]) * right + np.float32(axis[1]) * up + np.float32(axis[2]) for axis in view.axes
    )
    columns = np.arctan2(x, z)
    columns *= np.float32(width / (2 * np.pi))
    columns += np.float32(width / 2 - 0.5)
    lines = np.arctan2(y, np.hypot(x, z))
    lines *= np.float32(-width / (2 * np.pi))
    lines += np.float32(width / 4 - 0.5)
    return columns, lines


def _index_of_view_down(view: View, right: Picture, up: Picture, width: int) -> tuple[Picture, Picture]:
    """The same for a view straight down: one quarter is computed, the others mirror it."""
    across, down = view.width // 2, (view.height + 1) // 2
    right, up = right[:, across:], up[:down]
    yaw = np.arctan2(right, up)
    yaw *= np.float32(width / (2 * np.pi))
    lines = np.arctan(np.hypot(right, up))
    lines *= np.float32(-width / (2 * np.pi))
    lines += np.float32(width / 2 - 0.5)
    heading = math.atan2(view.axes[0, 1], view.axes[2, 1]) / (2 * np.pi)
    middle = np.float32(width * (0.5 + heading) - 0.5)
    columns: Picture = np.empty((view.height, view.width), np.float32)
    np.add(yaw, middle, out=columns[:down, across:])
    np.subtract(np.float32(middle + width / 2), yaw[: view.height - down][::-1], out=columns[down:, across:])
    columns[:, :across] = 2 * middle - columns[:, view.width - across :][:, ::-1]
    lines = np.concatenate([lines[:, view.width - 2 * across :][:, ::-1], lines], axis=1)
    return columns, np.concatenate([lines, lines[: view.height - down][::-1]])


def sample_frame(
    rows: Picture,
    first: int,
    columns: Float | Picture,
    lines: Float | Picture,
    *,
    kernel: str = "cubic",
    even_near_poles: bool = True,
) -> Picture:
    """Sample rows of a frame at column and row indices, around the side edges and over the poles.

    Rows near a pole are averaged sideways first, for samples that lie as far apart there as elsewhere;
    `even_near_poles` switches that off, for samples that crowd there as the frame's own pixels do.

    Raises
    ------
    ValueError
        If a sample lies outside the rows.
    """
    width = rows.shape[1]
    height, last = width // 2, first + rows.shape[0]
    top, bottom = float(lines.min()), float(lines.max())
    if (first > 0 and top < first) or (last < height and bottom > last - 1):
        raise ValueError(f"rows {top:.1f} to {bottom:.1f} are needed, rows {first} to {last - 1} were given")
    begin = max(first, math.floor(top) - REACH)
    end = min(last, math.ceil(bottom) + 1 + REACH)
    cut = rows[begin - first : end - first]
    shared = _columns_of_a_sample(begin, end, width) if even_near_poles else 1
    if shared > 1:
        cut = cv2.resize(cut, (width // shared, len(cut)), interpolation=cv2.INTER_AREA)
    padded = _continued(cut, begin, height, even_near_poles=even_near_poles)
    # One wrap is enough for a yaw within a turn, and much cheaper than a modulus.
    wrapped = columns - width * np.floor((columns + 0.5) / width) if _beyond(columns, width) else columns
    map_x = np.asarray((wrapped + 0.5) / np.float32(shared) + (REACH - 0.5), np.float32)
    map_y = np.asarray(lines - (begin - REACH), np.float32)
    sampled: Picture = cv2.remap(padded, map_x, map_y, _KERNELS[kernel], borderMode=cv2.BORDER_REPLICATE)
    return sampled


def _beyond(columns: Float | Picture, width: int) -> bool:
    return float(columns.min()) < -0.5 or float(columns.max()) > width - 0.5


def _columns_of_a_sample(begin: int, end: int, width: int) -> int:
    """How many columns, a power of two, one pixel at the equator spans at least in each of some rows."""
    height = width // 2
    crossed = begin < height / 2 < end
    farthest = 0.0 if crossed else min(abs(begin + 0.5 - height / 2), abs(end - 0.5 - height / 2))
    spans, shared = 1 / math.cos(math.pi / height * farthest), 1
    while 2 * shared <= spans and width % (4 * shared) == 0:
        shared *= 2
    return shared


def _smooth_near_poles(padded: Picture, first: int, height: int) -> None:
    """Average each row sideways over what one pixel at the equator spans there (odd widths from 3).

    The rows are padded by REACH at their sides, which are left as they are.
    """
    rows = padded[:, REACH:-REACH]
    count, width = rows.shape[:2]
    line = np.arange(first, first + count)
    from_pole = np.pi / height * np.minimum(line + 0.5, height - line - 0.5)
    spans = np.minimum(width / (2 * height) / np.sin(from_pole), width / 2)
    odd = (2 * np.floor(spans / 2 + 0.25) + 1).astype(int)
    # Runs of rows of one width, the narrow ones at once; the padding is as wide as they need.
    cuts = np.flatnonzero(np.diff(odd, prepend=-1, append=-1))
    for start, end in pairwise(cuts):
        wide = int(odd[start])
        if wide < 3:
            continue
        if wide <= 2 * REACH + 1:
            rows[start:end] = cv2.blur(padded[start:end], (wide, 1))[:, REACH:-REACH]
            continue
        for at in range(start, end):
            row = np.concatenate([rows[at, width - wide // 2 :], rows[at], rows[at, : wide // 2]])[None]
            rows[at] = cv2.blur(row, (wide, 1))[0, wide // 2 : wide // 2 + width]


def _continued(rows: Picture, first: int, height: int, *, even_near_poles: bool) -> Picture:
    """Pad rows by REACH on all sides: wrapped, over a pole where they touch it, else repeated."""
    count, width = rows.shape[:2]
    reach = min(REACH, count)
    padded: Picture = np.empty((count + 2 * REACH, width + 2 * REACH, *rows.shape[2:]), rows.dtype)
    inside = padded[:, REACH : REACH + width]
    own = inside[REACH : REACH + count]
    own[:] = rows
    if even_near_poles:
        _wrap(padded[REACH : REACH + count], width)
        _smooth_near_poles(padded[REACH : REACH + count], first, height)
    inside[:REACH], inside[REACH + count :] = own[0], own[-1]
    if first == 0:
        inside[REACH - reach : REACH] = np.roll(own[:reach][::-1], width // 2, axis=1)
        inside[: REACH - reach] = inside[REACH - reach]
    if first + count == height:
        end = REACH + count + reach
        inside[REACH + count : end] = np.roll(own[count - reach :][::-1], width // 2, axis=1)
        inside[end:] = inside[end - 1]
    _wrap(padded, width)
    return padded


def _wrap(padded: Picture, width: int) -> None:
    padded[:, :REACH] = padded[:, width : width + REACH]
    padded[:, REACH + width :] = padded[:, REACH : 2 * REACH]


def frame_from_view(
    picture: Picture, view: View, width: int, first: int, last: int, *, kernel: str = "cubic"
) -> Picture:
    """Draw rows `first` to `last` of a frame `width` wide from a view; zero where the view does not reach.

    Parameters
    ----------
    picture : ndarray of shape (view.height, view.width) or (view.height, view.width, channels), float32
        What the view shows.

    Returns
    -------
    ndarray of shape (last - first, width[, channels]), dtype float32
    """
    picture, view = _no_finer(picture, view, frame_focal_px(width))
    return _drawn(picture, *view_index_of_frame(view, width, first, last), kernel)


def _drawn(picture: Picture, columns: Picture, lines: Picture, kernel: str) -> Picture:
    outside = np.isnan(columns)
    if outside.any():
        columns, lines = columns.copy(), lines.copy()
        columns[outside] = lines[outside] = -10 * REACH
    drawn: Picture = cv2.remap(
        picture, columns, lines, _KERNELS[kernel], borderMode=cv2.BORDER_CONSTANT, borderValue=0
    )
    return drawn


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


def _no_finer(picture: Picture, view: View, focal_px: float) -> tuple[Picture, View]:
    factor = view.focal_px / focal_px
    if factor < 1.5:
        return picture, view
    width, height = max(1, round(view.width / factor)), max(1, round(view.height / factor))
    shrunk = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
    # A square pixel is needed on both axes: the sides are rounded, the focal length follows the width.
    return shrunk, View(width, height, view.focal_px * width / view.width, view.axes)


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
    touched: list[int] = []
    for top, bottom, shared in _octaves(coarse, width, first + begin, first + end):
        part = rows[top - first : bottom - first]
        touched += _write_rows(part, top, coarse, picture, cover, shared, kernel)
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


def _write_rows(
    rows: Picture, first: int, view: View, picture: Picture, cover: Picture, shared: int, kernel: str
) -> list[int]:
    """Put a view into some rows, drawn for each `shared` columns at once; returns the rows touched."""
    width, last = rows.shape[1], first + len(rows)
    share = _drawn(cover, *view_index_of_frame(view, width, first, last), "linear")
    touched = np.flatnonzero(share.any(axis=1))
    if touched.size == 0:
        return []
    top, bottom = int(touched[0]), int(touched[-1]) + 1
    part, weight = rows[top:bottom], np.clip(share[top:bottom], 0.0, 1.0)
    columns, lines = view_index_of_frame(view, width, first + top, first + bottom, shared=shared)
    drawn = _spread(_drawn(picture, columns, lines, kernel), shared)
    full, partly = weight >= 1, (weight > 0) & (weight < 1)
    cv2.copyTo(drawn, full.astype(np.uint8), part)
    part[partly] += (drawn[partly] - part[partly]) * weight[partly][:, None]
    return [first + int(row) for row in touched]


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
