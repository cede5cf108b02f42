"""Planes at half size enlarged linearly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled
from panopipe.pixels.opponent import join_planes

Planes = NDArray[np.float32]

_NEAR, _FAR = np.float32(0.75), np.float32(0.25)


@compiled("add_doubled")
def add_doubled(half: Planes, skip: int, result: Planes) -> None:
    """Add planes, enlarged linearly.

    Parameters
    ----------
    half : ndarray of shape (p, m, width), dtype float32
        Planes at half size; a row goes on at its other end.
    skip : int
        Row of the enlarged planes that goes to the first of `result`, counted from the middle of the first
        row of `half`: row 0 lies a quarter of a row below it.
    result : ndarray of shape (p, n, 2 width), dtype float32
        Is added to.
    """
    rows = skip + np.arange(result.shape[1])
    upper, lower = half[:, rows // 2], half[:, rows // 2 + 1]
    share = np.where(rows % 2 == 0, _NEAR, _FAR)[None, :, None]
    line = upper * share + lower * (1 - share)
    near = line * _NEAR
    result[..., ::2] += near + np.roll(line, 1, axis=-1) * _FAR
    result[..., 1::2] += near + np.roll(line, -1, axis=-1) * _FAR


@compiled("join_doubled")
def join_doubled(half: Planes, skip: int, planes: Planes, light: Planes) -> None:
    """Join planes to light, with others added that are enlarged.

    Parameters
    ----------
    half, skip
        As `add_doubled` takes them, of three planes.
    planes : ndarray of shape (3, n, 2 width), dtype float32
        As `join_planes` takes them; they stay as they are.
    light : ndarray of shape (n, 2 width, 3), dtype float32
        Takes the light.
    """
    added = planes.copy()
    add_doubled(half, skip, added)
    join_planes(added, light)
