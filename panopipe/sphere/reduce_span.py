"""Area reduction of some rows of a frame, for the part of a frame that was changed."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.float32]


def reduced_rows(first: int, last: int, height: int, out_height: int) -> tuple[int, int]:
    """Rows of the reduced frame that touch rows `first` to `last` of a frame `height` rows high."""
    return first * out_height // height, -(-last * out_height // height)


def covering_rows(out_first: int, out_last: int, height: int, out_height: int) -> tuple[int, int]:
    """Rows of the full frame that reduced rows `out_first` to `out_last` are made of."""
    return out_first * height // out_height, -(-out_last * height // out_height)


def reduce_span(rows: Rows, first: int, out_width: int, out_rows: tuple[int, int]) -> Rows:
    """Average rows of a frame down to rows of a smaller one.

    The same averages as those of `AreaReducer`: columns weigh by their share of the pixel, rows by the
    solid angle of their share of it.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32
        At least the `covering_rows` of the reduced rows that are wanted.
    first : int
        Row of the frame that `rows[0]` is.
    out_width : int
        Width of the reduced frame.
    out_rows : tuple of int
        First and one past the last of its rows that are wanted.

    Returns
    -------
    ndarray of shape (m, out_width, 3), dtype float32
        The reduced rows `out_rows`.
    """
    height, out_height = rows.shape[1] // 2, out_width // 2
    top, bottom = out_rows
    narrow = rows
    if out_width != rows.shape[1]:
        narrow = np.stack([_narrow(row, out_width) for row in rows])
    shares = _shares(np.arange(first, first + len(rows)), np.arange(top, bottom), height, out_height)
    out = np.zeros((bottom - top, out_width, 3), np.float32)
    for out_row, row in zip(*np.nonzero(shares), strict=True):
        cv2.scaleAdd(narrow[row], float(shares[out_row, row]), out[out_row], out[out_row])
    return out


def _narrow(row: Rows, out_width: int) -> Rows:
    return np.asarray(cv2.resize(row[None], (out_width, 1), interpolation=cv2.INTER_AREA)[0], np.float32)


def _shares(
    rows: NDArray[np.intp], out_rows: NDArray[np.intp], height: int, out_height: int
) -> NDArray[np.float64]:
    """Share of each row in each reduced row, by solid angle."""

    def cap(edge: NDArray[np.intp]) -> NDArray[np.float64]:
        # Edges in units of 1 / (height out_height), so that overlaps are exact.
        return np.cos(np.pi * edge / (height * out_height))

    upper, lower = out_rows[:, None] * height, (out_rows[:, None] + 1) * height
    top = np.maximum(rows[None] * out_height, upper)
    bottom = np.maximum(np.minimum((rows[None] + 1) * out_height, lower), top)
    return (cap(top) - cap(bottom)) / (cap(upper) - cap(lower))
