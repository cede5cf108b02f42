"""Samples of a picture, row by row, as a file holds them: no light yet, only numbers."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.files.tiff import shown

Array = NDArray[Any]

LARGEST_PIXELS = 32768 * 16384
"""What a file may claim: larger than any sphere a camera stitches, small enough to hold."""


class Samples(ABC):
    """Rows of samples of one picture.

    Attributes
    ----------
    width, height : int
        Pixels.
    dtype : numpy dtype
        Of the samples, in the machine's own byte order.
    reader : str
        Who reads them, for the notes: "direct" or "codec".
    """

    width: int
    height: int
    dtype: np.dtype[Any]
    reader: str

    @abstractmethod
    def rows(self, first: int, last: int) -> Array:
        """Rows `first` to `last`, (n, width, 3); may be a view that the next call overwrites.

        Raises
        ------
        OSError
            If the file can no longer be read.
        ValueError
            If the samples are damaged.
        """

    def read_into(self, first: int, last: int, into: Array) -> None:
        """Put rows `first` to `last` into an array (n, width, 3) of type `dtype`, contiguous.

        Raises
        ------
        OSError, ValueError
            As `rows`.
        """
        into[...] = self.rows(first, last)

    def close(self) -> None:  # noqa: B027 - most readers hold nothing
        """Let go of the file."""


class WholeSamples(Samples):
    """Samples that were decoded all at once."""

    def __init__(self, array: Array, reader: str) -> None:
        self.height, self.width = array.shape[:2]
        self.dtype, self.reader = array.dtype, reader
        self._array: Array | None = array

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        if self._array is None:
            raise ValueError("the picture was closed")
        return self._array[first:last]

    def close(self) -> None:
        """See `Samples.close`."""
        self._array = None


class _Through(Samples):
    """Samples of another reader, changed on the way."""

    def __init__(self, inner: Samples) -> None:
        self.inner = inner
        self.width, self.height = inner.width, inner.height
        self.dtype, self.reader = inner.dtype, inner.reader

    def close(self) -> None:
        """See `Samples.close`."""
        self.inner.close()


class TabledSamples(_Through):
    """Samples sent through a LinearizationTable; beyond its end its last entry holds."""

    def __init__(self, inner: Samples, table: Array) -> None:
        super().__init__(inner)
        self._table, self.dtype = table, table.dtype

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        return np.take(self._table, self.inner.rows(first, last), mode="clip")


class OffsetSamples(_Through):
    """Samples less a black level of their own for each row and column, as float32."""

    def __init__(self, inner: Samples, by_row: Array, by_column: Array) -> None:
        super().__init__(inner)
        self.dtype = np.dtype(np.float32)
        self._by_row = by_row.astype(np.float32)[:, None, None]
        self._by_column = by_column.astype(np.float32)[None, :, None]

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        rows: Array = self.inner.rows(first, last).astype(np.float32)
        rows -= self._by_row[first:last]
        rows -= self._by_column
        return rows


class CroppedSamples(_Through):
    """A rectangle of another reader's samples."""

    def __init__(self, inner: Samples, top: int, left: int, height: int, width: int) -> None:
        super().__init__(inner)
        if top < 0 or left < 0 or top + height > inner.height or left + width > inner.width:
            raise ValueError(
                f"a crop of {width}x{height} at column {left}, row {top} does not lie inside "
                f"{inner.width}x{inner.height}"
            )
        self.height, self.width = height, width
        self._top, self._columns = top, slice(left, left + width)

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        return self.inner.rows(first + self._top, last + self._top)[:, self._columns]


class MadeSamples(Samples):
    """Samples that are made of other readers' when asked for, as float32."""

    def __init__(self, sources: Sequence[Samples], make: Callable[[int, int], Array]) -> None:
        self._sources, self._make = tuple(sources), make
        self.width, self.height = sources[0].width, sources[0].height
        self.dtype, self.reader = np.dtype(np.float32), sources[0].reader

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        return self._make(first, last)

    def close(self) -> None:
        """See `Samples.close`."""
        for source in self._sources:
            source.close()


class TurnedSamples(_Through):
    """Samples turned upright by the Orientation tag, 2 to 4: nothing changes places with columns."""

    def __init__(self, inner: Samples, orientation: int) -> None:
        super().__init__(inner)
        self._upside_down = orientation in (3, 4)
        self._mirrored = orientation in (2, 3)

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        if self._upside_down:
            first, last = self.height - last, self.height - first
        rows = self.inner.rows(first, last)
        return rows[:: -1 if self._upside_down else 1, :: -1 if self._mirrored else 1]


def upright(samples: Samples, orientation: int) -> Samples:
    """Samples as a viewer sees them, by the Orientation tag (TIFF 6.0, section 8; CIPA DC-008).

    Raises
    ------
    ValueError
        If `orientation` is not 1 to 8.
    """
    if orientation == 1:
        return samples
    if not 1 <= orientation <= 8:
        raise ValueError(f"Orientation is {orientation}; 1 to 8 are known")
    if orientation <= 4:
        return TurnedSamples(samples, orientation)
    array = np.array(samples.rows(0, samples.height)).swapaxes(0, 1)
    samples.close()
    # 5: transposed; 6: a quarter turn clockwise; 7: transposed over the other diagonal; 8: anticlockwise.
    rows_reversed, columns_reversed = orientation in (7, 8), orientation in (6, 7)
    array = array[:: -1 if rows_reversed else 1, :: -1 if columns_reversed else 1]
    return WholeSamples(np.ascontiguousarray(array), samples.reader)


def check_size(width: int, height: int) -> None:
    """Refuse a size that no sphere has, before anything is allocated.

    Raises
    ------
    ValueError
        If the size is empty or beyond all measure.
    """
    if width < 1 or height < 1:
        raise ValueError(f"the file claims {width}x{height} pixels; it is damaged")
    if width * height > LARGEST_PIXELS:
        raise ValueError(
            f"the file claims {width}x{height} pixels; panopipe takes up to 32768x16384, so it is damaged"
        )


def three_planes(array: Array) -> Array:
    """Grey or four-plane samples (H, W[, n]) as three planes: grey repeated, a fourth plane left out."""
    if array.ndim == 2 or array.shape[2] in (1, 2):
        grey = array.reshape(*array.shape[:2], -1)[:, :, :1]
        return np.repeat(grey, 3, axis=2)
    return array[:, :, :3]


def per_plane(values: Sequence[float], name: str, default: float) -> NDArray[np.float64]:
    """One number per plane, shape (3,), from one or three.

    Raises
    ------
    ValueError
        If there are others, or one is no number.
    """
    array = np.asarray(values or [default], dtype=np.float64)
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} is {shown(array.tolist())}, which is no level; the file is damaged")
    if array.size not in (1, 3):
        raise ValueError(f"{name} holds {len(values)} numbers; one, or one per plane, is known")
    return np.broadcast_to(array, 3).copy()
