"""Coded strips and tiles decoded when their rows are asked for: no file is held whole."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from panopipe.files.samples import Array, Samples, three_planes
from panopipe.files.tiff_form import Form
from panopipe.files.tiff_samples import decode_segment


class CodedSegments(Samples):
    """Samples of coded strips or tiles; a row of tiles is held, and what lies above the row of a first pass.

    Rows are to be asked for from the top downwards, or first from some row on and then from the top down to
    it: each segment is then decoded once.
    """

    reader = "codec"

    def __init__(self, path: Path, form: Form) -> None:
        self.width, self.height, self.dtype = form.width, form.height, form.dtype
        self._form = form
        self._file: io.BufferedReader = path.open("rb")
        self._held: Array | None = None
        self._above: Array | None = None
        self._last, self._began, self._split, self._spent = -1, -1, 0, False

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        high = self._form.segment[0]
        begin, end = first // high, -(-last // high)
        if end - begin == 1:
            return self._part(begin, first - begin * high, last - begin * high)
        out: Array = np.empty((last - first, self.width, 3), self.dtype)
        self.read_into(first, last, out)
        return out

    def read_into(self, first: int, last: int, into: Array) -> None:
        """See `Samples.read_into`."""
        high = self._form.segment[0]
        for number in range(first // high, -(-last // high)):
            top, bottom = max(first, number * high), min(last, (number + 1) * high)
            here = slice(top - first, bottom - first)
            into[here] = self._part(number, top - number * high, bottom - number * high)

    def _part(self, number: int, top: int, bottom: int) -> Array:
        """Some rows of one row of tiles, or of one strip."""
        is_held = number == self._last and self._held is not None
        if not is_held and self._above is not None and number == self._began and bottom <= self._split:
            self._spent = bottom == self._split
            return self._above[top:bottom]
        if not is_held:
            self._leave()
            if self._began < 0 and number != self._last + 1:
                # A pass that comes down to here will ask for what lies above.
                self._began, self._split = number, top
            room, self._held = self._held, None  # should a segment be damaged
            self._held, self._last = self._decoded(number, room), number
        assert self._held is not None
        return self._held[top:bottom]

    def _leave(self) -> None:
        """Keep what will be asked for once more of the rows that are held, and let go of what has been."""
        if self._spent:
            self._began, self._above, self._spent = -1, None, False
        elif self._held is not None and self._last == self._began and self._above is None:
            self._above = self._held[: self._split].copy()
            self._spent = self._split == 0

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
        self._held = self._above = None


def can_stream(form: Form) -> bool:
    """Whether a picture is coded in several segments from the top, each with all planes of its pixels."""
    return form.compression != 1 and form.grid[0] > 1 and not form.planar
