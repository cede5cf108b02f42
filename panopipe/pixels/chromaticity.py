"""A change of colour that depends on chromaticity alone, read from a table."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Rows = NDArray[np.float32]

_DARK = np.float32(1e-9)
"""Sum of light below which a pixel is black, and has no chromaticity."""


def shift_colours(rows: Rows, table: NDArray[np.float32], lowest: float, highest: float) -> Rows:
    """Add to each colour what a table says for its chromaticity, times the sum of its components.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32
        Linear light; contiguous, and written into.
    table : ndarray of shape (side, side, 4), dtype float32
        What to add to light of unit sum, by its shares of green (rows) and red (columns); read between
        its nodes, beyond its rim as on it. The fourth plane is empty: processors load four at once.
    lowest, highest : float
        Shares of the first and of the last node.

    Returns
    -------
    ndarray of shape (n, width, 3), dtype float32
        `rows`.
    """
    scale = (len(table) - 1) / (highest - lowest)
    _shift(rows.reshape(-1, 3), table, scale, -lowest * scale)
    return rows


@compiled("shift")
def _shift(pixels: Rows, table: NDArray[np.float32], scale: float, start: float) -> None:
    """Change pixels (n, 3); a share's place in the table is `share * scale + start`."""
    red, green, blue = pixels.T
    total, last = np.maximum(red + green + blue, _DARK), np.float32(len(table) - 1)
    across, along = (
        np.clip(share / total * np.float32(scale) + np.float32(start), 0, last) for share in (red, green)
    )
    column, row = (np.minimum(place, last - 1).astype(np.int32) for place in (across, along))
    right, down = (across - column.astype(np.float32))[:, None], (along - row.astype(np.float32))[:, None]
    upper, lower = table[row, column], table[row + 1, column]
    above = upper + right * (table[row, column + 1] - upper)
    below = lower + right * (table[row + 1, column + 1] - lower)
    pixels += ((above + down * (below - above)) * total[:, None])[:, :3]
