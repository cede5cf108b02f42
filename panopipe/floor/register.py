"""Lay a neighbouring frame's floor on the frame's own, to a fraction of a pixel, and see whether they agree.

Both straight-down views show one plane, so a homography maps one to the other. It starts from the survey's
coarse place and is refined by Gauss-Newton on the ring around the hole, from coarse to fine, with weights
that leave out what does not belong to the floor.

References
----------
.. [1] S. Baker, I. Matthews, Lucas-Kanade 20 years on: a unifying framework, Int. J. Computer Vision 56(3),
   2004.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.floor.floor_map import Place
from panopipe.floor.logs import offset_for, to_log
from panopipe.floor.shade import broad_shade
from panopipe.sphere.geometry import pixel_of, yaw_pitch
from panopipe.sphere.views import REACH, View, sample_frame

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

LUMINANCE = np.array((0.2627, 0.6780, 0.0593), np.float32)
"""Weights of the working space (ITU-R BT.2020-2, table 4)."""
_LEVELS = ((8, 8), (4, 5), (2, 5))
"""Coarseness of each level and steps on it."""
_SOFT_PX = 1.5
"""Both are softened by this much: the neighbour saw the spot from aside, less sharply."""
_FOOT = 0.3
"""Radius in camera heights around the neighbour's own nadir that is not taken."""


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A neighbour's floor on the frame's own view.

    Attributes
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Linear light; zero where the neighbour shows nothing.
    valid : ndarray of shape (n, n), dtype bool
        Where it shows floor.
    agreement : float
        On the ring around the hole: 1 when both show the same, 0 when they are unrelated.
    """

    light: Picture
    valid: Mask
    agreement: float


def lay(
    own: Picture, hole: Mask, ring: Mask, view: View, rows: Picture, first: int, place: Place
) -> Laid | None:
    """Register a neighbour's rows to the frame's own view.

    Parameters
    ----------
    own : ndarray of shape (n, n, 3), dtype float32
        The frame's straight-down view, linear light.
    hole, ring : ndarray of shape (n, n), dtype bool
        What shall be filled, and the known floor around it on which both must agree.
    view : View
        What `own` shows.
    rows : ndarray of shape (m, width, 3), dtype float32
        Bottom rows of the neighbour.
    first : int
        Row of the neighbour that `rows[0]` is.
    place : Place
        Where the frame stands on the neighbour's floor.

    Returns
    -------
    Laid or None
        None if the neighbour does not show the whole hole.
    """
    homography = homography_of(place)
    grey = np.ascontiguousarray(rows @ LUMINANCE)
    agreement = 0.0
    for factor, steps in _LEVELS:
        level = _coarser(view, factor)
        target = _grey_detail(_shrunk(own @ LUMINANCE, factor), ~_any(hole, factor), level)
        judged = _shrunk(ring.astype(np.float32), factor) > 0.99
        for _ in range(steps):
            moved, valid = _sampled(grey, first, level, homography)
            use = judged & valid
            if use.sum() < 0.5 * judged.sum():
                return None
            shown = _grey_detail(moved, valid & ~_any(hole, factor), level)
            homography = homography @ _step(target, shown, use, level)
    moved, valid = _sampled(grey, first, level, homography)
    shown = _grey_detail(moved, valid & ~_any(hole, factor), level)
    use = judged & valid
    unlike = np.square(target - shown)[use].mean()
    agreement = 1 - float(unlike / (np.square(target)[use].mean() + np.square(shown)[use].mean() + 1e-12))
    light, valid = _sampled(rows, first, view, homography)
    if not valid[hole].all():
        return None
    return Laid(light, valid, agreement)


def homography_of(place: Place) -> Float:
    """Own floor (right, forward, 1) to the neighbour's floor, from a coarse place."""
    sine, cosine = math.sin(math.radians(place.turn_deg)), math.cos(math.radians(place.turn_deg))
    return np.array([(cosine, sine, place.right), (-sine, cosine, place.forward), (0.0, 0.0, 1.0)])


def _coarser(view: View, factor: int) -> View:
    side = view.width // factor
    # Blocks are cut from the top left, so the middle moves when the side does not divide: keep it exact.
    return View(side, side, view.focal_px / factor, view.axes)


def _shrunk(picture: Picture, factor: int) -> Picture:
    """Average blocks about the middle, so that the coarser view has the same centre."""
    side = picture.shape[0] // factor
    start = (picture.shape[0] - side * factor) // 2
    cut = np.ascontiguousarray(picture[start : start + side * factor, start : start + side * factor])
    small: Picture = cv2.resize(cut, (side, side), interpolation=cv2.INTER_AREA)
    return small


def _any(mask: Mask, factor: int) -> Mask:
    return _shrunk(mask.astype(np.float32), factor) > 0


def _sampled(rows: Picture, first: int, view: View, homography: Float) -> tuple[Picture, Mask]:
    right, forward = np.broadcast_arrays(*view.plane())
    x, y, w = np.tensordot(homography, np.stack([right, forward, np.ones_like(right)]), axes=1)
    width = rows.shape[1]
    columns, lines = pixel_of(*yaw_pitch(np.stack([x, -w, y], -1)), width)
    valid = (lines > first + REACH) & (w > 0) & (np.hypot(x, y) > _FOOT * w)
    lines = np.clip(lines, first + REACH, None)
    sampled = sample_frame(rows, first, columns, lines)
    return sampled * valid if sampled.ndim == 2 else sampled * valid[..., None], valid


def _grey_detail(grey: Picture, known: Mask, level: View) -> Picture:
    """Log luminance without light and shade, softened."""
    logs = to_log(grey[..., None], offset_for(grey[..., None], known))
    broad = 0.12 * level.focal_px
    detail = (logs - broad_shade(logs, known, broad))[..., 0]
    soft: Picture = cv2.GaussianBlur(np.clip(detail, -1, 1) * known, (0, 0), _SOFT_PX)
    return soft


def _step(target: Picture, shown: Picture, use: Mask, level: View) -> Float:
    """One Gauss-Newton step: a homography close to the identity, in the frame's own floor coordinates."""
    across = cv2.Sobel(shown, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)[use].astype(np.float64)
    down = cv2.Sobel(shown, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)[use].astype(np.float64)
    right, forward = (part[use] for part in np.broadcast_arrays(*level.plane()))
    gx, gy = across * level.focal_px, -down * level.focal_px
    slope = gx * right + gy * forward
    columns = np.stack(
        [gx * right, gx * forward, gx, gy * right, gy * forward, gy, -right * slope, -forward * slope], 1
    )
    rest = (target[use] - shown[use]).astype(np.float64)
    spread = 1.4826 * float(np.median(np.abs(rest))) + 1e-6
    weight = 1 / (1 + np.square(rest / (2.5 * spread)))
    normal = columns.T @ (columns * weight[:, None])
    # A little inertia: the two keystone terms move little on a level floor.
    normal[np.diag_indices(8)] *= 1 + np.array([0.01] * 6 + [0.1] * 2)
    normal[np.diag_indices(8)] += 1e-9
    move = np.linalg.solve(normal, columns.T @ (weight * rest))
    a, b, c, d, e, f, g, h = move
    return np.array([(1 + a, b, c), (d, 1 + e, f), (g, h, 1.0)])
