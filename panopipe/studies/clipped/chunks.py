"""Samples of a frame a chunk of rows at a time, with what saturated ones lack.

To rebuild a saturated pixel takes its neighbours, so each chunk brings rows along above and below. Those
that the next chunk needs again are kept: every row is read once while chunks follow each other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.clipped.band import MARGIN, Rebuilder
from panopipe.studies.clipped.edge import Samples
from panopipe.studies.clipped.rebuild import Floats

_CHUNK_PIXELS = 1 << 19
"""Enough rows that the ones brought along count for little, few enough for the processor's cache."""


@dataclass(frozen=True, slots=True)
class Part:
    """Some rows of a frame.

    Attributes
    ----------
    first, last : int
        Its rows of the frame.
    samples : ndarray of shape (last - first, width, 3)
        As the file holds them; the next part overwrites them.
    rows, columns : ndarray of shape (m,), dtype int32
        Pixels that lack something, in the frame; in ascending order.
    lacking : ndarray of shape (m, 3), dtype float64
        What to add to their samples.
    """

    first: int
    last: int
    samples: Samples
    rows: NDArray[np.int32]
    columns: NDArray[np.int32]
    lacking: Floats


def part_that_lacks_nothing(first: int, last: int, samples: Samples) -> Part:
    """Return a part of a frame that is taken as recorded."""
    nothing = np.zeros(0, np.int32)
    return Part(first, last, samples, nothing, nothing, np.zeros((0, 3)))


class Chunks:
    """Chunks of one frame, cut at fixed rows.

    Parameters
    ----------
    read_into : callable
        Reads rows `first` to `last` into an array of shape (last - first, width, 3).
    width : int
        Of the frame; it is half as high.
    dtype : numpy dtype
        Of its samples.
    rebuilder : Rebuilder
        Says what saturated pixels lack.
    """

    def __init__(
        self,
        read_into: Callable[[int, int, Samples], None],
        width: int,
        dtype: np.dtype[np.generic],
        rebuilder: Rebuilder,
    ) -> None:
        self._read_into, self._rebuilder = read_into, rebuilder
        self._height = width // 2
        self._rows = min(max(32, _CHUNK_PIXELS // width), self._height)
        self._buffer = np.empty((self._rows + 2 * MARGIN, width, 3), dtype)
        self._start, self._held = 0, (0, 0)
        self._chunk: Part | None = None

    def parts(self, first: int, last: int) -> Iterator[Part]:
        """Rows `first` to `last` of the frame, part by part from the top."""
        row = first
        while row < last:
            chunk = self._at(row)
            until = min(last, chunk.last)
            some = slice(*np.searchsorted(chunk.rows, (row, until)).tolist())
            samples = chunk.samples[row - chunk.first : until - chunk.first]
            yield Part(row, until, samples, chunk.rows[some], chunk.columns[some], chunk.lacking[some])
            row = until

    def _at(self, row: int) -> Part:
        chunk = self._chunk
        if chunk is None or not chunk.first <= row < chunk.last:
            self._chunk = None  # should reading fail
            first = row // self._rows * self._rows
            chunk = self._chunk = self._filled(first, min(first + self._rows, self._height))
        return chunk

    def _filled(self, first: int, last: int) -> Part:
        start, end = first - MARGIN, last + MARGIN
        top, bottom = max(start, 0), min(end, self._height)
        known = self._keep(start, top, bottom)
        self._held = (0, 0)
        self._read_into(known, bottom, self._buffer[known - start : bottom - start])
        self._start, self._held = start, (top, bottom)
        wide = self._buffer[: end - start]
        self._continue_over_poles(wide, start, end)
        places, gain = self._rebuilder.gain(wide, first)
        rows = places // wide.shape[1]
        columns = places - rows * wide.shape[1]
        lacking = gain * (self._rebuilder.white - self._rebuilder.black)
        return Part(first, last, wide[MARGIN:-MARGIN], rows + np.int32(first), columns, lacking)

    def _keep(self, start: int, top: int, bottom: int) -> int:
        """Move the rows that are wanted again to their new place; the first row that must be read."""
        low, high = self._held
        if not low <= top < high <= bottom:
            return top
        self._buffer[top - start : high - start] = self._buffer[top - self._start : high - self._start]
        return high

    def _continue_over_poles(self, wide: Samples, start: int, end: int) -> None:
        """Rows beyond the first and last, by the half-turn rule."""
        half = wide.shape[1] // 2
        beyond = [(row, -1 - row) for row in range(start, 0)]
        beyond += [(row, 2 * self._height - 1 - row) for row in range(self._height, end)]
        for row, opposite in beyond:
            wide[row - start, half:] = wide[opposite - start, :half]
            wide[row - start, :half] = wide[opposite - start, half:]
