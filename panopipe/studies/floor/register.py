"""Lay a neighbouring frame's floor on the frame's own, to a fraction of a pixel, and see whether they agree.

Both straight-down views show one plane, so a homography maps one to the other. It starts from the survey's
coarse place and is refined by Gauss-Newton on the ring around the hole, from coarse to fine, with weights
that leave out what does not belong to the floor. A step counts only if both look more alike after it: floors
of parallel lines say little of one direction, and would wander along it.

References
----------
.. [1] S. Baker, I. Matthews, Lucas-Kanade 20 years on: a unifying framework, Int. J. Computer Vision 56(3),
   2004.
.. [2] D. W. Marquardt, An algorithm for least-squares estimation of nonlinear parameters, J. SIAM 11(2),
   1963.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.pixels.angle import angles
from panopipe.sphere.sampling import REACH, Sampler, sample_frame
from panopipe.sphere.views import View
from panopipe.studies.floor.floor_map import Place
from panopipe.studies.floor.logs import offset_for, to_log
from panopipe.studies.floor.scene import Box
from panopipe.studies.floor.shade import broad_shade

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

_LEVELS = ((8, 4, 8), (4, 2, 5), (2, 1, 5))
"""Coarseness of each level; of the neighbour, who saw the floor aslant; most steps."""
_HARDLY_LESS = 0.999
"""Share of a price from which another is no better to speak of."""
_LEAST_INERTIA, _MOST_INERTIA = 0.25, 16.0
"""How much a step may be held back (see `_step`)."""
_SOFT_PX = 1.5
"""Both are softened by this much: the neighbour saw the spot from aside, less sharply."""
_FOOT = 0.3
"""Radius in camera heights around the neighbour's own nadir that is not taken."""
_MARGIN_PX = 10
"""How far around hole and ring the neighbour's floor is drawn: as far as sharpness looks."""


@dataclass(frozen=True, slots=True, eq=False)
class WarpedNeighbour:
    """A neighbour's floor on the frame's own view.

    Attributes
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Linear light around hole and ring; zero elsewhere, and where the neighbour shows nothing.
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
) -> WarpedNeighbour | None:
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
    grey, own_grey = _grey(rows), _grey(own)
    for factor, coarser, steps in _LEVELS:
        level, beside = _coarser(view, factor), ~_any(hole, factor)
        source = _source(grey, first, coarser)
        target = _grey_detail(_shrunk(own_grey, factor), beside, level)
        judged = _shrunk(ring.astype(np.float32), factor) > 0.99
        fit = _settled(source, target, judged, beside, level, homography, steps)
        if fit is None:
            return None
        homography, agreement = fit.homography, _agreement(target[fit.use], fit.shown[fit.use])
    box = _around(hole | ring, _MARGIN_PX)
    right, forward = view.plane()
    columns, lines, seen = source.place((right[:, box[1]], forward[box[0]]), homography)
    light, valid = np.zeros_like(own), np.zeros_like(hole)
    light[box], valid[box] = sample_frame(rows, first, columns, lines) * seen[..., None], seen
    return WarpedNeighbour(light, valid, agreement) if valid[hole].all() else None


def _agreement(first: Picture, second: Picture) -> float:
    unlike = np.square(first - second).mean()
    return 1 - float(unlike / (np.square(first).mean() + np.square(second).mean() + 1e-12))


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A neighbour's floor laid on a level of the own view: what it shows, what is compared, the price."""

    homography: Float
    shown: Picture
    use: Mask
    price: float


def _settled(
    source: _Source,
    target: Picture,
    judged: Mask,
    beside: Mask,
    level: View,
    homography: Float,
    steps: int,
) -> _Fit | None:
    """Take steps that make both floors more alike, shorter ones where one fails.

    None if too little of the floor is seen.
    """
    best: _Fit | None = None
    trial, inertia, scale = homography, 1.0, 0.0
    for _ in range(steps + 1):
        columns, lines, valid = source.place(level.plane(), trial)
        use = judged & valid
        if use.sum() < 0.5 * judged.sum():
            return best
        shown = _grey_detail(source.grey.at(columns, lines) * valid, valid & beside, level)
        rest = target[use] - shown[use]
        scale = scale or 2.5 * (1.4826 * float(np.median(np.abs(rest))) + 1e-6)
        price = float(np.log1p(np.square(rest / scale)).mean(dtype=np.float64))
        if best is None or price < best.price:
            settled = best is not None and price > _HARDLY_LESS * best.price
            best, inertia = _Fit(trial, shown, use, price), max(inertia / 4, _LEAST_INERTIA)
        else:
            settled = _HARDLY_LESS * price < best.price or inertia >= _MOST_INERTIA
            inertia *= 8
        if settled:
            break
        trial = best.homography @ _step(target, best.shown, best.use, level, scale, inertia)
    return best


def _source(grey: Picture, first: int, coarser: int) -> _Source:
    """The neighbour's luminance, so many times coarser where its width allows."""
    width = grey.shape[1]
    coarser = coarser if width % (4 * coarser) == 0 else 1
    skipped = -first % coarser
    count = (len(grey) - skipped) // coarser
    small = grey[skipped : skipped + count * coarser]
    if coarser > 1:
        small = cv2.resize(small, (width // coarser, count), interpolation=cv2.INTER_AREA)
    begin = (first + skipped) // coarser
    return _Source(Sampler(small, begin), width // coarser, begin + REACH)


@dataclass(frozen=True, slots=True)
class _Source:
    """The neighbour's luminance, ready to be sampled: frames `width` wide, from row `top` on."""

    grey: Sampler
    width: int
    top: int

    def place(self, plane: tuple[Float, Float], homography: Float) -> tuple[Picture, Picture, Mask]:
        """Column and row for each place of the own floor, right and forward, and whether floor is there."""
        right, forward = plane
        x, y, w = (
            (across * right + whole).astype(np.float32) + (along * forward).astype(np.float32)
            for across, along, whole in homography
        )
        far = np.sqrt(x * x + y * y)
        columns, lines = np.empty_like(x), np.empty_like(x)
        angles(x.ravel(), y.ravel(), columns.ravel())
        columns *= np.float32(self.width / (2 * np.pi))
        columns += np.float32(self.width / 2 - 0.5)
        angles(far.ravel(), w.ravel(), lines.ravel())
        lines *= np.float32(-self.width / (2 * np.pi))
        lines += np.float32(self.width / 2 - 0.5)
        valid = (lines > self.top) & (w > 0) & (far > np.float32(_FOOT) * w)
        return columns, np.maximum(lines, np.float32(self.top)), valid


def homography_of(place: Place) -> Float:
    """Own floor (right, forward, 1) to the neighbour's floor, from a coarse place."""
    sine, cosine = math.sin(math.radians(place.turn_deg)), math.cos(math.radians(place.turn_deg))
    return np.array([(cosine, sine, place.right), (-sine, cosine, place.forward), (0.0, 0.0, 1.0)])


def _grey(light: Picture) -> Picture:
    """Luminance."""
    grey: Picture = cv2.transform(light, LUMINANCE_OF_WORKING[None].astype(np.float32))
    return grey


def _around(mask: Mask, margin: int) -> Box:
    """Rows and columns of a mask and a margin."""
    cuts = [np.flatnonzero(mask.any(axis)) for axis in (1, 0)]
    rows, columns = (slice(max(0, int(cut[0]) - margin), int(cut[-1]) + 1 + margin) for cut in cuts)
    return rows, columns


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


def _grey_detail(grey: Picture, known: Mask, level: View) -> Picture:
    """Log luminance without light and shade, softened."""
    logs = to_log(grey[..., None], offset_for(grey[..., None], known))
    broad = 0.12 * level.focal_px
    detail = (logs - broad_shade(logs, known, broad))[..., 0]
    soft: Picture = cv2.GaussianBlur(np.clip(detail, -1, 1) * known, (0, 0), _SOFT_PX)
    return soft


def _step(target: Picture, shown: Picture, use: Mask, level: View, scale: float, inertia: float) -> Float:
    """One Gauss-Newton step: a homography close to the identity, in the frame's own floor coordinates.

    Differences count the less, the more they exceed `scale`.
    """
    across = cv2.Sobel(shown, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)[use].astype(np.float64)
    down = cv2.Sobel(shown, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)[use].astype(np.float64)
    right, forward = (part[use] for part in np.broadcast_arrays(*level.plane()))
    gx, gy = across * level.focal_px, -down * level.focal_px
    slope = gx * right + gy * forward
    columns = np.stack(
        [gx * right, gx * forward, gx, gy * right, gy * forward, gy, -right * slope, -forward * slope], 1
    )
    rest = (target[use] - shown[use]).astype(np.float64)
    weight = 1 / (1 + np.square(rest / scale))
    normal = columns.T @ (columns * weight[:, None])
    # Some inertia (Levenberg, Marquardt): the two keystone terms move little on a level floor.
    normal[np.diag_indices(8)] *= 1 + inertia * np.array([0.01] * 6 + [0.1] * 2)
    normal[np.diag_indices(8)] += 1e-9
    move = np.linalg.solve(normal, columns.T @ (weight * rest))
    a, b, c, d, e, f, g, h = move
    return np.array([(1 + a, b, c), (d, 1 + e, f), (g, h, 1.0)])
