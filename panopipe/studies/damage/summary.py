"""A frame's samples in short, as its file stores them: what damage is looked for in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.summary import CHUNK, summarise

Floats = NDArray[np.float32]

_BAND_PIXELS = 1 << 18
"""Pixels summed up at a time."""


@dataclass(frozen=True, slots=True)
class Summary:
    """Sixteen pixels by sixteen, row by row.

    Attributes
    ----------
    mean : ndarray of shape (height, width // 16), dtype float32
        Mean over pixels and planes, 1.0 at the largest number that a sample holds.
    rough : ndarray of the same shape, dtype float32
        Mean difference of a sample from the one to its left; 0 where all pixels are the same.
    rows, columns : int
        Rows of a strip or tile, and chunks across it.
    linear : bool
        Whether samples are linear in light, and not codes for a screen.
    """

    mean: Floats
    rough: Floats
    rows: int
    columns: int
    linear: bool = True

    @property
    def tone(self) -> Floats:
        """Mean about as the eye sees it, 0 to 1: the root of light, or codes as they are."""
        return np.sqrt(self.mean) if self.linear else self.mean

    @property
    def flat(self) -> NDArray[np.bool_]:
        """Where all pixels of a chunk are the same."""
        flat: NDArray[np.bool_] = self.rough == 0
        return flat


def summary(
    rows: Callable[[int, int], NDArray[Any]],
    size: tuple[int, int],
    segment: tuple[int, int],
    *,
    largest: float,
    linear: bool,
) -> Summary:
    """Sum up a frame.

    Parameters
    ----------
    rows : callable
        Samples (n, width, 3) of rows from the first to before the last, as the file stores them.
    size : tuple of int
        Height and width in pixels.
    segment : tuple of int
        Rows and columns of a strip or tile.
    largest : float
        Largest number that a sample can hold; 1.0 for floats.
    linear : bool
        Whether samples are linear in light.
    """
    height, width = size
    chunks = width // CHUNK
    mean, rough = (np.empty((height, chunks), np.float32) for _ in range(2))
    at_once = max(1, _BAND_PIXELS // width)
    for first in range(0, height, at_once):
        band = rows(first, min(first + at_once, height))
        if band.dtype.kind == "f":
            band = (np.clip(band / np.float32(largest), 0, 1) * 65535).astype(np.uint16)
        part = slice(first, first + len(band))
        summarise(np.ascontiguousarray(band), mean[part], rough[part])
        full = 65535 if band.dtype.itemsize == 2 and largest <= 1 else largest
        mean[part] /= np.float32(full)
        rough[part] /= np.float32(full)
    columns = max(1, min(segment[1] // CHUNK, chunks))
    return Summary(mean, rough, min(segment[0], height), columns, linear)
