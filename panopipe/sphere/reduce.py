"""Area reduction of a frame that arrives in bands."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.float32]

_AT_ONCE = 8
"""Output rows whose columns are averaged in one go."""


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
        self._means = np.zeros((min(_AT_ONCE, out_width // 2), width * 3), np.float32)
        self._next = self._closed = 0

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
                mean = out_row - self._closed
                cv2.accumulateWeighted(row, self._means[mean : mean + 1], weight)  # the first weighs 1
                if closes and mean + 1 in (len(self._means), len(self._out) - self._closed):
                    self._close(mean + 1)
            self._next += 1

    def _close(self, count: int) -> None:
        """Means of `count` output rows are whole: average their columns."""
        means = self._means[:count].reshape(count, -1, 3)
        out = self._out[self._closed : self._closed + count]
        if out.shape[1] == self._size[1]:
            out[:] = means
        else:
            cv2.resize(means, (out.shape[1], count), dst=out, interpolation=cv2.INTER_AREA)
        self._closed += count

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
    row = np.arange(height)
    weights: list[list[tuple[int, float, bool]]] = [[] for _ in range(height)]
    # At a ratio of 1 or more a row lies in one output row or two.
    for out_row in (row * out_height // height, -(-(row + 1) * out_height // height) - 1):
        start, end = out_row * height, (out_row + 1) * height
        top, bottom = np.maximum(row * out_height, start), np.minimum((row + 1) * out_height, end)
        share = (_edge(top, whole) - _edge(bottom, whole)) / (_edge(start, whole) - _edge(bottom, whole))
        for parts, *part in zip(
            weights, out_row.tolist(), share.tolist(), (bottom == end).tolist(), strict=True
        ):
            if not parts or parts[0][0] != part[0]:
                parts.append((part[0], part[1], part[2]))
    return weights


def _edge(position: NDArray[np.intp], whole: int) -> NDArray[np.float64]:
    """Sine of the pitch at row edges; its differences are solid angles."""
    return np.asarray(np.cos(np.pi * position / whole))
