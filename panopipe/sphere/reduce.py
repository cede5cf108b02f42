"""Area reduction of a frame that arrives in bands."""

from __future__ import annotations

from collections.abc import Iterator

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
    start : int
        Column of the rows at which the output begins.

    Raises
    ------
    ValueError
        If the frame is not 2:1, or `out_width` is odd, below 2 or above `width`.
    """

    def __init__(self, width: int, height: int, out_width: int, start: int = 0) -> None:
        if width != 2 * height:
            raise ValueError(f"{width}x{height} is not 2:1")
        if out_width % 2 or not 2 <= out_width <= width:
            raise ValueError(
                f"cannot reduce {width} columns to {out_width}: give an even number up to {width}"
            )
        self._size, self._start = (height, width), start
        self._out = np.empty((out_width // 2, out_width, 3), np.float32)
        self._weights = _row_weights(height, out_width // 2)
        self._means = np.zeros((min(_AT_ONCE, out_width // 2), width * 3), np.float32)
        self._next = self._closed = 0
        self._added: list[tuple[NDArray[np.intp], NDArray[np.float64]]] = []

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

    def add(self, rows: NDArray[np.intp], columns: NDArray[np.intp], values: NDArray[np.float64]) -> None:
        """Add to single pixels of the frame, before or after their rows are taken.

        Parameters
        ----------
        rows, columns : ndarray of shape (m,), dtype intp
            Pixels of the frame, columns as those of the rows taken; no pixel twice.
        values : ndarray of shape (m, 3), dtype float64
            What to add to them.
        """
        if len(rows):
            turned = (columns - self._start) % self._size[1]
            self._added.append((rows * self._size[1] + turned, values))

    def _close(self, count: int) -> None:
        """Means of `count` output rows are whole: average their columns."""
        means = self._means[:count].reshape(count, -1, 3)
        if self._start:
            means = np.concatenate([means[:, self._start :], means[:, : self._start]], axis=1)
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
        if self._added:
            self._add_means()
            self._added = []
        return self._out

    def _add_means(self) -> None:
        """Average what was added to single pixels; each reaches one or two output rows and columns."""
        (height, width), (out_height, out_width) = self._size, self._out.shape[:2]
        places = np.concatenate([places for places, _ in self._added])
        order = np.argsort(places)  # one order of summing, however the frame was cut or turned
        values = np.concatenate([values for _, values in self._added])[order]
        rows, columns = np.divmod(places[order], width)
        reached, means = [], []
        for out_row, row_share in _shares_of_rows(height, out_height):
            for out_column, left, right in _parts(np.arange(width), width, out_width):
                share = row_share[rows] * ((right - left) / width)[columns]
                there = np.flatnonzero(share)
                reached.append(out_row[rows[there]] * out_width + out_column[columns[there]])
                means.append(values[there] * share[there, None])
        out_places = np.concatenate(reached)
        order = np.argsort(out_places, kind="stable")
        firsts = np.flatnonzero(np.diff(out_places[order], prepend=-1))
        sums = np.add.reduceat(np.concatenate(means)[order], firsts, axis=0)
        self._out.reshape(-1, 3)[out_places[order][firsts]] += sums.astype(np.float32)


def _row_weights(height: int, out_height: int) -> list[list[tuple[int, float, bool]]]:
    """For each row: the output rows it lies in, its weight in each, and whether it is the last there.

    The weight is that of a running mean: the row's solid angle in the output row over that of all its
    rows so far.
    """
    weights: list[list[tuple[int, float, bool]]] = [[] for _ in range(height)]
    for out_rows, top, bottom in _parts(np.arange(height), height, out_height):
        start, end = out_rows * height, (out_rows + 1) * height
        there = np.flatnonzero(bottom > top)
        so_far = _solid_angle(start, bottom, height * out_height)
        share = (_solid_angle(top, bottom, height * out_height)[there] / so_far[there]).tolist()
        closes = (bottom == end)[there].tolist()
        for row, *part in zip(there.tolist(), out_rows[there].tolist(), share, closes, strict=True):
            weights[row].append((part[0], part[1], part[2]))
    return weights


def _shares_of_rows(height: int, out_height: int) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float64]]]:
    """Output rows that each row lies in, and its share in each by solid angle."""
    for out_rows, top, bottom in _parts(np.arange(height), height, out_height):
        whole = _solid_angle(out_rows * height, (out_rows + 1) * height, height * out_height)
        yield out_rows, _solid_angle(top, bottom, height * out_height) / whole


def _parts(
    places: NDArray[np.intp], count: int, out_count: int
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]]:
    """Output rows (or columns) that rows lie in, one or two at a ratio of 1 or more, and from where to where.

    Edges are whole numbers, in units of 1 / (count out_count), so that overlaps are exact; a second part
    that is not there ends where it starts.
    """
    first, last = places * out_count // count, -(-(places + 1) * out_count // count) - 1
    for out, is_there in ((first, True), (last, last > first)):
        start = np.maximum(places * out_count, out * count)
        end = np.minimum((places + 1) * out_count, (out + 1) * count)
        yield out, start, np.where(is_there, end, start)


def _solid_angle(top: NDArray[np.intp], bottom: NDArray[np.intp], whole: int) -> NDArray[np.float64]:
    """Solid angle between rows' edges, up to a common factor; the frame is `whole` high."""
    return np.asarray(np.cos(np.pi * top / whole) - np.cos(np.pi * bottom / whole))
