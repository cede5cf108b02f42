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

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.sphere.geometry import pixel_of, yaw_pitch

Float = NDArray[np.float64]
Picture = NDArray[np.float32]

REACH = 4
"""Pixels that the widest kernel (Lanczos over 8 x 8) reaches to each side."""

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
    padded = _continued(rows[begin - first : end - first], begin, even_near_poles=even_near_poles)
    # One wrap is enough for a yaw within a turn, and much cheaper than a modulus.
    wrapped = columns - width * np.floor((columns + 0.5) / width) if _beyond(columns, width) else columns
    map_x = np.asarray(wrapped + REACH, np.float32)
    map_y = np.asarray(lines - (begin - REACH), np.float32)
    sampled: Picture = cv2.remap(padded, map_x, map_y, _KERNELS[kernel], borderMode=cv2.BORDER_REPLICATE)
    return sampled


def _beyond(columns: Float | Picture, width: int) -> bool:
    return float(columns.min()) < -0.5 or float(columns.max()) > width - 0.5


def _smooth_near_poles(rows: Picture, first: int) -> None:
    """Average each row sideways over what one pixel at the equator spans there (odd widths from 3)."""
    width = rows.shape[1]
    height = width // 2
    line = np.arange(first, first + rows.shape[0])
    from_pole = np.pi / height * np.minimum(line + 0.5, height - line - 0.5)
    spans = np.minimum(1 / np.sin(from_pole), width / 2)
    odd = (2 * np.floor(spans / 2 + 0.25) + 1).astype(int)
    for at in np.flatnonzero(odd >= 3):
        reach = int(odd[at]) // 2
        row = np.concatenate([rows[at, width - reach :], rows[at], rows[at, :reach]])[None]
        wide = cv2.blur(row, (int(odd[at]), 1))
        rows[at] = wide[0, reach : reach + width]


def _continued(rows: Picture, first: int, *, even_near_poles: bool) -> Picture:
    """Pad rows by REACH on all sides: wrapped, over a pole where they touch it, else repeated."""
    count, width = rows.shape[:2]
    height, reach = width // 2, min(REACH, rows.shape[0])
    padded: Picture = np.empty((count + 2 * REACH, width + 2 * REACH, *rows.shape[2:]), rows.dtype)
    inside = padded[:, REACH : REACH + width]
    own = inside[REACH : REACH + count]
    own[:] = rows
    if even_near_poles:
        _smooth_near_poles(own, first)
    inside[:REACH], inside[REACH + count :] = own[0], own[-1]
    if first == 0:
        inside[REACH - reach : REACH] = np.roll(own[:reach][::-1], width // 2, axis=1)
        inside[: REACH - reach] = inside[REACH - reach]
    if first + count == height:
        end = REACH + count + reach
        inside[REACH + count : end] = np.roll(own[count - reach :][::-1], width // 2, axis=1)
        inside[end:] = inside[end - 1]
    padded[:, :REACH] = padded[:, width : width + REACH]
    padded[:, REACH + width :] = padded[:, REACH : 2 * REACH]
    return padded


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


def view_index_of_frame(view: View, width: int, first: int, last: int) -> tuple[Picture, Picture]:
    """Column and row index in a view of each pixel of rows `first` to `last`; NaN behind the view."""
    # A direction is linear in (cos p sin y, sin p, cos p cos y), so rows and columns part.
    yaw = (np.arange(width) + 0.5) / width * 2 * np.pi - np.pi
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
    columns, lines = view_index_of_frame(coarse, width, first + begin, first + end)
    share = np.clip(_drawn(cover, columns, lines, "linear"), 0.0, 1.0)
    touched = np.flatnonzero(share.any(axis=1))
    if touched.size == 0:
        return first, first
    kept = slice(int(touched[0]), int(touched[-1]) + 1)
    share = share[kept]
    begin, end = begin + kept.start, begin + kept.stop
    drawn = _drawn(picture, columns[kept], lines[kept], kernel)
    part, weight = rows[begin:end], share
    full, partly = weight >= 1, (weight > 0) & (weight < 1)
    cv2.copyTo(drawn, full.astype(np.uint8), part)
    part[partly] += (drawn[partly] - part[partly]) * weight[partly][:, None]
    return first + begin, first + end


def _rows_under(cover: Picture, view: View, width: int, first: int, last: int) -> tuple[int, int]:
    """Rows, counted from `first`, that anything covered can fall on."""
    grown = cv2.dilate((cover > 0).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    if not grown.any():
        return 0, 0
    right, up = (part[grown] for part in np.broadcast_arrays(*view.plane()))
    seen = np.stack([right, up, np.ones_like(right)], -1) @ view.axes.T
    _, lines = pixel_of(*yaw_pitch(seen), width)
    # The pixels just around a pole fall between samples of the view: half a frame pixel more on each side.
    begin = math.floor(float(lines.min())) - 2
    end = math.ceil(float(lines.max())) + 3
    return max(begin - first, 0), max(min(end, last) - first, 0)
