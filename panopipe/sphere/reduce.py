"""Area reduction of a frame that arrives in bands."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache
from itertools import pairwise, repeat

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.mean import add_row, mean_columns

Rows = NDArray[np.float32]
Added = tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.float64]]

_OUT_ROWS = 32
"""Rows that `RowReducer` gives at once."""


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
    start : float
        Column of the rows at which the output begins, going round; it may lie within one.
    out_rows : tuple of int, optional
        First and one past the last row of the output that is wanted; all by default. The rows to take are
        then those of `covering_rows`.

    Raises
    ------
    ValueError
        If the frame is not 2:1, or `out_width` is odd, below 2 or above `width`.
    """

    def __init__(
        self,
        width: int,
        height: int,
        out_width: int,
        start: float = 0,
        out_rows: tuple[int, int] | None = None,
    ) -> None:
        if width != 2 * height:
            raise ValueError(f"{width}x{height} is not 2:1")
        if out_width % 2 or not 2 <= out_width <= width:
            raise ValueError(
                f"cannot reduce {width} columns to {out_width}: give an even number up to {width}"
            )
        self._width, self._start = width, math.floor(start) % width
        begin = start - math.floor(start)
        self._first, self._last = out_rows or (0, out_width // 2)
        self._out = np.empty((self._last - self._first, out_width, 3), np.float32)
        self._rows = _rows_of(height, out_width // 2)
        self._columns = _columns_from(width, out_width, begin) if begin else _columns_of(width, out_width)
        self._beyond = self._columns[1].shape[1] if begin else 0
        self._sums = np.zeros((2, width, 3), np.float32)  # a row lies in two output rows at most
        self._begin, self._end = covering_rows(self._first, self._last, height, out_width // 2)
        self._next = self._begin

    def take(
        self, rows: Rows | NDArray[np.uint8] | NDArray[np.uint16], first: int, added: Added | None = None
    ) -> None:
        """Take rows of shape (n, width, 3) that follow the ones taken before.

        Whole numbers of 8 or 16 bits are averaged as they are, without becoming floats first.

        Parameters
        ----------
        rows : ndarray of shape (n, width, 3)
            The rows.
        first : int
            Row of the frame that `rows[0]` is.
        added : tuple, optional
            What is to be added to single pixels of these rows: their rows in the frame, ascending, their
            columns, and values of shape (m, 3); no pixel twice.

        Raises
        ------
        ValueError
            If the rows do not follow on, or have another width.
        """
        if first != self._next or rows.shape[1:] != (self._width, 3):
            raise ValueError(f"rows {first} of shape {rows.shape} do not follow row {self._next}")
        kept = rows.dtype if rows.dtype in (np.uint8, np.uint16) else np.dtype(np.float32)
        for row, (columns, values) in zip(
            np.ascontiguousarray(rows, kept), self._row_by_row(added, first, len(rows)), strict=True
        ):
            for out_row, share, closes in self._rows[self._next]:
                if not self._first <= out_row < self._last:
                    continue
                sums = self._sums[out_row % 2]
                add_row(row, share, self._start, sums)
                if len(columns):
                    sums[columns] += np.float32(share) * values
                if closes:
                    round_again = np.concatenate([sums, sums[: self._beyond]]) if self._beyond else sums
                    mean_columns(round_again, *self._columns, self._out[out_row - self._first])
                    sums[:] = 0
            self._next += 1

    def _row_by_row(
        self, added: Added | None, first: int, count: int
    ) -> Iterator[tuple[NDArray[np.int32], Rows]]:
        """Columns of the output's order, and what is to be added there."""
        if added is None or not len(added[0]):
            nothing = np.zeros(0, np.int32), np.zeros((0, 3), np.float32)
            yield from repeat(nothing, count)
            return
        rows, columns, values = added
        turned, floats = (columns - self._start) % self._width, values.astype(np.float32)
        ends = np.searchsorted(rows, np.arange(first, first + count + 1)).tolist()
        for start, end in pairwise(ends):
            yield turned[start:end], floats[start:end]

    def result(self) -> Rows:
        """Return the reduced frame, float32 (out_width / 2, out_width, 3), or the rows of it that are wanted.

        Raises
        ------
        ValueError
            If rows are missing.
        """
        if self._next != self._end:
            taken, wanted = self._next - self._begin, self._end - self._begin
            raise ValueError(f"only {taken} of {wanted} rows were taken")
        return self._out


class RowReducer:
    """The same for a frame whose reduced rows go on at once: no more than a few of them are held.

    Parameters
    ----------
    width, height : int
        Size of the frame that will be taken.
    out_width : int
        Even; from 2 to `width`.
    """

    def __init__(self, width: int, height: int, out_width: int) -> None:
        self._size, self._out_width = (width, height), out_width
        self._reducer = self._begin(0)

    def _begin(self, first: int) -> AreaReducer:
        """Begin with the next output rows."""
        self._first, self._last = first, min(first + _OUT_ROWS, self._out_width // 2)
        self._begins, self._ends = covering_rows(self._first, self._last, self._size[1], self._out_width // 2)
        return AreaReducer(*self._size, self._out_width, out_rows=(self._first, self._last))

    def take(self, rows: Rows, first: int) -> Iterator[tuple[Rows, int]]:
        """Take rows of shape (n, width, 3) that follow the ones taken before.

        Yields
        ------
        tuple of ndarray of shape (m, out_width, 3), dtype float32, and int
            Reduced rows that follow those before, and which the first of them is.
        """
        last = first + len(rows)
        while len(rows):
            start, end = max(self._begins, first), min(self._ends, last)
            self._reducer.take(rows[start - first : end - first], start)
            if self._ends > last:
                return
            yield self._reducer.result(), self._first
            if self._last == self._out_width // 2:
                return
            self._reducer = self._begin(self._last)


def reduced_rows(first: int, last: int, height: int, out_height: int) -> tuple[int, int]:
    """Rows of the reduced frame that touch rows `first` to `last` of a frame `height` rows high."""
    return first * out_height // height, -(-last * out_height // height)


def covering_rows(out_first: int, out_last: int, height: int, out_height: int) -> tuple[int, int]:
    """Rows of the full frame that reduced rows `out_first` to `out_last` are made of."""
    return out_first * height // out_height, -(-out_last * height // out_height)


@lru_cache(maxsize=8)
def _rows_of(height: int, out_height: int) -> list[list[tuple[int, float, bool]]]:
    """For each row: the output rows it lies in, its share in each, and whether it is the last there."""
    parts: list[list[tuple[int, float, bool]]] = [[] for _ in range(height)]
    for out_rows, shares in _shares_of_rows(height, out_height):
        closes = (np.arange(height) + 1) * out_height >= (out_rows + 1) * height
        for row, *part in zip(
            range(height), *map(np.ndarray.tolist, (out_rows, shares, closes)), strict=True
        ):
            if part[1]:
                parts[row].append((part[0], part[1], part[2]))
    return parts


@lru_cache(maxsize=8)
def _columns_of(width: int, out_width: int) -> tuple[NDArray[np.int32], Rows]:
    """First column that each output column is made of, and the shares of that and the ones that follow."""
    most = -(-width // out_width) + (width % out_width > 0)
    firsts = np.minimum(np.arange(out_width) * width // out_width, width - most)
    shares = np.zeros((out_width, most), np.float32)
    for out, left, right in _parts(np.arange(width), width, out_width):
        there = np.flatnonzero(right > left)
        shares[out[there], there - firsts[out[there]]] = (right - left)[there] / width
    return firsts.astype(np.int32), shares


@lru_cache(maxsize=8)
def _columns_from(width: int, out_width: int, begin: float) -> tuple[NDArray[np.int32], Rows]:
    """The same where the first output column begins within a column; the last ones lie beyond the end."""
    edges = begin + np.arange(out_width + 1) * (width / out_width)
    firsts, ends = np.floor(edges[:-1]), np.ceil(edges[1:])
    columns = firsts[:, None] + np.arange(int((ends - firsts).max()))
    parts = np.minimum(columns + 1, edges[1:, None]) - np.maximum(columns, edges[:-1, None])
    return firsts.astype(np.int32), (np.maximum(parts, 0) * out_width / width).astype(np.float32)


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
