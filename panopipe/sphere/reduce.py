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
            raise ValueError(f"cannot reduce {width} columns to {out_width}: give an even number up to {width}")
        self._size = (height, width)
        self._out = np.empty((out_width // 2, out_width, 3), np.float32)
        self._shares = _row_shares(height, out_width // 2)
        self._sum = np.zeros((1, width * 3), np.float32)
        self._next = 0

    def take(self, rows: Rows, first: int) -> None:
        """Take rows of shape (n, width, 3), float32, that follow the ones taken before.

        Raises
        ------
        ValueError
            If the rows do not follow on, or have another width.
        """
        if first != self._next or rows.shape[1:] != (self._size[1], 3):
            raise ValueError(f"rows {first} of shape {rows.shape} do not follow row {self._next}")
        flat = np.ascontiguousarray(rows, np.float32).reshape(len(rows), 1, 3 * self._size[1])
        for row in flat:
            for out_row, share, closes in self._shares[self._next]:
                cv2.scaleAdd(row, share, self._sum, self._sum)
                if closes:
                    self._close(out_row)
            self._next += 1

    def _close(self, out_row: int) -> None:
        sums = self._sum.reshape(1, -1, 3)
        if self._out.shape[1] == self._size[1]:
            self._out[out_row] = sums[0]
        else:
            self._out[out_row] = cv2.resize(sums, (self._out.shape[1], 1), interpolation=cv2.INTER_AREA)
        self._sum[:] = 0

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


def _row_shares(height: int, out_height: int) -> list[list[tuple[int, float, bool]]]:
    """For each row: the output rows it lies in, its share of each by solid angle, and if it is the last."""
    shares = []
    for row in range(height):
        first = row * out_height // height
        last = -(-(row + 1) * out_height // height)
        parts = []
        for out_row in range(first, last):
            # In units of 1 / (height out_height), so that the overlap is exact.
            top = max(row * out_height, out_row * height)
            bottom = min((row + 1) * out_height, (out_row + 1) * height)
            whole = _cap(out_row * height, height * out_height) - _cap(
                (out_row + 1) * height, height * out_height
            )
            part = _cap(top, height * out_height) - _cap(bottom, height * out_height)
            parts.append((out_row, part / whole, bottom == (out_row + 1) * height))
        shares.append(parts)
    return shares


def _cap(position: int, height: int) -> float:
    """Sine of the pitch at a row edge; its differences are solid angles."""
    return math.cos(math.pi * position / height)
