"""How unlike the floor of its own frame each spot under the camera is.

A spot is described by the light of three by three points around it and compared with every spot of the floor
further out. What stands there repeats nowhere; joints, boards and rugs do. How far floor lies from the floor
itself, when its own surroundings are left out, is the yardstick: so the answer is in units of the floor's own
variety, be it bare concrete or a patterned rug.

References
----------
.. [1] O. Boiman, M. Irani, Detecting irregularities in images and in video, Int. J. Computer Vision 74(1),
   2007 (what cannot be composed from the rest of a picture).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.views import straight_down, view_from_frame
from panopipe.studies.floor.closed_line import best_closed_line

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Whole = NDArray[np.intp]

SIZE_PX, FOCAL_PX = 288, 163.0
"""Side of the view, and its focal length: that of a frame 1024 wide."""
STEP_DEG, COLUMNS, ROWS = 0.35, 256, 63
"""Rows and columns of the answer: angle from the nadir, direction around it, out to 22 degrees."""
ZONE_DEG = ROWS * STEP_DEG
_SCALE = np.array((0.12, 0.05, 0.05), np.float32)
"""Differences that count as one: log light, and log ratios of red and blue to green."""
_LUMINANCE = np.array((0.3, 0.6, 0.1), np.float32)
_TAP_PX, _SOFT_PX = 2, 0.8
"""Distance of the points that describe a spot, and how much they are softened."""
_TAPS = [(down, across) for down in (-2, 0, 2) for across in (-2, 0, 2)]
_AXES = 10
"""Principal axes in which descriptions are compared."""
_EVERY_PX, _MOST = 2, 3200
"""Spacing of the floor's spots, and how many are kept, those of most detail first."""
_APART_PX = 14.0
"""Spots nearer than this are no evidence of repeating."""
_SLOPE = 0.3
"""Displacement in pixels that makes no difference: patterns repeat between pixels."""
_LEAST, _LEAST_FORM = 0.45, 0.9
"""Distance that always passes: 5 % of light, and twice that where light is told from form, as a shadow's edge
is bent."""
_OWN_DEG = 31.0
"""Angle out to which the floor must repeat itself; further out are walls and furniture."""
_CLOSER_FROM = 1.0
"""Unlikeness from which every pixel is compared."""
_LIT, _DARKEST, _UNDECIDED = 0.3, 10.0, 1.2
"""From which difference in light on light may explain a spot, to which darkness shade may, and the unlikeness
that neither makes a support nor denies it."""
_SMALLEST_ROW, _LARGEST_ROW = 5, 40
"""Rows in which an edge round the nadir is looked for: 1.75 to 14 degrees from it."""
_EDGE, _EDGE_BEND, _CLOSED, _EVEN = 2.5, 0.35, 0.75, 0.5
"""Such an edge: from which difference within .7 degrees (.3 in log light) it counts, the price of its coming
nearer or going farther by a row, how much of the way round must count, for legs cross it, and how even what
it closes in must be, in differences that count."""
_ENCLOSED = 6.0
"""Unlikeness of what such an edge closes in: beyond what says all."""
_JUDGED, _AT_ONCE = 500, 128
"""Spots that give the yardstick, and how many are compared at once, so that distances stay in the cache."""
_YARDSTICK = 90.0
"""Percentile of the floor's distance from itself that counts as one."""


def unlike_floor(frame: Picture) -> NDArray[np.float16]:
    """Compare what lies under the camera with the floor around it.

    Parameters
    ----------
    frame : ndarray of shape (height, 2 height, 3), dtype float32
        A whole frame at reduced size, linear light.

    Returns
    -------
    ndarray of shape (2, 63, 256), dtype float16
        Distance from the floor over the floor's own, and the same where shade explains nothing; row 0 at the
        nadir, column 0 starts at yaw -180.
    """
    view = view_from_frame(frame, 0, straight_down(SIZE_PX, FOCAL_PX), kernel="linear")
    light = np.log(np.maximum(view, 0) + np.float32(0.02) * max(float(np.median(view)), 1e-6))
    features = np.stack(
        [light @ _LUMINANCE, light[..., 0] - light[..., 1], light[..., 2] - light[..., 1]], -1
    )
    soft = cv2.GaussianBlur(features / _SCALE, (0, 0), _SOFT_PX)
    spots = _Spots(soft)
    ratio = np.zeros((SIZE_PX, SIZE_PX), np.float32)
    coarse = np.flatnonzero(_zone() & _every(2))
    floor = _Floor(spots, _whole, least=_LEAST)
    ratio.ravel()[coarse] = floor.ratio(coarse)
    ratio = cv2.resize(ratio[::2, ::2], (SIZE_PX, SIZE_PX), interpolation=cv2.INTER_LINEAR)
    fine = np.flatnonzero((cv2.dilate(ratio, np.ones((5, 5), np.uint8)) > _CLOSER_FROM) & _zone())
    ratio.ravel()[fine] = floor.ratio(fine)
    columns, rows = _polar()
    thing = _things(spots, ratio, fine)
    whole, alone, luma = (
        cv2.remap(quantity, columns, rows, cv2.INTER_LINEAR)
        for quantity in (ratio, thing, np.ascontiguousarray(soft[..., 0]))
    )
    held = np.where(_enclosed(luma, whole), _ENCLOSED, 0)
    return np.asarray(np.stack([np.maximum(whole, held), np.maximum(alone, held)]), np.float16)


def _enclosed(luma: Picture, whole: Picture) -> Mask:
    """What a sharp edge closes in round the nadir: a head or plate without grain, which shade would explain.

    No shade has an even spot of one light with its middle under the camera; a floor has one, a dark tile,
    where it has others like it.

    Parameters
    ----------
    luma : ndarray of shape (63, 256), dtype float32
        Log light as descriptions scale it, by angle from the nadir and direction around it.
    whole : ndarray of shape (63, 256), dtype float32
        How unlike the floor further out each spot is.
    """
    states = np.arange(_SMALLEST_ROW, _LARGEST_ROW)
    bend = _EDGE_BEND * np.abs(states[:, None] - states)
    within = np.arange(ROWS)[:, None]
    for sign in (1, -1):
        step = np.clip(sign * (luma[states + 1] - luma[states - 1]) / _EDGE, 0, 1)
        if step.max(0).mean() <= _CLOSED:
            continue
        line = states[best_closed_line(step, bend)]
        closed = float(step[line - _SMALLEST_ROW, np.arange(COLUMNS)].mean())
        inside = np.asarray(within < line - 1, np.bool_)
        even = np.ptp(np.percentile(luma[inside], (5, 95))) < _EVEN * _EDGE
        if closed > _CLOSED and even and np.median(whole[inside]) > _UNDECIDED:
            return np.asarray(within < line, np.bool_)
    return np.zeros_like(luma, np.bool_)


def _things(spots: _Spots, ratio: Picture, fine: Whole) -> Picture:
    """Unlikeness without what is merely lit otherwise, which is also taken out of `ratio` where it is a glow.

    Under more light or less, without level and slope of the light, a floor is like other floor.
    """
    thing, flat = ratio.copy(), ratio.ravel()
    than = spots.luma_of(fine) - spots.luma
    other = fine[(flat[fine] > _UNDECIDED) & (np.abs(than) > _LIT) & (than > -_DARKEST)]
    if other.size:
        held = np.maximum(_Floor(spots, _without_light, least=_LEAST_FORM).ratio(other), _UNDECIDED)
        thing.ravel()[other] = np.minimum(flat[other], held)
        glow = spots.luma_of(other) > spots.luma
        flat[other[glow]] = np.minimum(flat[other[glow]], _UNDECIDED)
    return thing


class _Spots:
    """Descriptions of spots of a view, and the spots of the floor further out to compare others with."""

    def __init__(self, soft: Picture) -> None:
        self._soft = soft.reshape(-1, 3)
        across, down = (cv2.Sobel(soft, cv2.CV_32F, *axes, scale=1 / 8) for axes in ((1, 0), (0, 1)))
        steep = cv2.boxFilter((across * across + down * down).sum(-1), -1, (5, 5)).ravel() * np.float32(9)
        bank = np.flatnonzero(_ring() & _every(_EVERY_PX))
        order = bank[np.argsort(-steep[bank], kind="stable")]
        most = _MOST * 3 // 4
        self.bank = np.sort(np.concatenate([order[:most], order[most::4]]))
        self.steep = 1 + np.float32(_SLOPE**2) * steep[self.bank]
        self.luma = float(np.median(self._soft[bank, 0]))
        self._number = np.full(_WIDE_PX**2, -1)
        self._number[_wide(self.bank)] = np.arange(len(self.bank))

    def luma_of(self, spots: Whole) -> Picture:
        """Log light of spots, as descriptions scale it."""
        return np.asarray(self._soft[spots, 0], np.float32)

    def near(self, some: Whole) -> tuple[Whole, Whole]:
        """Pairs of one of `some` and one of the bank that are too near each other to count as a repeat."""
        number = self._number[_wide(some)[:, None] + _around()]
        at, _ = np.nonzero(number >= 0)
        return at, number[number >= 0]

    def described(self, spots: Whole) -> Picture:
        """Nine points around each spot, three values each: shape (n, 27)."""
        taps = [self._soft[spots + SIZE_PX * down + across] for down, across in _TAPS]
        return np.concatenate(taps, axis=1)


def _whole(described: Picture) -> Picture:
    return described


def _without_light(described: Picture) -> Picture:
    """Descriptions without level and slope of the light, and without the level of colour."""
    taps = np.array(_TAPS, np.float32)
    parts = np.concatenate([np.ones((9, 1), np.float32), taps / _TAP_PX], axis=1)
    parts /= np.linalg.norm(parts, axis=0)
    values = described.reshape(-1, 9, 3).copy()
    values[..., 0] -= values[..., 0] @ parts @ parts.T
    values[..., 1:] -= values[..., 1:].mean(1, keepdims=True)
    return values.reshape(-1, 27)


class _Floor:
    """The floor further out, as others are compared with it."""

    def __init__(self, spots: _Spots, form: Callable[[Picture], Picture], *, least: float) -> None:
        self._spots, self._form = spots, form
        described = form(spots.described(spots.bank))
        self._mean = described.mean(0)
        zone = form(spots.described(np.flatnonzero(_zone() & _every(4))))
        both = np.concatenate([described, zone]) - self._mean
        _, axes = np.linalg.eigh(both.T @ both)
        self._axes = np.ascontiguousarray(axes[:, -_AXES:].astype(np.float32))
        known = (described - self._mean) @ self._axes
        # One product gives all that of the distance depends on both: |b|^2 - 2 a b.
        self._known = np.concatenate([-2 * known, np.square(known).sum(1, keepdims=True)], axis=1).T.copy()
        self._own = 1.0
        judged = spots.bank[_angle().ravel()[spots.bank] < _OWN_DEG]
        judged = judged[:: max(1, len(judged) // _JUDGED)]
        self._own = max(float(np.percentile(self.ratio(judged, apart=True), _YARDSTICK)), least)

    def ratio(self, spots: Whole, *, apart: bool = False) -> Picture:
        """Distance of spots from the most alike spot of the floor, over the floor's own."""
        described = (self._form(self._spots.described(spots)) - self._mean) @ self._axes
        described = np.concatenate([described, np.ones((len(spots), 1), np.float32)], axis=1)
        square = np.empty(len(spots), np.float32)
        for first in range(0, len(spots), _AT_ONCE):
            part = slice(first, first + _AT_ONCE)
            distance = described[part] @ self._known
            if apart:
                distance[self._spots.near(spots[part])] = np.inf
            best = distance.argmin(1)
            least = distance[np.arange(len(best)), best] + np.square(described[part, :-1]).sum(1)
            square[part] = np.maximum(least, 0) / self._spots.steep[best]
        return np.asarray(np.sqrt(square) / np.float32(self._own), np.float32)


_WIDE_PX = SIZE_PX + 2 * math.ceil(_APART_PX)
"""Side of the view with what is near it."""


def _wide(spots: Whole) -> Whole:
    """Numbers of spots in the view with what is near it."""
    down, across = np.divmod(spots, SIZE_PX)
    margin = math.ceil(_APART_PX)
    return np.asarray((down + margin) * _WIDE_PX + across + margin, np.intp)


@cache
def _around() -> Whole:
    """Steps, in such numbers, from a spot of the bank to all that are near it, were there no gaps."""
    steps = np.arange(-math.ceil(_APART_PX), _APART_PX, _EVERY_PX)
    down, across = (part.ravel().astype(np.intp) for part in np.meshgrid(steps, steps))
    near = np.square(down) + np.square(across) < _APART_PX**2
    return np.asarray((down * _WIDE_PX + across)[near], np.intp)


@cache
def _angle() -> Picture:
    """Angle from the nadir of each pixel of the view, in degrees."""
    at = np.arange(SIZE_PX) + 0.5 - SIZE_PX / 2
    far: Picture = np.degrees(np.arctan(np.hypot(at[:, None], at[None, :]) / FOCAL_PX)).astype(np.float32)
    return far


@cache
def _zone() -> Mask:
    return np.asarray(_angle() < ZONE_DEG + 0.6, np.bool_)


@cache
def _ring() -> Mask:
    inside = np.zeros((SIZE_PX, SIZE_PX), np.bool_)
    inside[3:-3, 3:-3] = True
    return np.asarray((_angle() > ZONE_DEG) & inside, np.bool_)


def _every(step: int) -> Mask:
    some = np.zeros((SIZE_PX, SIZE_PX), np.bool_)
    some[::step, ::step] = True
    return some


@cache
def _polar() -> tuple[Picture, Picture]:
    """Column and row in the view of each cell of the answer."""
    far = FOCAL_PX * np.tan(np.radians((np.arange(ROWS) + 0.5) * STEP_DEG))[:, None]
    yaw = (np.arange(COLUMNS) + 0.5) * (2 * np.pi / COLUMNS) - np.pi
    middle = SIZE_PX / 2 - 0.5
    return (
        (middle + far * np.sin(yaw)).astype(np.float32),
        (middle - far * np.cos(yaw)).astype(np.float32),
    )
