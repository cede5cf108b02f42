"""Flat (gnomonic) views of the sphere, drawn from the frame; `from_view` puts them back into it.

A view is what an ideal lens without distortion sees: straight lines stay straight, and a plane floor seen
straight down keeps its true shape. Samples lie at pixel centres, as everywhere in the house.

Rows near a pole are averaged sideways first (there, one pixel of the view spans many columns), and a view
coarser than the frame is drawn finer and averaged down.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.sphere.sampling import sampled

Float = NDArray[np.float64]
Picture = NDArray[np.float32]


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


def view_towards(
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


def view_from_frame(rows: Picture, first: int, view: View, *, kernel: str = "cubic") -> Picture:
    """Draw a view from the rows of a frame.

    Parameters
    ----------
    rows : ndarray of shape (n, width) or (n, width, channels), dtype float32
        Neighbouring rows of a frame; all that the view reads, kernels included.
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
    return views_from_frame(rows, first, [view], kernel=kernel)[0]


def views_from_frame(
    rows: Picture, first: int, views: Sequence[View], *, kernel: str = "cubic"
) -> list[Picture]:
    """Draw several views that read the same rows, made ready once; see `view_from_frame`."""
    width = rows.shape[1]
    finer = [max(1, math.ceil(frame_focal_px(width) / view.focal_px - 1e-6)) for view in views]
    places = [
        frame_index_of_view(View(view.width * by, view.height * by, view.focal_px * by, view.axes), width)
        for view, by in zip(views, finer, strict=True)
    ]
    pictures = sampled(rows, first, places, kernel=kernel)
    return [
        cv2.resize(picture, (view.width, view.height), interpolation=cv2.INTER_AREA) if by > 1 else picture
        for picture, view, by in zip(pictures, views, finer, strict=True)
    ]


def frame_index_of_view(view: View, width: int) -> tuple[Picture, Picture]:
    """Column (not wrapped) and row index in a frame `width` wide of each pixel of a view, in float32."""
    right, up = (part.astype(np.float32) for part in view.plane())
    if view.axes[1, 2] == -1:
        return _index_of_view_down(view, right, up, width)
    # A direction that does not depend on the line, as in a level view, is one row: so is its yaw.
    x, y, z = (
        np.float32(axis[0]) * right + (np.float32(axis[1]) * up if axis[1] else 0) + np.float32(axis[2])
        for axis in view.axes
    )
    columns = np.arctan2(x, z)
    columns *= np.float32(width / (2 * np.pi))
    columns += np.float32(width / 2 - 0.5)
    lines = np.arctan2(y, np.hypot(x, z))
    lines *= np.float32(-width / (2 * np.pi))
    lines += np.float32(width / 4 - 0.5)
    return np.broadcast_to(columns, lines.shape), lines


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
