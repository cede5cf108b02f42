"""The energy of detail: planes parted at one scale as the shrinkage parts them, and what each band holds."""

from __future__ import annotations

import numpy as np

from panopipe.pixels.compiled import compiled
from panopipe.pixels.shrink import SMOOTH_REACH, Columns, Planes, smooth_along, smooth_down

BLOCK = 16
"""Side of a block in pixels."""


@compiled("band_energies")
def band_energies(
    planes: Planes,
    spacing: int,
    from_one: int,
    first: int,
    columns: Columns,
    smooth: Planes,
    energies: Planes,
) -> None:
    """Part planes at one scale, and take the mean energy of each band of detail in blocks of pixels.

    Parameters
    ----------
    planes : ndarray of shape (3, rows, width), dtype float32
        A row goes on at its other end.
    spacing : int
        Rows between the steps of filters.
    from_one : int
        1 at the finest scale, where a row is smoothed with steps of 1, 2, 4 and so on up to its own; else 0.
    first : int
        Row of the smooth planes at which the blocks begin; they begin at the first column.
    columns : ndarray of shape (rows,), dtype int32
        Columns between the steps of filters, row by row; seven of them reach no further than the width.
    smooth : ndarray of shape (3, rows - 4 spacing, width), dtype float32
        Takes the smooth planes, the outermost rows left out.
    energies : ndarray of shape (9, down, across), dtype float32
        Takes the mean square of each block of the three bands of the first plane, of the second and of the
        third.
    """
    step = SMOOTH_REACH * spacing
    along = np.stack([smooth_along(plane, columns, from_one) for plane in planes])
    smooth[:] = smooth_down(along, spacing)
    inner = slice(step, planes.shape[1] - step)
    across = smooth_down(planes, spacing) - smooth
    bands = np.stack([along[:, inner] - smooth, across, planes[:, inner] - along[:, inner] - across], axis=1)
    count, size = energies.shape[1] * BLOCK, energies.shape[2] * BLOCK
    middle = bands[:, :, first : first + count, :size].reshape(9, count, energies.shape[2], BLOCK)
    energies[:] = _sum_of_rows(_sum_by_halves(middle * middle), energies.shape[1]) / np.float32(BLOCK**2)


def _sum_by_halves(values: Planes) -> Planes:
    """Sums of 16 values: each with the eighth after it, then neighbours, so that many are added at once."""
    sums = values[..., :8] + values[..., 8:]
    while sums.shape[-1] > 1:
        sums = sums[..., ::2] + sums[..., 1::2]
    return np.asarray(sums[..., 0])


def _sum_of_rows(sums: Planes, blocks: int) -> Planes:
    """Sums of blocks of rows, from the top."""
    parts = sums.reshape(len(sums), blocks, BLOCK, sums.shape[-1])
    total = parts[:, :, 0].copy()
    for row in range(1, BLOCK):
        total += parts[:, :, row]
    return total
