"""The finest scale of shrinkage, straight from light: its planes are never held whole."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled
from panopipe.pixels.opponent import Places, part_planes
from panopipe.pixels.shrink import Columns, Planes, shrink


@compiled("shrink_finest")
def shrink_finest(  # noqa: PLR0913, PLR0917 - a kernel takes arrays, no objects
    light: Planes,
    coarse: Planes,
    rows: Places,
    row_shares: Planes,
    columns: Places,
    column_shares: Planes,
    steps: Columns,
    noise: Planes,
    shares: Planes,
    control: Planes,
    odd: int,
    skip: int,
    smooth: Planes,
    change: NDArray[np.float32],
) -> None:
    """Do what `part_planes` and then `shrink`, with a spacing of 1, do to rows of light.

    Parameters
    ----------
    light, coarse, rows, row_shares, columns, column_shares
        As `part_planes` takes them.
    steps : ndarray of shape (rows,), dtype int32
        What `shrink` calls columns.
    noise, shares, control, odd, skip, smooth
        As `shrink` takes them.
    change : ndarray of shape (3, n, width), dtype float32
        Takes the middle rows of the planes, less what goes.
    """
    planes = np.empty((3, *light.shape[:2]), np.float32)
    part_planes(light, coarse, rows, row_shares, columns, column_shares, planes)
    shrink(planes, 1, 1, steps, noise, shares, control, odd, skip, 1, smooth, change)
