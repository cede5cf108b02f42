"""Weighted sums of rows, and of the columns of a row: what area reduction is made of."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Row = NDArray[np.float32]


@compiled("add_row")
def add_row(row: NDArray[Any], weight: float, start: int, sums: Row) -> None:
    """Add a row, weighed, to sums.

    Parameters
    ----------
    row : ndarray of shape (width, 3), dtype uint8, uint16 or float32
        Contiguous.
    weight : float
        Rounded to float32.
    start : int
        Column of the row that goes to the first of the sums; the others follow, going round.
    sums : ndarray of shape (width, 3), dtype float32
        Contiguous.
    """
    sums += np.float32(weight) * np.roll(row, -start, axis=0).astype(np.float32)


@compiled("mean_columns")
def mean_columns(row: Row, firsts: NDArray[np.int32], shares: Row, out: Row) -> None:
    """Sum runs of columns by their shares.

    Parameters
    ----------
    row : ndarray of shape (width, 3), dtype float32
        Contiguous.
    firsts : ndarray of shape (n,), dtype int32
        First column of each run; all runs lie in the row.
    shares : ndarray of shape (n, m), dtype float32
        Weight of each column of a run.
    out : ndarray of shape (n, 3), dtype float32
        Takes the sums, added up from the first column on.
    """
    out[:] = 0
    for number, share in enumerate(shares.T):
        out += share[:, None] * row[firsts + number]
