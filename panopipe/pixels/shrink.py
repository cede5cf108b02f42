"""One scale of a multi-scale shrinkage: what stands out of the noise stays, the rest goes.

A plane is parted, without decimation, into a smooth plane and its detail. The energy of detail in a window,
against the energy noise would have there, tells how much goes: ``(limit / energy)**2``, and all where noise
alone may have made it. Lightness is judged in three bands: across, down and both. A colour mostly changes
where lightness does, and lightness has less noise: so the detail of a colour is first guessed from that of
lightness which stays, by regression over the window [2]_, and only what differs from the guess is judged by
its energy, all directions at once.

Horizontal spacings may differ from row to row, so that a window covers the same angle at every pitch.
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
_WINDOW = np.float32((2 * WINDOW_REACH + 1) ** 2)
"""Values in a window."""
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
        Rows between the steps of filters.
    from_one : int
        1 at the finest scale, where a row is smoothed with steps of 1, 2, 4 and so on up to its own; else 0.
    columns : ndarray of shape (rows,), dtype int32
        Columns between the steps of filters, row by row; `WINDOW_REACH` plus twice `SMOOTH_REACH` of them
        reach no further than the width.
    noise : ndarray of shape (3, 4), dtype float32
        Variance of each plane's noise: a linear form of the three smooth planes, and what is added to it,
        above 0; it is never less than this last.
    shares : ndarray of shape (rows, 5), dtype float32
        Share of that variance which the three bands of lightness and the detail of either colour hold.
    control : ndarray of shape (3, 2), dtype float32
        For each plane the limit of energy, in units of the noise's own, that noise reaches, and the share of
        detail below it that goes.
    skip : int
        Rows of the smooth planes to leave out at the top, beside the ``2 spacing`` that cannot be had.
    fresh : int
        1 to take off a copy of the planes, 0 to take off what stands in `change`.
    smooth : ndarray of shape (3, m, width) or (3, m, width // 2), dtype float32
        Takes m rows of the smooth planes, or the mean of two by two pixels of twice as many.
    change : ndarray of shape (3, n, width), dtype float32
        Is taken from; its rows are the middle ones of `planes`, at most ``rows - 8 spacing`` of them.
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
    variance = _variance(low, noise)
    weights = np.float32(1) / shares[:3] * (np.float32(1) / variance[0])
    windows = _Windows(columns, spacing, beyond)
    gone, all_of_it = np.zeros((2, *change.shape[1:]), np.float32)
    for band, weight in zip(bands, weights, strict=True):
        energy = windows.total(band * band * weight)
        gone += windows.middle(band) * _going(energy, control[0, 0] * _WINDOW)
        all_of_it += windows.middle(band)
    change[0] -= control[0, 1] * gone
    own = variance[1:] * shares[3:]
    change[1:] -= _colour_that_goes(middle - low, all_of_it - gone, own, control, windows)


@dataclass(frozen=True)
class _Windows:
    """Sums over windows, for all rows but some at either end."""

    columns: Columns
    spacing: int
    beyond: int

    def total(self, values: Planes) -> Planes:
        """Sums over the window of each."""
        along = _sum_along(values, self.columns)
        rows = slice(self.beyond, len(values) - self.beyond)
        total = along[rows].copy()
        for step in range(self.spacing, WINDOW_REACH * self.spacing + 1, self.spacing):
            total += along[rows.start - step : rows.stop - step] + along[rows.start + step : rows.stop + step]
        return total

    def middle(self, values: Planes) -> Planes:
        """Values of these rows."""
        return values[self.beyond : len(values) - self.beyond]


def _colour_that_goes(
    detail: Planes, lightness: Planes, noise: Planes, control: Planes, windows: _Windows
) -> Planes:
    """What goes of both colours, beside what the lightness that stays lets guess.

    All sums are weighted alike, by the noise of both colours: only so is what a guess leaves never less than
    it is.
    """
    light, weight = detail[0], np.float32(1) / (noise[0] + noise[1])
    lit = np.float32(1) / np.maximum(windows.total(light * light * weight), _LEAST_ENERGY)
    goes = []
    for colour, own, (limit, share) in zip(detail[1:], noise, control[1:], strict=True):
        weighted = colour * weight
        energy, both = windows.total(colour * weighted), windows.total(light * weighted)
        slope = both * lit
        threshold = windows.middle(np.asarray(own * weight * (limit * _WINDOW)))
        rest = windows.middle(colour) - slope * lightness
        left = np.asarray(energy - slope * both, np.float32)
        goes.append(share * (rest * _going(left, threshold)))
    return np.stack(goes)


def _variance(smooth: Planes, noise: Planes) -> Planes:
    first, second, third = smooth
    forms = [a * first + b * second + c * third + least for a, b, c, least in noise]
    return np.stack([np.maximum(form, least) for form, least in zip(forms, noise[:, 3], strict=True)])


def _going(energy: Planes, limit: Planes | np.float32) -> Planes:
    ratio = limit / np.maximum(energy, limit)
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
