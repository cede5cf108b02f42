"""Rows taken from other places of a frame, smoothly: Catmull-Rom in rows and columns, without dark rims."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Floats = NDArray[np.float32]
Samples = NDArray[Any]

STEP = 16
"""Columns from node to node: between them places lie on a line."""
REACH = 2
"""Rows that the kernel looks at beyond the one that a place lies in."""


def nodes_of(width: int) -> NDArray[np.intp]:
    """Columns at which places are told: every `STEP`-th, up to one at the width or beyond."""
    return np.arange(-(-width // STEP) + 1) * STEP


@compiled("warp")
def warp(rows: Samples, top: int, places: Floats, start: int, out: Floats) -> None:
    """Take each pixel of some rows from its place in others.

    Columns are mixed down first, each at the row of the pixel whose place it is about: the four that a pixel
    is made of lie in rows that differ by as little as places of neighbours do.

    The kernel's negative lobes would make a black rim beside a lamp that is a hundred times brighter: no
    pixel falls below all of the sixteen that it is made of.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype uint8, uint16 or float32
        Where to take from; a row goes on at its other end. Beyond the first and last row these hold.
    top : int
        Row that the first of them is.
    places : ndarray of shape (m, nodes, 2), dtype float32
        Row and column (which need not lie inside) at the nodes of `nodes_of`.
    start : int
        Column of `rows`, from 0 to width - 1, that column 0 of `places` means.
    out : ndarray of shape (m, width, 3), dtype float32
        Takes the pixels.

    References
    ----------
    .. [1] E. Catmull and R. Rom, A class of local interpolating splines, Computer Aided Geometric Design,
       1974.
    """
    height, width = rows.shape[:2]
    column = np.arange(width)
    node, step = column // STEP, (column % STEP).astype(np.float32)
    begin, along = places[:, node], places[:, node + 1] - places[:, node]
    across = begin[..., 1] + along[..., 1] * (step * np.float32(1 / STEP))
    left = np.floor(across)
    mixed, lows = [], []
    for tap in range(-1, 3):
        down = begin[..., 0] + along[..., 0] * ((step + np.float32(tap)) * np.float32(1 / STEP))
        first = np.floor(down)
        taken = (left.astype(np.intp) + (start + tap)) % width
        inside = [np.clip(first.astype(np.intp) + (k - top), 0, height - 1) for k in range(-1, 3)]
        parts = [rows[row, taken].astype(np.float32) for row in inside]
        mixed.append(_sum(_weights(down - first), parts))
        lows.append(np.minimum.reduce(parts))
    out[:] = np.maximum(_sum(_weights(across - left), mixed), np.minimum.reduce(lows))


def _sum(weights: list[Floats], parts: list[Floats]) -> Floats:
    one, two, three, four = (w[..., None] * part for w, part in zip(weights, parts, strict=True))
    return np.asarray(one + two + three + four)


def _weights(t: Floats) -> list[Floats]:
    """Of the four neighbours, by how far the place lies from the second of them."""
    half, two = np.float32(0.5), np.float32(2)
    return [
        ((two - t) * t - np.float32(1)) * t * half,
        ((np.float32(3) * t - np.float32(5)) * t * t + two) * half,
        ((np.float32(4) - np.float32(3) * t) * t + np.float32(1)) * t * half,
        (t - np.float32(1)) * t * t * half,
    ]
