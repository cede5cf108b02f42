"""Whether a finished picture closes: across the cut where left meets right, and at the two poles.

Each measure asks the same of the cut as of places where nothing was cut, so that a picture with strong
edges of its own does not raise an alarm.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pixel_of, yaw_pitch

Codes = NDArray[np.float32]

_SECTIONS = 12
_MOST = 0.6
"""Share of the sections that a step must run through: a wall's corner ends at floor and ceiling."""
_ROWS = 400
"""Rows looked at, spread over all heights."""
_PLACES = 128
"""Places looked at around the frame, the seam among them."""
_STEADY_DEG = 70.0
"""Rows nearer to the poles than this are left out of the seam: one place there fills many columns."""
_VIEW = 129
_TILE = 9


def seam_step(rgb8: NDArray[np.uint8]) -> tuple[float, float]:
    """Step across the cut between the last and the first column, against other neighbouring columns.

    What is left of the difference between two neighbours when the slope on either side is taken off, as the
    median over a twelfth of the rows. An edge in the picture is softened by the lens and crosses a part of
    the rows; a faulty seam is one sample sharp and shows in most of them.

    Parameters
    ----------
    rgb8 : ndarray of shape (height, width, 3), dtype uint8
        A whole frame, sRGB.

    Returns
    -------
    step : float
        The step that 60 % of the sections reach at the seam, in codes of 255, in the worst channel.
    usual : float
        The same at the 95th percentile of all other places looked at.
    """
    height, width = rgb8.shape[:2]
    margin = round(height * (90 - _STEADY_DEG) / 180)
    places = np.arange(_PLACES) * width // _PLACES  # the first is the seam itself
    rows = rgb8[margin : height - margin]
    steps = _steps(rows[:: max(1, len(rows) // _ROWS)], places)
    parts = min(_SECTIONS, steps.shape[2])
    sections = np.stack([np.median(part, axis=2) for part in np.array_split(steps, parts, axis=2)])
    size = np.percentile(np.abs(sections), 100 * (1 - _MOST), axis=0).max(axis=0)
    return float(size[0]), float(np.percentile(size[1:], 95))


def _steps(rows: NDArray[np.uint8], places: NDArray[np.intp]) -> Codes:
    """Jump between column `place - 1` and `place` beyond the slopes beside it, shape (3, places, rows)."""
    around = (places[np.newaxis] + np.arange(-2, 2)[:, np.newaxis]) % rows.shape[1]
    before, left, right, after = np.moveaxis(rows[:, around].astype(np.float32), 1, 0)
    # The difference of the two, less the mean of the differences before and after.
    jump = 1.5 * (right - left) + 0.5 * (before - after)
    return np.ascontiguousarray(jump.T)


def pole_pinch(rgb8: NDArray[np.uint8], *, up: bool) -> tuple[float, float]:
    """Roughness at a pole against the roughness around it, in a straight view at the frame's own scale.

    Parameters
    ----------
    rgb8 : ndarray of shape (height, width, 3), dtype uint8
        A whole frame, sRGB.
    up : bool
        The zenith if true, the nadir if false.

    Returns
    -------
    pinch : float
        Mean size of the second difference within four pixels of the pole, in codes of 255.
    usual : float
        The 99th percentile of the same over tiles of the view around it.
    """
    view = _polar_view(rgb8, up=up).astype(np.float32)
    rough = np.abs(cv2.Laplacian(view, cv2.CV_32F)).max(axis=2)
    tiles = rough[: _VIEW - _VIEW % _TILE, : _VIEW - _VIEW % _TILE]
    side = tiles.shape[0] // _TILE
    means = tiles.reshape(side, _TILE, side, _TILE).mean(axis=(1, 3))
    middle = _VIEW // 2
    pole = rough[middle - _TILE // 2 : middle + _TILE // 2 + 1, middle - _TILE // 2 : middle + _TILE // 2 + 1]
    return float(pole.mean()), float(np.percentile(means, 99))


def _polar_view(rgb8: NDArray[np.uint8], *, up: bool) -> NDArray[np.uint8]:
    """View straight up or down, one view pixel for one pixel of the frame at the pole."""
    height, width = rgb8.shape[:2]
    rows = _VIEW  # the corner of the view lies 91 rows from the pole
    cap = rgb8[:rows] if up else rgb8[height - rows :]
    beyond = np.roll(cap[:1] if up else cap[-1:], width // 2, axis=1)
    closed = np.concatenate([beyond, cap] if up else [cap, beyond])
    return np.asarray(
        cv2.remap(
            np.concatenate([closed, closed[:, :1]], axis=1),
            *_polar_places(width, height, up),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


@cache
def _polar_places(width: int, height: int, up: bool) -> tuple[Codes, Codes]:
    """Column of the frame, and row of its closed cap, that each pixel of a polar view shows."""
    at = (np.arange(_VIEW) - _VIEW // 2) * np.tan(np.pi / height)
    right, forward = np.meshgrid(at, at)
    direction = np.stack([right, np.full_like(right, 1.0 if up else -1.0), forward], axis=-1)
    column, row = pixel_of(*yaw_pitch(direction), width)
    row = row + 1 if up else row - (height - _VIEW)
    return np.mod(column, width).astype(np.float32), row.astype(np.float32)
