"""Light as a lightness and two colour differences, plane by plane, with a coarse correction; and back."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Floats = NDArray[np.float32]
Places = NDArray[np.int32]

_SUM, _DIFFERENCE, _SECOND = np.float32(1 / 3**0.5), np.float32(1 / 2**0.5), np.float32(1 / 6**0.5)

OPPONENT_OF_LIGHT = np.array(
    [
        [1 / 3**0.5, 1 / 3**0.5, 1 / 3**0.5],
        [1 / 2**0.5, 0.0, -1 / 2**0.5],
        [1 / 6**0.5, -2 / 6**0.5, 1 / 6**0.5],
    ]
)
"""Orthonormal axes: the sum, red against blue, and both against green. Turned over it leads back."""


@compiled("part_planes")
def part_planes(
    light: Floats,
    coarse: Floats,
    rows: Places,
    row_shares: Floats,
    columns: Places,
    column_shares: Floats,
    planes: Floats,
) -> None:
    """Part light into planes, and add coarse ones, enlarged linearly.

    Parameters
    ----------
    light : ndarray of shape (n, width, 3), dtype float32
        Linear light.
    coarse : ndarray of shape (3, h, w), dtype float32
        Planes to add.
    rows, columns : ndarray of shape (n, 2) or (width, 2), dtype int32
        The two rows (columns) of `coarse` that each row (column) lies between.
    row_shares, column_shares : ndarray of shape (n,) or (width,), dtype float32
        Share of the second of the two.
    planes : ndarray of shape (3, n, width), dtype float32
        Takes the light along `OPPONENT_OF_LIGHT`, and what is added.
    """
    left, right = coarse[..., columns[:, 0]], coarse[..., columns[:, 1]]
    wide = left + (right - left) * column_shares
    upper, lower = wide[:, rows[:, 0]], wide[:, rows[:, 1]]
    added = upper + (lower - upper) * row_shares[:, None]
    red, green, blue = np.moveaxis(light, -1, 0)
    planes[0] = (red + green + blue) * _SUM + added[0]
    planes[1] = (red - blue) * _DIFFERENCE + added[1]
    planes[2] = (red + blue - (green + green)) * _SECOND + added[2]


@compiled("join_planes")
def join_planes(planes: Floats, light: Floats) -> None:
    """Join planes to light.

    Parameters
    ----------
    planes : ndarray of shape (3, n, width), dtype float32
        Along `OPPONENT_OF_LIGHT`.
    light : ndarray of shape (n, width, 3), dtype float32
        Takes the light.
    """
    grey, first, second = planes[0] * _SUM, planes[1] * _DIFFERENCE, planes[2] * _SECOND
    light[..., 0] = grey + first + second
    light[..., 1] = grey - (second + second)
    light[..., 2] = grey - first + second
