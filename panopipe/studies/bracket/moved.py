"""Places where exposures disagree beyond noise: something moved. For each, those of one moment are used.

Exposures that follow each other in light are compared as small pictures laid on the reference. What differs
by more than noise, and more than half a pixel of misplacement explains, is taken with all that hangs together
with it: neighbours that chose different exposures would show pieces of two moments [1]_.

References
----------
.. [1] P. Sen and C. Aguerrebere, Practical high dynamic range imaging of everyday scenes, IEEE Signal
   Processing Magazine 33 (5), 2016.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.planes import highest_plane
from panopipe.sphere.geometry import pitch_of_row, pixel_solid_angle, yaw_of_column
from panopipe.studies.bracket.register import Look

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_SURE, _BEGIN = 6.0, 3.0
"""Standard deviations of a mean of 3 x 3 pixels from which something has moved, and down to which its place
reaches: in 131,000 such means the largest of noise alone is 4.5."""
_UNLIKE = 0.03
"""Of light: lamps flicker, black levels are off by a count, lenses are not quite linear."""
_MISPLACED_PX = 0.3
"""Of the small picture: what registration may leave where things are near."""
_BRIGHTEST = 0.8
"""Share of saturation that an exposure must stay below around a pixel to be compared there."""
_RIM_PX = 4
"""Around what differs: edges of what moved, and the width over which the border is hidden."""
_FEWEST_PX = 4
_NEAR_PX = 5
"""Places not further than twice this from each other choose together."""
_MOST_PLACES = 200
_CLIPS, _CLIPS_FREE, _FAR_EV = 50.0, 0.001, 0.01
"""Cost of the share of a place that an exposure clips beyond a thousandth, and of each EV that it lies off
the reference, against the noise over light that it has there."""


@dataclass(frozen=True, slots=True)
class Moved:
    """One connected place where something moved.

    Attributes
    ----------
    exposure : int
        Which exposure is used there, by its place among those that are merged.
    top, left : int
        First row and column in the small picture; columns may go on beyond its width.
    rows, columns : int
        Size.
    inside : ndarray of shape (n,), dtype uint8
        Bits, row by row: whether a pixel is part of it.
    width : int
        Of the small picture.
    others : tuple of int
        Exposures that show the same moment there: what the one holds in its noise, they hold well.
    """

    exposure: int
    top: int
    left: int
    rows: int
    columns: int
    inside: NDArray[np.uint8]
    width: int
    others: tuple[int, ...] = ()

    @property
    def moment(self) -> tuple[int, ...]:
        """All exposures that are used."""
        return (self.exposure, *self.others)

    def is_sound(self, exposures: int) -> bool:
        """Whether it can be a place: it may come from a job folder that a stranger made."""
        numbers = (self.exposure, self.top, self.left, self.rows, self.columns, self.width)
        if not isinstance(self.others, tuple) or len(set(self.moment)) != len(self.moment):
            return False
        if not all(type(number) is int for number in (*numbers, *self.others)):
            return False
        if not all(0 <= exposure < exposures for exposure in self.moment):
            return False
        if not (16 <= self.width <= 4096 and 0 <= self.left < self.width and 0 < self.columns <= self.width):
            return False
        if not (self.top >= 0 and 0 < self.rows <= self.width // 2 - self.top):
            return False
        inside = self.inside
        size = (self.rows * self.columns + 7) // 8
        return isinstance(inside, np.ndarray) and inside.dtype == np.uint8 and inside.shape == (size,)

    def mask(self) -> Mask:
        """The place, shape (rows, columns)."""
        bits = np.unpackbits(self.inside, count=self.rows * self.columns)
        return bits.reshape(self.rows, self.columns).astype(bool)

    def alpha(self) -> tuple[Picture, int, int]:
        """How far the one exposure is used, 1 to 0 over the rim; and the first row and column of that."""
        rim = 2
        wide = np.pad(self.mask().astype(np.float32), 2 * rim)
        return (
            cv2.GaussianBlur(wide, (2 * rim + 1, 2 * rim + 1), rim / 2),
            self.top - 2 * rim,
            self.left - 2 * rim,
        )

    def share_percent(self) -> float:
        """Share of the sphere."""
        rows = pixel_solid_angle(self.width // 2)[self.top : self.top + self.rows]
        return float(100 * (self.mask() * rows[:, None]).sum() / (4 * np.pi))

    def direction_deg(self, anchor_share: float) -> tuple[float, float]:
        """Yaw and pitch of its middle in the file, of which the frame begins at `anchor_share`."""
        column = self.left + self.columns / 2 + anchor_share * self.width
        yaw = float(yaw_of_column(column % self.width, self.width))
        return yaw, float(pitch_of_row(self.top + self.rows / 2, self.width // 2))


def find_moved(looks: Sequence[Look], times: Sequence[float], reference: int) -> tuple[Moved, ...]:
    """Find what moved, and choose an exposure for each place.

    Parameters
    ----------
    looks : sequence of Look
        Small pictures of the exposures, laid on the reference.
    times : sequence of float
        Light that each took against the reference.
    reference : int
        Which of them it is.
    """

    @cache
    def difference(short: int, long: int) -> Picture:
        return _difference(looks[short], looks[long], times[short], times[long])

    order = sorted(range(len(looks)), key=lambda i: times[i])
    height, width = looks[0].share.shape[:2]
    differs = np.zeros((height, width), np.float32)
    for short, long in pairwise(order):
        differs = np.maximum(differs, difference(short, long))
    labels, count = _connected(_spread(differs))
    found = []
    for number in range(1, min(count, _MOST_PLACES) + 1):
        place = labels == number
        chosen = _chosen(place, looks, times, reference)
        found.append(_moved(place, chosen, _of_its_moment(place, chosen, times, difference), width))
    return tuple(found)


def _difference(short: Look, long: Look, short_time: float, long_time: float) -> Picture:
    """How unlike two exposures are around each pixel, in standard deviations; 0 where that cannot be told."""
    one, two = short.share / np.float32(short_time), long.share / np.float32(long_time)
    light, near, far = np.maximum(one, 0), np.ones((3, 3), np.uint8), np.ones((5, 5), np.uint8)
    expected = one * np.float32(long_time)
    fits = (cv2.dilate(expected, far) < _BRIGHTEST) & (cv2.dilate(long.share, far) < _BRIGHTEST)
    lost = (cv2.erode(long.share, near) > _LOST) & (cv2.dilate(expected, near) < _KEPT)
    spared = (cv2.erode(expected, near) > _BEYOND_DOUBT) & (cv2.dilate(long.share, near) < _BRIGHTEST)
    noise = _variance(light, short, short_time) + _variance(light, long, long_time)
    mean = cv2.blur(one - two, (3, 3))
    allowed = (_UNLIKE * np.maximum(two, 0)) ** 2 + (_MISPLACED_PX * _gradient(two)) ** 2
    size = np.abs(mean) / np.sqrt(cv2.blur(noise, (3, 3)) / 9 + allowed + 1e-12)
    contradicts = highest_plane(lost | spared)
    return np.where(contradicts, np.float32(2 * _SURE), highest_plane(size * fits)).astype(np.float32)


_LOST, _KEPT, _BEYOND_DOUBT = 0.95, 0.5, 1.25
"""Share of saturation that an exposure has around a pixel, and that a shorter one lets expect of it; and what
it lets expect of one that is not saturated: they saw two moments."""


def _variance(light: Picture, look: Look, time: float) -> Picture:
    noise = look.noise.astype(np.float32)
    return (noise[:, 0] * light / np.float32(time) + noise[:, 1] / np.float32(time**2)).astype(np.float32)


def _gradient(light: Picture) -> Picture:
    """Change of light from pixel to pixel, the largest around."""
    smooth = cv2.blur(light, (3, 3))
    wide = np.concatenate([smooth[:, -1:], smooth, smooth[:, :1]], axis=1)
    right = np.abs(wide[:, 2:] - wide[:, :-2]) / 2
    tall = np.concatenate([smooth[:1], smooth, smooth[-1:]], axis=0)
    down = np.abs(tall[2:] - tall[:-2]) / 2
    return np.asarray(cv2.dilate((right + down).astype(np.float32), np.ones((3, 3), np.uint8)), np.float32)


def _spread(differs: Picture) -> Mask:
    """Places around what surely moved, closed and a little wider; around the sides."""
    width = differs.shape[1]
    turned = np.concatenate([differs, differs], axis=1)  # a place across the cut is whole somewhere
    low = (turned > _BEGIN).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(low, connectivity=8)
    sure = np.zeros(count, bool)
    sure[np.unique(labels[turned > _SURE])] = True
    sure &= stats[:, cv2.CC_STAT_AREA] >= _FEWEST_PX
    sure[0] = False
    kept = sure[labels].astype(np.uint8)
    round_kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * _RIM_PX + 1, 2 * _RIM_PX + 1))
    closed = cv2.morphologyEx(kept, cv2.MORPH_CLOSE, round_kernel)
    wide = cv2.dilate(closed, round_kernel)
    return np.asarray((wide[:, :width] | wide[:, width:]) > 0)


def _connected(mask: Mask) -> tuple[NDArray[np.int32], int]:
    """Number the places, the largest first; those near each other are one, and those across the cut.

    A lamp and the cord that it hangs from are to be of one moment.
    """
    near = np.concatenate([mask[:, -_NEAR_PX:], mask, mask[:, :_NEAR_PX]], axis=1).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * _NEAR_PX + 1, 2 * _NEAR_PX + 1))
    joined = cv2.dilate(near, kernel)[:, _NEAR_PX:-_NEAR_PX]
    count, labels = cv2.connectedComponents(joined, connectivity=8)
    names = np.arange(count)
    for left, right in zip(labels[:, 0], labels[:, -1], strict=True):
        if left and right:
            names[names == names[right]] = names[left]
    labels = np.where(mask, names[labels], 0)
    kinds, sizes = np.unique(labels[labels > 0], return_counts=True)
    ranked = np.zeros(count, np.int32)
    ranked[kinds[np.argsort(-sizes, kind="stable")]] = np.arange(1, len(kinds) + 1)
    return ranked[labels], len(kinds)


def _chosen(place: Mask, looks: Sequence[Look], times: Sequence[float], reference: int) -> int:
    costs = []
    for look, time in zip(looks, times, strict=True):
        share = look.share[place]
        clipped = float(np.mean(share.max(axis=1) > _BRIGHTEST))
        mean = np.maximum(share.mean(axis=1), 1e-5)
        noise = np.sqrt(mean * look.noise[:, 0].mean() + look.noise[:, 1].mean()) / mean
        costs.append(
            _CLIPS * max(clipped - _CLIPS_FREE, 0)
            + float(np.median(noise))
            + _FAR_EV * abs(float(np.log2(time)))
        )
    costs[reference] -= 1e-9
    return int(np.argmin(costs))


def _of_its_moment(
    place: Mask, chosen: int, times: Sequence[float], difference: Callable[[int, int], Picture]
) -> tuple[int, ...]:
    """Exposures that differ nowhere in a place from the one chosen, nor from each other."""

    def is_same(one: int, two: int) -> bool:
        differs = difference(*sorted((one, two), key=lambda i: (times[i], i)))
        return int(np.count_nonzero(differs[place] > _BEGIN)) < _FEWEST_PX

    moment = [chosen]
    for other in sorted(range(len(times)), key=lambda i: abs(float(np.log2(times[i] / times[chosen])))):
        if other not in moment and all(is_same(other, one) for one in moment):
            moment.append(other)
    return tuple(sorted(moment[1:]))


def _moved(place: Mask, exposure: int, others: tuple[int, ...], width: int) -> Moved:
    rows = np.flatnonzero(place.any(axis=1))
    columns: Mask = np.asarray(place.any(axis=0))
    gaps = np.flatnonzero(~columns)
    across = bool(columns[0]) and bool(columns[-1]) and len(gaps) > 0
    left = int(gaps[-1]) + 1 if across else 0  # where it goes on across the cut
    turned = np.roll(place, -left, axis=1)
    there = np.flatnonzero(turned.any(axis=0))
    first = int(there[0])
    part = turned[rows[0] : rows[-1] + 1, first : int(there[-1]) + 1]
    inside = np.packbits(part.reshape(-1))
    start = (left + first) % width
    return Moved(exposure, int(rows[0]), start, part.shape[0], part.shape[1], inside, width, others)
