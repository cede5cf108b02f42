"""One scale of a multi-scale shrinkage: what stands out of the noise stays, the rest goes.

A plane is parted, without decimation, into a smooth plane and its detail. The energy of detail in a window,
against the energy noise would have there, tells how much goes: ``(limit / energy)**2``, and all where noise
alone may have made it. Lightness is judged in three bands: across, down and both. A colour mostly changes
where lightness does, and lightness has less noise: so the detail of a colour is first guessed from that of
lightness which stays, by regression over the window [2]_, and only what differs from the guess is judged by
its energy, all directions at once.

Rows are judged two by two, an even one and the odd one after it: their windows would say nearly the same.
Horizontal spacings may differ from pair to pair, so that a window covers the same angle at every pitch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Planes = NDArray[np.float32]
Columns = NDArray[np.int32]

SMOOTH_REACH, WINDOW_REACH = 2, 2
"""Steps of the spacing that the smoothing and the window of energy reach to either side."""
_OUTER, _INNER, _MIDDLE = np.float32(1 / 16), np.float32(1 / 4), np.float32(3 / 8)
"""The cubic B-spline that smooths [1]_.

References
----------
.. [1] J.-L. Starck, J. Fadili, F. Murtagh, The undecimated wavelet decomposition and its reconstruction,
   IEEE Trans. Image Processing 16 (2), 2007.
.. [2] K. He, J. Sun, X. Tang, Guided image filtering, IEEE Trans. Pattern Analysis and Machine Intelligence
   35 (6), 2013: the same regression, of pixels instead of their detail.
"""
_LEAST_ENERGY = np.float32(1e-6)
"""In units of the noise's own; below it there is no lightness to guess a colour from."""


@compiled("shrink")
def shrink(  # noqa: PLR0913, PLR0917 - a kernel takes arrays, no objects
    planes: Planes,
    spacing: int,
    from_one: int,
    columns: Columns,
    noise: Planes,
    shares: Planes,
    control: Planes,
    odd: int,
    skip: int,
    fresh: int,
    smooth: Planes,
    change: Planes,
) -> None:
    """Part planes at one scale, and take off what goes of their detail.

    Parameters
    ----------
    planes : ndarray of shape (3, rows, width), dtype float32
        A lightness and two colour differences, linear in light; a row goes on at its other end.
    spacing : int
        Rows between the steps of filters: 1 or an even number.
    from_one : int
        1 at the finest scale, where a row is smoothed with steps of 1, 2, 4 and so on up to its own; else 0.
    columns : ndarray of shape (rows,), dtype int32
        Columns between the steps of filters, row by row, alike in both rows of a pair; `WINDOW_REACH` plus
        twice `SMOOTH_REACH` of them reach no further than the width.
    noise : ndarray of shape (3, 4), dtype float32
        Variance of each plane's noise: a linear form of the three smooth planes, and what is added to it,
        above 0; it is never less than this last.
    shares : ndarray of shape (rows, 5), dtype float32
        Share of that variance which the three bands of lightness and the detail of either colour hold, alike
        in both rows of a pair.
    control : ndarray of shape (3, 2), dtype float32
        For each plane the limit of energy, in units of the noise's own, that noise reaches, and the share of
        detail below it that goes.
    odd : int
        1 if the first row of the planes is the second one of its pair, else 0.
    skip : int
        Rows of the smooth planes to leave out at the top, beside the ``2 spacing`` that cannot be had.
    fresh : int
        1 to take off a copy of the planes, 0 to take off what stands in `change`.
    smooth : ndarray of shape (3, m, width) or (3, m, width // 2), dtype float32
        Takes m rows of the smooth planes, or the mean of two by two pixels of as many pairs.
    change : ndarray of shape (3, n, width), dtype float32
        Is taken from; its rows are the middle ones of `planes`, at most ``rows - 8 spacing - 2`` of them.
    """
    step, rows = SMOOTH_REACH * spacing, planes.shape[1]
    inner = slice(step, rows - step)
    middle, columns, shares = planes[:, inner], columns[inner], shares[inner].T[..., None]
    down = smooth_down(planes, spacing)
    low = np.stack([smooth_along(plane, columns, from_one) for plane in down])
    if smooth.shape[2] == planes.shape[2]:
        smooth[:] = low[:, skip : skip + smooth.shape[1]]
    else:
        smooth[:] = _halved(low[:, skip : skip + 2 * smooth.shape[1]])
    beyond = (rows - 2 * step - change.shape[1]) // 2
    if fresh:
        change[:] = middle[:, beyond : middle.shape[1] - beyond]
    along, across = smooth_along(middle[0], columns, from_one), down[0] - low[0]
    bands = (along - low[0], across, middle[0] - along - across)
    pairs = _Pairs(columns[odd + 1 :: 2], spacing, odd, beyond, change.shape[1])
    variance = _variance(pairs.sums(low) * np.float32(0.5), noise)
    weights = np.float32(1) / pairs.firsts(shares)[:3] * (np.float32(1) / variance[0])
    gone, all_of_it = np.zeros((2, *change.shape[1:]), np.float32)
    for band, weight in zip(bands, weights, strict=True):
        energy = pairs.windows(pairs.sums(band * band) * weight)
        gone += pairs.middle(band) * pairs.rows(_going(energy, control[0, 0] * pairs.window))
        all_of_it += pairs.middle(band)
    change[0] -= control[0, 1] * gone
    own = variance[1:] * pairs.firsts(shares)[3:]
    change[1:] -= _colour_that_goes(middle - low, all_of_it - gone, own, control, pairs)


@dataclass(frozen=True)
class _Pairs:
    """Rows two by two, and sums over windows of such pairs.

    Attributes
    ----------
    columns : ndarray of shape (pairs,), dtype int32
        Columns between the values of a window.
    spacing : int
        Rows between them.
    odd : int
        1 if the first row belongs to the pair before these.
    beyond, count : int
        Rows to leave out at the top, then rows that windows are wanted for.
    """

    columns: Columns
    spacing: int
    odd: int
    beyond: int
    count: int

    @property
    def steps(self) -> list[int]:
        """Pairs between the middle of a window and those further out."""
        if self.spacing == 1:
            return [1]
        return [step * self.spacing // 2 for step in range(1, WINDOW_REACH + 1)]

    @property
    def window(self) -> np.float32:
        """Values in a window."""
        return np.float32(2 * (2 * len(self.steps) + 1) * (2 * WINDOW_REACH + 1))

    def firsts(self, values: Planes) -> Planes:
        """Values of the first row of each pair."""
        return values[:, self.odd :: 2][:, : len(self.columns)]

    def sums(self, values: Planes) -> Planes:
        """Sums of both rows of each pair."""
        seconds = values[..., self.odd + 1 :: 2, :]
        return np.asarray(values[..., self.odd :: 2, :][..., : seconds.shape[-2], :] + seconds)

    @property
    def wanted(self) -> slice:
        """Pairs of the rows that are wanted."""
        first = self.beyond - self.odd
        return slice(first // 2, (first + self.count + 1) // 2)

    def windows(self, values: Planes) -> Planes:
        """Sums over the window of each pair that is wanted, of values of all pairs."""
        along, pairs = _sum_along(values, self.columns), self.wanted
        total = along[pairs].copy()
        for step in self.steps:
            total += (
                along[pairs.start - step : pairs.stop - step] + along[pairs.start + step : pairs.stop + step]
            )
        return total

    def rows(self, values: Planes) -> Planes:
        """For each row that is wanted what stands for its pair."""
        first = (self.beyond - self.odd) % 2
        return np.repeat(values, 2, axis=0)[first : first + self.count]

    def middle(self, values: Planes) -> Planes:
        """Values of the rows that are wanted."""
        return values[self.beyond : self.beyond + self.count]


def _colour_that_goes(
    detail: Planes, lightness: Planes, noise: Planes, control: Planes, pairs: _Pairs
) -> Planes:
    """What goes of both colours, beside what the lightness that stays lets guess.

    All sums are weighted alike, by the noise of both colours: only so is what a guess leaves never less than
    it is.
    """
    light, weight = detail[0], np.float32(1) / (noise[0] + noise[1])
    lit = np.float32(1) / np.maximum(pairs.windows(pairs.sums(light * light) * weight), _LEAST_ENERGY)
    goes = []
    for colour, own, (limit, share) in zip(detail[1:], noise, control[1:], strict=True):
        energy = pairs.windows(pairs.sums(colour * colour) * weight)
        both = pairs.windows(pairs.sums(light * colour) * weight)
        slope = np.asarray(both * lit, np.float32)
        threshold = np.asarray(own * weight * (limit * pairs.window), np.float32)[pairs.wanted]
        left = _going(np.asarray(energy - slope * both, np.float32), threshold)
        rest = pairs.middle(colour) - pairs.rows(slope) * lightness
        goes.append(share * (rest * pairs.rows(left)))
    return np.stack(goes)


def _variance(smooth: Planes, noise: Planes) -> Planes:
    first, second, third = smooth
    forms = [a * first + b * second + c * third + least for a, b, c, least in noise]
    return np.stack([np.maximum(form, least) for form, least in zip(forms, noise[:, 3], strict=True)])


def _going(energy: Planes, limit: Planes | np.float32) -> Planes:
    ratio = np.asarray(limit / np.maximum(energy, limit), np.float32)
    return np.asarray(ratio * ratio)


def smooth_along(plane: Planes, columns: Columns, from_one: int) -> Planes:
    """Smooth along the rows."""
    out = np.empty_like(plane)
    for some in np.unique(columns):
        rows = plane[columns == some]
        step = 1 if from_one else int(some)
        while step <= some:
            outer, inner = _pair(rows, 2 * step), _pair(rows, step)
            rows = np.asarray(outer * _OUTER + inner * _INNER + rows * _MIDDLE)
            step *= 2
        out[columns == some] = rows
    return out


def _pair(rows: Planes, by: int) -> Planes:
    """Sum of the pixels so far to the left and to the right."""
    count = rows.shape[-1]
    by %= count
    around = np.concatenate([rows[..., count - by :], rows, rows[..., :by]], axis=-1)
    return np.asarray(around[..., :count] + around[..., 2 * by :])


def smooth_down(planes: Planes, spacing: int) -> Planes:
    """Smooth down the columns; twice the spacing is lost at both ends."""
    count = planes.shape[1] - 4 * spacing
    first, second, third, fourth, fifth = (planes[:, n * spacing : n * spacing + count] for n in range(5))
    return np.asarray((first + fifth) * _OUTER + (second + fourth) * _INNER + third * _MIDDLE)


def _halved(planes: Planes) -> Planes:
    """Mean of two by two pixels."""
    upper, lower = planes[:, ::2], planes[:, 1::2]
    four = (upper[..., ::2] + upper[..., 1::2]) + (lower[..., ::2] + lower[..., 1::2])
    return np.asarray(four * np.float32(0.25))


def _sum_along(energy: Planes, columns: Columns) -> Planes:
    out = np.empty_like(energy)
    for some in np.unique(columns):
        rows = energy[columns == some]
        total = rows.copy()
        for step in range(1, WINDOW_REACH + 1):
            total += _pair(rows, step * int(some))
        out[columns == some] = total
    return out
