"""Rows in short: the mean of every sixteen pixels, and how much neighbours differ."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

CHUNK = 16
"""Pixels put together: the width of every tile is a multiple of it (TIFF 6.0, section 15)."""


@compiled("summary")
def summarise(rows: NDArray[Any], mean: NDArray[np.float32], rough: NDArray[np.float32]) -> None:
    """Sum up rows of whole numbers.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype uint8 or uint16
        Contiguous samples.
    mean : ndarray of shape (n, width // 16), dtype float32
        Takes the mean of each sixteen pixels over all planes; pixels that are left over count nowhere.
    rough : ndarray of shape (n, width // 16), dtype float32
        Takes the mean difference of each sample from the one to its left in the same plane; 0 where all
        sixteen pixels are the same.
    """
    count, chunks = mean.shape
    parts = rows[:, : CHUNK * chunks].reshape(count, chunks, 3 * CHUNK).astype(np.int64)
    steps = np.abs(parts[:, :, 3:] - parts[:, :, :-3]).sum(2)
    mean[...] = parts.sum(2).astype(np.float32) / np.float32(3 * CHUNK)
    rough[...] = steps.astype(np.float32) / np.float32(3 * CHUNK - 3)
