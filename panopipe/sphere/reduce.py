"""Area reduction of a frame that arrives in bands."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.float32]


class AreaReducer:
    """Averages a frame down to a smaller one while its rows pass by.

    Each output pixel is the mean radiance of the solid angle it covers: columns weigh by their share of
    the pixel, rows by the solid angle of their share of it. So the solid-angle mean of the sphere is kept.
    The same bits come out however the rows are cut into bands.

    Parameters
    ----------
    width, height : int
        Size of the frame that will be taken.
    out_width : int
        Even; from 2 to `width`. The output is half as high as wide.

    Raises
    ------
    ValueError
        If the frame is not 2:1, or `out_width` is odd, below 2 or above `width`.
    """

    def __init__(self, width: int, height: int, out_width: int) -> None:
        if width != 2 * height:
            raise ValueError(f"{width}x{height} is not 2:1")
        if out_width % 2 or not 2 <= out_width <= width:
            raise ValueError(
                f"cannot reduce {width} columns to {out_width}: give an even number up to {width}"
            )
        self._size = (height, width)
        self._out = np.empty((out_width // 2, out_width, 3), np.float32)
        self._weights = _row_weights(height, out_width // 2)
        self._mean = np.zeros((1, width * 3), np.float32)
        self._next = 0

    def take(self, rows: Rows | NDArray[np.uint8] | NDArray[np.uint16], first: int) -> None:
        """Take rows of shape (n, width, 3) that follow the ones taken before.

        Whole numbers of 8 or 16 bits are averaged as they are, without becoming floats first.

        Raises
        ------
        ValueError
            If the rows do not follow on, or have another width.
        """
        if first != self._next or rows.shape[1:] != (self._size[1], 3):
            raise ValueError(f"rows {first} of shape {rows.shape} do not follow row {self._next}")
        kept = rows.dtype if rows.dtype in (np.uint8, np.uint16) else np.dtype(np.float32)
        flat = np.ascontiguousarray(rows, kept).reshape(len(rows), 1, 3 * self._size[1])
        for row in flat:
            for out_row, weight, closes in self._weights[self._next]:
                cv2.accumulateWeighted(row, self._mean, weight)
                if closes:
                    self._close(out_row)
            self._next += 1

    def _close(self, out_row: int) -> None:
        means = self._mean.reshape(1, -1, 3)
        if self._out.shape[1] == self._size[1]:
            self._out[out_row] = means[0]
        else:
            self._out[out_row] = cv2.resize(means, (self._out.shape[1], 1), interpolation=cv2.INTER_AREA)
        self._mean[:] = 0

    def result(self) -> Rows:
        """Return the reduced frame, float32 (out_width / 2, out_width, 3).

        Raises
        ------
        ValueError
            If rows are missing.
        """
        if self._next != self._size[0]:
            raise ValueError(f"only {self._next} of {self._size[0]} rows were taken")
        return self._out


def _row_weights(height: int, out_height: int) -> list[list[tuple[int, float, bool]]]:
    """For each row: the output rows it lies in, its weight in each, and whether it is the last there.

    The weight is that of a running mean: the row's solid angle in the output row over that of all its
    rows so far.
    """
    whole = height * out_height  # row edges are multiples of 1 / whole, so that overlaps are exact
    weights = []
    for row in range(height):
        parts = []
        for out_row in range(row * out_height // height, -(-(row + 1) * out_height // height)):
            start, end = out_row * height, (out_row + 1) * height
            top, bottom = max(row * out_height, start), min((row + 1) * out_height, end)
            so_far = _edge(start, whole) - _edge(bottom, whole)
            parts.append((out_row, (_edge(top, whole) - _edge(bottom, whole)) / so_far, bottom == end))
        weights.append(parts)
    return weights


def _edge(position: int, whole: int) -> float:
    """Sine of the pitch at a row edge; its differences are solid angles."""
    return math.cos(math.pi * position / whole)
