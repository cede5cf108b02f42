"""A field over the sphere in which neighbours are linked: solved by conjugate gradients, cell by cell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Cells = NDArray[np.float64]


@compiled("solve_field")
def solve_field(
    right_side: Cells, weight: Cells, right: Cells, down: Cells, field: Cells, enough: float, most: int
) -> None:
    """Bring a field to where ``weight * field`` and what flows along the links equal the right side.

    Parameters
    ----------
    right_side, weight : ndarray of shape (height, width), dtype float64
        What is to be reached, and how much each cell holds to itself.
    right, down : ndarray of shape (height, width), (height - 1, width), dtype float64
        Weights of the links to the right-hand neighbour, around the sides, and to the one below.
    field : ndarray of shape (height, width), dtype float64
        A first guess; takes the field.
    enough : float
        What is left, as a share of the right side, at which the search ends: roots of sums of squares, each
        over the diagonal.
    most : int
        Steps after which it ends.
    """
    diagonal = _diagonal(weight, right, down)
    left = right_side - _applied(field, weight, right, down)
    least = enough * enough * _total(right_side * (right_side / diagonal))
    ready = left / diagonal
    way, size = ready, _total(left * ready)
    for _ in range(most):
        if size <= least:
            break
        pull = _applied(way, weight, right, down)
        part = size / _total(way * pull)
        field += part * way
        left -= part * pull
        ready = left / diagonal
        before, size = size, _total(left * ready)
        way = way * (size / before) + ready


def _diagonal(weight: Cells, right: Cells, down: Cells) -> Cells:
    diagonal = weight + right + np.roll(right, 1, axis=1)
    diagonal[:-1] += down
    diagonal[1:] += down
    return diagonal


def _applied(field: Cells, weight: Cells, right: Cells, down: Cells) -> Cells:
    along = (np.roll(field, -1, axis=1) - field) * right
    below = (field[1:] - field[:-1]) * down
    flow = np.roll(along, 1, axis=1) - along
    flow[1:] += below
    flow[:-1] -= below
    return np.asarray(flow + weight * field)


def _total(values: Cells) -> float:
    """Sum of each column from the top, and of these from the left."""
    return float(np.add.accumulate(np.add.accumulate(values, axis=0)[-1])[-1])
