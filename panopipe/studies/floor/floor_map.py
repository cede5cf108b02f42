"""Small maps of the floor around each frame, and how two of them lie on each other.

Coarse registration for the survey: the angle between two maps from the magnitudes of their spectra, which do
not move with a shift; then, for each likely angle, the shift from the correlation of what both maps show.

References
----------
.. [1] B. S. Reddy, B. N. Chatterji, An FFT-based technique for translation, rotation, and scale-invariant
   image registration, IEEE Trans. Image Processing 5(8), 1996.
.. [2] D. Padfield, Masked object registration in the Fourier domain, IEEE Trans. Image Processing
   21(5), 2012.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, cached_property

import cv2
import numpy as np
from numpy import fft
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.sphere.views import straight_down, view_from_frame

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

SIZE_PX = 160
REACH = 1.75
"""Half the map's side in camera heights: 60 degrees from the nadir."""
FOCAL_PX = SIZE_PX / 2 / REACH
_FOOT = 0.36
"""Radius in camera heights that is left out: foot and contact shadow of 18 degrees and more."""
_BROAD_PX = 14.0
_ANGLES = 180
_TRIED_ANGLES = 4
_NEAREST, _FARTHEST = 0.45, 1.65
"""Distances between two frames, in camera heights, at which one sees the other's hidden floor."""
_PADDED_PX = cv2.getOptimalDFTSize(SIZE_PX + math.ceil(_FARTHEST * FOCAL_PX))
"""Side of a padded map: at the farthest shift, what goes around meets nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class FloorMap:
    """The floor around a frame, without light and shade.

    Attributes
    ----------
    detail : ndarray of shape (160, 160), dtype float16
        Log luminance less its broad part; the middle of the arrays (yaw 0) at the top.
    """

    detail: NDArray[np.float16]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a neighbour stands, in the yaw of the frame's own arrays and in camera heights.

    Attributes
    ----------
    turn_deg : float
        Yaw of the neighbour's arrays that points where yaw 0 of the frame's arrays points.
    right, forward : float
        The frame's own nadir as the neighbour sees it, on the neighbour's floor.
    likeness : float
        Correlation of the two maps where both show floor.
    """

    turn_deg: float
    right: float
    forward: float
    likeness: float

    @property
    def distance(self) -> float:
        """Distance of the two frames in camera heights."""
        return math.hypot(self.right, self.forward)

    def inverse(self) -> Place:
        """Where the neighbour stands on the frame's own floor."""
        sine, cosine = math.sin(math.radians(self.turn_deg)), math.cos(math.radians(self.turn_deg))
        right = -(cosine * self.right - sine * self.forward)
        forward = -(sine * self.right + cosine * self.forward)
        return Place(-self.turn_deg, right, forward, self.likeness)

    def rounded(self) -> Place:
        """Rounded to what the coarse maps can tell, so that last digits do not make a frame new."""
        return Place(
            round(self.turn_deg % 360, 1),
            round(self.right, 2),
            round(self.forward, 2),
            round(self.likeness, 2),
        )


def floor_map(frame: Picture) -> FloorMap:
    """Draw the map of a whole frame at reduced size."""
    view = view_from_frame(frame, 0, straight_down(SIZE_PX, FOCAL_PX), kernel="linear")
    luminance = view @ LUMINANCE_OF_WORKING.astype(np.float32)
    logs = np.log(np.maximum(luminance, 0) + 0.02 * max(float(np.median(luminance)), 1e-6))
    weight = _shown().astype(np.float32)
    broad = cv2.GaussianBlur(logs * weight, (0, 0), _BROAD_PX) / np.maximum(
        cv2.GaussianBlur(weight, (0, 0), _BROAD_PX), 1e-3
    )
    return FloorMap((np.clip(logs - broad, -0.5, 0.5) * weight).astype(np.float16))


@cache
def _shown() -> Mask:
    """Cells of a map that show floor: a ring, the same under every turn."""
    at = np.arange(SIZE_PX) + 0.5 - SIZE_PX / 2
    far = np.hypot(at[:, None], at[None, :]) / FOCAL_PX
    shown: Mask = (far > _FOOT) & (far < REACH - 0.02)
    return shown


class Ready:
    """A map made ready to be laid on others.

    Parameters
    ----------
    floor : FloorMap
    """

    def __init__(self, floor: FloorMap) -> None:
        self.detail = floor.detail.astype(np.float32)

    @cached_property
    def by_angle(self) -> NDArray[np.complex128]:
        """Spectrum, over the angle, of what the map shows at each angle and frequency."""
        return np.asarray(fft.rfft(_spectrum(self.detail).astype(np.float64), axis=0))

    @cached_property
    def shown(self) -> tuple[Picture, Picture]:
        """Packed spectra of the map where it shows floor, and of its squares."""
        return _packed(self.detail * _shown()), _packed(np.square(self.detail) * _shown())


def place_of(own: Ready, other: Ready) -> Place | None:
    """Find where the frame stands on its neighbour's map.

    Returns
    -------
    Place or None
        None if no position in reach can be found.
    """
    best: Place | None = None
    around = _Around(own)
    for turn_deg in _likely_turns(own, other):
        shift = around.shift_of(_turned(other.detail, turn_deg))
        if shift is None:
            continue
        dx, dy, likeness = shift
        if best is None or likeness > best.likeness + 1e-6:
            # The turned map has its own axes along the frame's: turn the shift into the neighbour's.
            angle = math.radians(turn_deg)
            right = dx * math.cos(angle) + dy * math.sin(angle)
            forward = -dx * math.sin(angle) + dy * math.cos(angle)
            best = Place(turn_deg, right, forward, likeness)
    return best


def _spectrum(detail: Picture) -> Picture:
    """Magnitudes of a map's spectrum by angle (0 to 180 degrees) and frequency."""
    size = 256
    at = np.arange(SIZE_PX) + 0.5 - SIZE_PX / 2
    window = np.clip(np.cos(np.hypot(at[:, None], at[None, :]) / SIZE_PX * np.pi), 0, 1)
    magnitude = np.abs(fft.fftshift(fft.fft2(detail * window.astype(np.float32), (size, size))))
    magnitude = np.log1p(magnitude / (np.median(magnitude) + 1e-9)).astype(np.float32)
    angle = np.arange(_ANGLES)[:, None] * (np.pi / _ANGLES)
    radius = np.arange(12, 100)[None, :]
    columns = (size / 2 + radius * np.cos(angle)).astype(np.float32)
    rows = (size / 2 + radius * np.sin(angle)).astype(np.float32)
    polar = cv2.remap(magnitude, columns, rows, cv2.INTER_LINEAR)
    centred: Picture = polar - polar.mean(0)
    return centred


def _likely_turns(first: Ready, second: Ready) -> list[float]:
    match = fft.irfft((np.conj(first.by_angle) * second.by_angle).sum(1), _ANGLES)
    turns: list[float] = []
    left = match.copy()
    for _ in range(_TRIED_ANGLES):
        best = int(left.argmax())
        near = [match[(best + step) % _ANGLES] for step in (-1, 0, 1)]
        bend = near[0] - 2 * near[1] + near[2]
        fraction = 0.5 * (near[0] - near[2]) / bend if bend < 0 else 0.0
        turn = (best + fraction) * 180 / _ANGLES
        turns += [turn, turn + 180]
        left[[(best + step) % _ANGLES for step in range(-5, 6)]] = -np.inf
    return turns


def _turned(detail: Picture, turn_deg: float) -> Picture:
    """Turn a map so that yaw `turn_deg` comes to the top."""
    middle = SIZE_PX / 2 - 0.5
    matrix = cv2.getRotationMatrix2D((middle, middle), turn_deg, 1.0)
    turned: Picture = cv2.warpAffine(detail, matrix, (SIZE_PX, SIZE_PX), flags=cv2.INTER_LINEAR)
    return turned


class _Around:
    """A map on which others, turned, are tried at all shifts.

    What does not depend on the other map is worked out once.
    """

    def __init__(self, own: Ready) -> None:
        self._first, squares = own.shown
        self._seen, self._pairs, self._share, self._allowed = _overlaps()
        self._sum = _correlated(self._first, self._seen)
        self._spread = _correlated(squares, self._seen) - self._sum**2 / self._pairs

    def shift_of(self, other: Picture) -> tuple[float, float, float] | None:
        """Position of the own middle on the other (right, forward, in heights), and the correlation."""
        second, squares = _packed(other * _shown()), _packed(np.square(other) * _shown())
        sums = _correlated(self._seen, second)
        product = _correlated(self._first, second) - self._sum * sums / self._pairs
        spread = self._spread * (_correlated(self._seen, squares) - sums**2 / self._pairs)
        quality = product / np.sqrt(np.maximum(spread, 1e-6))
        # Chance correlates better over less floor.
        ranked = np.where(self._allowed, quality * self._share, -np.inf)
        y, x = np.unravel_index(int(ranked.argmax()), ranked.shape)
        if not np.isfinite(ranked[y, x]):
            return None
        dy, dx = (at - _PADDED_PX if at > _PADDED_PX // 2 else at for at in (int(y), int(x)))
        return dx / FOCAL_PX, -dy / FOCAL_PX, float(quality[y, x])


@cache
def _overlaps() -> tuple[Picture, Picture, Picture, Mask]:
    """Spectrum of what a map shows; by shift, pixels that two maps show, their weight, what is in reach."""
    seen = _packed(_shown().astype(np.float32))
    pairs = np.maximum(_correlated(seen, seen), 1e-3)
    step = fft.fftfreq(_PADDED_PX, 1 / _PADDED_PX)
    far = np.hypot(step[:, None], step[None, :]) / FOCAL_PX
    area = _shown().sum()
    allowed = (far > _NEAREST) & (far < _FARTHEST) & (pairs > 0.15 * area)
    return seen, pairs, np.asarray(np.sqrt(pairs / area), np.float32), allowed


def _packed(plane: Picture) -> Picture:
    """Spectrum of a map as OpenCV packs it."""
    padded = np.zeros((_PADDED_PX, _PADDED_PX), np.float32)
    padded[:SIZE_PX, :SIZE_PX] = plane
    return np.asarray(cv2.dft(padded, nonzeroRows=SIZE_PX), np.float32)


def _correlated(left: Picture, right: Picture) -> Picture:
    """Sums, for each shift of the right map against the left, of the products of what lies together."""
    return np.asarray(cv2.idft(cv2.mulSpectrums(right, left, 0, conjB=True), flags=cv2.DFT_SCALE), np.float32)
