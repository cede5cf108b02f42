"""Coded strips and tiles decoded when their rows are asked for: no file is held whole."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from panopipe.files.samples import Array, Samples, three_planes
from panopipe.files.tiff_form import Form
from panopipe.files.tiff_samples import decode_segment


class CodedSegments(Samples):
    """Samples of coded strips or tiles; two rows of tiles are held at most.

    Rows are to be asked for from the top downwards, or first from some row on and then from the top down to
    it: each segment is then decoded once.
    """

    reader = "codec"

    def __init__(self, path: Path, form: Form) -> None:
        self.width, self.height, self.dtype = form.width, form.height, form.dtype
        self._form = form
        self._file: io.BufferedReader = path.open("rb")
        self._held: dict[int, Array] = {}
        self._last, self._began = -1, -1

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        high = self._form.segment[0]
        begin, end = first // high, -(-last // high)
        if end - begin == 1:
            return self._row(begin)[first - begin * high : last - begin * high]
        out: Array = np.empty((last - first, self.width, 3), self.dtype)
        self.read_into(first, last, out)
        return out

    def read_into(self, first: int, last: int, into: Array) -> None:
        """See `Samples.read_into`."""
        high = self._form.segment[0]
        for number in range(first // high, -(-last // high)):
            top, bottom = max(first, number * high), min(last, (number + 1) * high)
            row = self._row(number)
            into[top - first : bottom - first] = row[top - number * high : bottom - number * high]

    def _row(self, number: int) -> Array:
        """All tiles of one row, or one strip."""
        if number not in self._held:
            goes_on = number == self._last + 1
            if self._began < 0 and not goes_on:
                self._began = number  # a pass that comes down to here will ask for it once more
            gone = [self._held.pop(other) for other in self._held.keys() - {self._began}]
            self._held[number] = self._decoded(number, gone[0] if gone else None)
        elif number != self._last:
            self._began = -1
        self._last = number
        return self._held[number]

    def _decoded(self, number: int, held: Array | None) -> Array:
        """Decode, into an array that is there already: rows of tiles are large, and leave gaps in memory."""
        high, wide = self._form.segment
        first = number * self._form.grid[1]
        if held is None:
            held = np.empty((high, self.width, 3), self.dtype)
        rows = min(high, self.height - number * high)
        for left in range(0, self.width, wide):
            piece = three_planes(decode_segment(self._file, self._form, first + left // wide))
            held[:rows, left : left + wide] = piece[:rows, : self.width - left]
        return held

    def close(self) -> None:
        """See `Samples.close`."""
        self._file.close()
        self._held = {}


def can_stream(form: Form) -> bool:
    """Whether a picture is coded in several segments from the top, each with all planes of its pixels."""
    return form.compression != 1 and form.grid[0] > 1 and not form.planar
