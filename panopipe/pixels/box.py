"""Means over windows with fractional ends, from running sums."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Doubles = NDArray[np.float64]


@compiled("box_round")
def box_round(rows: Doubles, reach: Doubles, out: Doubles) -> None:
    """Mean around each place of rows that go round.

    Parameters
    ----------
    rows : ndarray of shape (n, width, m), dtype float64
        Contiguous.
    reach : ndarray of shape (n,), dtype float64
        From a place's middle to the ends of its window, for each row; above 0, up to width / 2.
    out : ndarray of the shape of `rows`, dtype float64
        Contiguous; takes the means.
    """
    sums = np.cumsum(rows, axis=1)
    turn = sums[:, -1:].copy()
    sums -= rows  # of the places before each
    total = _going_round(rows, sums, turn, 0.5 + reach) - _going_round(rows, sums, turn, 0.5 - reach)
    out[:] = total / (2 * reach)[:, None, None]


def _going_round(rows: Doubles, sums: Doubles, turn: Doubles, offset: Doubles) -> Doubles:
    """Integral of each row's step function from its start to each place plus the row's offset."""
    count, width, planes = rows.shape
    whole = np.floor(offset)
    part = (offset - whole)[:, None, None]
    turns, place = np.divmod(np.arange(width) + whole.astype(np.intp)[:, None], width)
    index = place + width * np.arange(count)[:, None]
    before, here = (np.take(of.reshape(-1, planes), index, axis=0) for of in (sums, rows))
    return np.asarray(before + part * here + turns[..., None] * turn)


@compiled("box_along")
def box_along(rows: Doubles, weight: Doubles, ends: Doubles, out: Doubles) -> None:
    """Weighted mean of rows between fractional ends, column by column.

    Parameters
    ----------
    rows : ndarray of shape (n, m), dtype float64
        Contiguous.
    weight : ndarray of shape (n,), dtype float64
        Of each row, above 0.
    ends : ndarray of shape (2, k), dtype float64
        Where the window of each output row begins and ends: row i reaches from i to i + 1. Between 0 and n.
    out : ndarray of shape (k, m), dtype float64
        Contiguous; takes the means.
    """
    low, high = ends
    sums, weights = _sums(rows * weight[:, None]), _sums(weight[:, None])
    out[:] = (_at(sums, high) - _at(sums, low)) / (_at(weights, high) - _at(weights, low))


def _sums(values: Doubles) -> Doubles:
    """Running sums along axis 0, starting with 0."""
    sums = np.zeros((values.shape[0] + 1, values.shape[1]))
    np.cumsum(values, axis=0, out=sums[1:])
    return sums


def _at(sums: Doubles, place: Doubles) -> Doubles:
    whole = np.minimum(np.floor(place).astype(np.intp), len(sums) - 2)
    part = (place - whole)[:, None]
    return np.asarray(sums[whole] * (1 - part) + sums[whole + 1] * part)
