"""How the camera moved over the floor: the same motion again, in camera heights and without the walls.

The floor is drawn as seen straight down along the walls, so that the views of two frames differ by a quarter
turn and a shift. All of the floor votes at once: the shift is the peak of the correlation of the two views,
their spectra made nearly flat, so that the grain of a floor counts and its long lines do not. What walls and
furniture smear over the view runs away from the camera in both, which raises the correlation everywhere
about a shift of nothing; each place is therefore judged by its own surroundings.

References
----------
.. [1] C. D. Kuglin, D. C. Hines, The phase correlation image alignment method, Proc. Int. Conf. Cybernetics
   and Society, 1975.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Single = NDArray[np.float32]
Index = NDArray[np.intp]

PIXELS, REACH = 20, 3.5
"""Pixels a camera height of the view from above, and half its side: 74 degrees from the nadir."""
SIDE, _PADDED = int(2 * REACH * PIXELS), 192
FOOT = 0.4
"""Radius around the nadir, in camera heights, that the support and its shadow take."""
_BROAD_PX = 2.0
"""Detail is what is left of this blur, in units of how much there is of it nearby."""
CODES, _MOST = 50.0, 2.5
_FLAT = 0.85
"""Power of the spectrum's size that is divided out: 1 would be phase alone."""
_AROUND_PX, _WITHIN_PX = 21, 7
_NEAREST, FARTHEST = 0.25, 4.7
"""Distances of two cameras that are looked at, in camera heights."""
_LEAST, _MOST_SHIFTS, _APART_PX = 3.4, 6, 5
ALONG_DEG = 7.0
"""How far the floor's direction may be off that of the walls."""
_SAME = 0.3
_ON_FLOOR, _MOST_ON_FLOOR, _OVER_RIVALS = 0.07, 4.0, 1.2
"""How near the floor a point must be, in camera heights, what all of them may say, and how far one distance
must be ahead of others.
"""
SURE = 4.6
"""How far a shift must stand out, in standard deviations of its surroundings, to be believed where the walls
say the same direction. Of wrong shifts of two frames, the best of all stands out by 4.4 in the middle, by 5.8
at most of 250 pairs; the best in a given direction by 3.2 (generated houses, see the benchmark)."""
_BY_ITSELF, _FAR_AHEAD = 7.0, 1.4
"""The same where nothing else is known, and how far it must be ahead of others."""


@dataclass(frozen=True, slots=True)
class FloorShift:
    """A motion that the floor tells.

    Attributes
    ----------
    quarter : int
        How many right angles the second frame's walls are turned further than the first's.
    back_yaw_deg : float
        Yaw in the second frame at which the first camera is.
    distance : float
        Distance of the cameras in camera heights.
    sure : float
        How far it stands out, in standard deviations of its surroundings.
    rival : float
        The same of the best one in another direction.
    clear : bool
        Whether no other distance in the same direction is about as good.
    """

    quarter: int
    back_yaw_deg: float
    distance: float
    sure: float
    rival: float = 0.0
    clear: bool = True

    def yaw_deg(self, one: Floor, other: Floor) -> float:
        """Yaw in the first frame at which the second camera is."""
        turn = other.heading_deg - one.heading_deg + 90.0 * self.quarter
        return (self.back_yaw_deg - turn + 360.0) % 360.0 - 180.0

    def seen_back(self, one: Floor, other: Floor) -> FloorShift:
        """The same motion with the frames the other way round."""
        return FloorShift(-self.quarter % 4, self.yaw_deg(one, other), self.distance, self.sure)


@dataclass(frozen=True, slots=True, eq=False)
class Floor:
    """A frame's floor: the view straight down with a heading of the walls at its top."""

    detail: NDArray[np.int8] = field(repr=False)
    heading_deg: float


def floor_detail(light: Single, heading_deg: float) -> NDArray[np.int8]:
    """Detail of the floor, from the luminance of a whole frame; 0 where nothing may be compared.

    Parameters
    ----------
    light : ndarray of shape (height, width), dtype float32
        Luminance.
    heading_deg : float
        Yaw that is at the top of the view.

    Returns
    -------
    ndarray of shape (140, 140), dtype int8
        In fiftieths of the standard deviation nearby.
    """
    height, width = light.shape
    # Below the horizon columns crowd: half of them are as fine as the view.
    half = cv2.resize(light[height // 2 :], (width // 2, height - height // 2), interpolation=cv2.INTER_AREA)
    stops = np.log2(np.maximum(half, np.float32(1e-4)))
    stops = np.concatenate([stops, stops[:, :1]], axis=1)
    yaw, row = _fine_grid(width)
    column = np.mod(yaw + np.float32(np.radians(heading_deg)), np.float32(2 * np.pi))
    column *= np.float32(width / 2 / (2 * np.pi))
    fine = cv2.remap(stops, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    view = cv2.resize(fine, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    shown = _ring()
    share = np.maximum(_blurred(shown), np.float32(1e-3))
    detail = (view - _blurred(view * shown) / share) * shown
    nearby = np.sqrt(_blurred(detail * detail) / share) + np.float32(0.02)
    codes: NDArray[np.int8] = np.rint(np.clip(detail / nearby, -_MOST, _MOST) * CODES).astype(np.int8)
    return codes


def floor_shifts(one: Floor, other: Floor) -> list[FloorShift]:
    """The motions between two frames that their floors tell, the best first."""
    first, second = _spectra(one), _spectra(other)
    found = []
    for quarter in range(4):
        product = cv2.mulSpectrums(first.ahead[quarter // 2], second.seen[quarter % 2], 0, conjB=quarter < 2)
        plane = np.asarray(cv2.dft(product, flags=cv2.DFT_INVERSE | cv2.DFT_SCALE), np.float32)
        found += _peaks(plane, quarter, other.heading_deg)
    return sorted(found, key=lambda shift: -shift.sure)


def stands_out(shifts: Sequence[FloorShift]) -> bool:
    """Whether the best of all shifts is clearly more than chance."""
    rival = next((shift.sure for shift in shifts if not is_same(shift, shifts[0])), 0.0)
    return bool(shifts) and shifts[0].sure >= max(_BY_ITSELF, _FAR_AHEAD * rival)


def shift_along(
    shifts: Sequence[FloorShift], one: Floor, other: Floor, turn_deg: float, back_deg: float, below: Float
) -> FloorShift | None:
    """The shift that tells the motion which the walls tell, if any does; with its best rival.

    Parameters
    ----------
    shifts : sequence of FloorShift
        As `floor_shifts` finds them.
    one, other : Floor
        The floors of both frames.
    turn_deg, back_deg : float
        The motion that the walls tell.
    below : ndarray of shape (n,), dtype float64
        How far below the camera points around it lie, in lengths of the shift: under the right one, some lie
        on the floor and none under it. That tells distances apart on a floor of many like tiles.
    """
    quarter = round((one.heading_deg + turn_deg - other.heading_deg) / 90.0) % 4
    meant = [s for s in shifts if s.quarter == quarter and _off(s.back_yaw_deg, back_deg) < ALONG_DEG]
    if not meant:
        return None
    stands = [shift.sure + _stands_on_floor(shift.distance * below) for shift in meant]
    best = int(np.argmax(stands))
    found = meant[best]
    elsewhere = (s.sure for s in shifts if not any(s is one_meant for one_meant in meant))
    beside = (s for s, other_one in zip(stands, meant, strict=True) if not is_same(other_one, found))
    return replace(
        found,
        rival=max(elsewhere, default=0.0),
        clear=stands[best] >= _OVER_RIVALS * max(beside, default=0.0),
    )


def _stands_on_floor(depth: Float) -> float:
    """What points at such depths, in camera heights, say of a distance."""
    on, under = (np.abs(depth - 1) < _ON_FLOOR).sum(), (depth > 1 + 2 * _ON_FLOOR).sum()
    return float(np.clip(0.5 * (float(on) - float(under)), -_MOST_ON_FLOOR, _MOST_ON_FLOOR))


def is_same(one: FloorShift, other: FloorShift) -> bool:
    """Whether two shifts are one motion, as far as a floor can tell."""
    apart = np.radians(_off(one.back_yaw_deg, other.back_yaw_deg))
    away = np.hypot(one.distance - other.distance, min(one.distance, other.distance) * apart)
    return one.quarter == other.quarter and float(away) < _SAME


def forget_spectra() -> None:
    """Give back the memory that spectra take."""
    _spectra.cache_clear()


def _off(one_deg: float, other_deg: float) -> float:
    return abs((one_deg - other_deg + 180.0) % 360.0 - 180.0)


def _blurred(picture: Single) -> Single:
    blurred: Single = cv2.GaussianBlur(picture, (0, 0), _BROAD_PX)
    return blurred


@cache
def _ring() -> Single:
    """Where the view shows floor that may be compared: the same under every turn."""
    at = (np.arange(SIDE) + 0.5 - SIDE / 2) / PIXELS
    far = np.hypot(at[:, None], at[None, :])
    return ((far > FOOT) & (far < REACH - 0.05)).astype(np.float32)


@cache
def _fine_grid(width: int) -> tuple[Single, Single]:
    """Yaw from column 0 in radians, and row below the horizon, of the view drawn twice as fine."""
    at = (np.arange(2 * SIDE) + 0.5 - SIDE) / (2 * PIXELS)
    right, forward = at[None, :], -at[:, None]
    yaw = np.arctan2(right, forward) + np.pi * (1 - 2 / width)
    row = np.arctan2(1.0, np.hypot(right, forward)) * (width / (2 * np.pi)) - 0.5
    return yaw.astype(np.float32), row.astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Spectra:
    """Nearly flat spectra of a view, in the packed form of `cv2.dft`.

    Attributes
    ----------
    seen : tuple of ndarray
        Of the view as it is, and turned by a right angle.
    ahead : tuple of ndarray
        Of the view moved so that no shift lies in the middle of the plane: against a view, and against the
        conjugate of one, which is that view after half a turn.
    """

    seen: tuple[Single, Single]
    ahead: tuple[Single, Single]


@lru_cache(maxsize=96)
def _spectra(floor: Floor) -> _Spectra:
    upright, turned = (_flat(view) for view in (floor.detail, np.rot90(floor.detail)))
    middle = _PADDED // 2
    ahead = (np.roll(upright, (by, by), axis=(0, 1)) for by in (middle, middle - (SIDE - 1)))
    seen = [np.asarray(cv2.dft(picture), np.float32) for picture in (upright, turned, *ahead)]
    return _Spectra((seen[0], seen[1]), (seen[2], seen[3]))


def _flat(view: NDArray[np.int8]) -> Single:
    """A view, padded, whose spectrum is made nearly flat."""
    spectrum = np.fft.rfft2(view.astype(np.float32), (_PADDED, _PADDED))
    size = np.abs(spectrum)
    spectrum /= np.power(size + np.float32(1e-3) * size.max() + np.float32(1e-9), np.float32(_FLAT))
    return np.fft.irfft2(spectrum, (_PADDED, _PADDED)).astype(np.float32)


def _peaks(plane: Single, quarter: int, heading_deg: float) -> list[FloorShift]:
    """Where a correlation stands out of its surroundings, the highest first."""
    square = plane * plane
    scatter = float(square.mean())
    if scatter <= 0:
        return []
    nearby = _summed(square, _AROUND_PX)
    nearby -= _summed(square, _WITHIN_PX)
    nearby += np.float32(0.2 * scatter * (_AROUND_PX**2 - _WITHIN_PX**2))
    out = np.asarray(plane / np.sqrt(nearby) * _looked_at(), np.float32)
    high = np.flatnonzero(out >= _LEAST)
    order = high[np.argsort(-out.ravel()[high], kind="stable")]
    tops: list[tuple[int, int]] = []
    for row, column in zip((order // _PADDED).tolist(), (order % _PADDED).tolist(), strict=True):
        if all(max(abs(row - r), abs(column - c)) > _APART_PX for r, c in tops):
            tops.append((row, column))
            if len(tops) == _MOST_SHIFTS:
                break
    right, forward = _between_pixels(out, np.array(tops, np.intp).reshape(-1, 2))
    back = np.degrees(np.arctan2(-right, -forward)) + heading_deg + 90.0 * quarter
    told = ((back + 180) % 360 - 180).tolist(), np.hypot(right, forward).tolist()
    return [
        FloorShift(quarter, yaw, away, float(out[top])) for top, yaw, away in zip(tops, *told, strict=True)
    ]


def _summed(picture: Single, side: int) -> Single:
    summed: Single = cv2.boxFilter(picture, -1, (side, side), normalize=False)
    return summed


def _between_pixels(out: Single, tops: Index) -> tuple[Float, Float]:
    """Places of peaks, right and forward in camera heights: the middle of what stands out around each."""
    rows, columns = (tops[:, k, None] + np.array((-1, 0, 1)) for k in (0, 1))
    weight = np.square(np.maximum(out[rows[:, :, None], columns[:, None, :]], 0), dtype=np.float64)
    total = weight.sum(axis=(1, 2))
    down = tops[:, 0] + (weight[:, 2].sum(axis=1) - weight[:, 0].sum(axis=1)) / total
    across = tops[:, 1] + (weight[:, :, 2].sum(axis=1) - weight[:, :, 0].sum(axis=1)) / total
    return (across - _PADDED / 2) / PIXELS, (_PADDED / 2 - down) / PIXELS


@cache
def _looked_at() -> Single:
    at = (np.arange(_PADDED) - _PADDED / 2) / PIXELS
    far = np.hypot(at[:, None], at[None, :])
    share = np.sqrt(_AROUND_PX**2 - _WITHIN_PX**2)  # of the surroundings, whose sum stands for their mean
    looked_at: Single = (((far > _NEAREST) & (far < FARTHEST)) * share).astype(np.float32)
    return looked_at
