"""Values known here and there, spread over the closed sphere.

The least-squares field that follows what is known as far as it counts, and whose steps from cell to cell
follow the steps that are expected as far as those count: a screened Poisson equation, solved by conjugate
gradients.

References
----------
.. [1] P. Bhat, B. Curless, M. Cohen and C. L. Zitnick, Fourier Analysis of the 2D Screened Poisson Equation
   for Gradient Domain Problems, ECCV 2008.
.. [2] J. R. Shewchuk, An Introduction to the Conjugate Gradient Method Without the Agonizing Pain, 1994,
   B3: with the diagonal as preconditioner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from panopipe.colour.spaces import Matrix
from panopipe.sphere.geometry import pitch_of_row

_MOST_STEPS = 400
ENOUGH = 1e-4
"""Residual, as a share of the right side, at which the search ends: a thousandth of a delta E."""


@dataclass(frozen=True, slots=True)
class Links:
    """Links between neighbouring cells of a grid over the sphere.

    Attributes
    ----------
    right, down : ndarray of shape (height, width), (height - 1, width)
        Weights of the links to the right-hand neighbour, around the sides, and to the one below.
    step_right, step_down : ndarray of the same shapes
        Steps that are expected along them: the neighbour less the own value.
    """

    right: Matrix
    down: Matrix
    step_right: Matrix
    step_down: Matrix


def over_sphere(right: Matrix, down: Matrix, step_right: Matrix, step_down: Matrix) -> Links:
    """Links whose weights count as on the sphere: common edge of two cells over their distance."""
    height = len(right)
    cosine = np.cos(np.radians(pitch_of_row(np.arange(height), height)))
    edge = np.sin(np.pi * np.arange(1, height) / height)
    return Links(right / cosine[:, None], down * edge[:, None], step_right, step_down)


def spread(known: Matrix, weight: Matrix, links: Links, start: Matrix, enough: float = ENOUGH) -> Matrix:
    """Solve for the field.

    Parameters
    ----------
    known, weight : ndarray of shape (height, width)
        Values, and how much they count; some must count.
    links : Links
        What is expected between cells.
    start : ndarray of shape (height, width)
        A first guess.
    enough : float
        Residual, as a share of the right side, at which the search ends.
    """
    diagonal = weight + links.right + np.roll(links.right, 1, axis=1)
    diagonal[:-1] += links.down
    diagonal[1:] += links.down
    right_side = weight * known + _towards(links.right * links.step_right, links.down * links.step_down)
    field = start.copy()
    left = right_side - _applied(field, weight, links)
    ready = left / diagonal
    way, size = ready, float(np.sum(left * ready))
    least = enough**2 * float(np.sum(right_side * right_side / diagonal))
    for _ in range(_MOST_STEPS):
        if size <= least:
            break
        pull = _applied(way, weight, links)
        part = size / float(np.sum(way * pull))
        field += part * way
        left -= part * pull
        ready = left / diagonal
        before, size = size, float(np.sum(left * ready))
        way *= size / before
        way += ready
    return field


def _applied(field: Matrix, weight: Matrix, links: Links) -> Matrix:
    right, down = np.empty_like(field), field[1:] - field[:-1]
    np.subtract(field[:, 1:], field[:, :-1], out=right[:, :-1])
    np.subtract(field[:, 0], field[:, -1], out=right[:, -1])
    right *= links.right
    down *= links.down
    flow = _towards(right, down)
    flow += weight * field
    return flow


def _towards(right: Matrix, down: Matrix) -> Matrix:
    """What flows into each cell, less what flows out of it, by the links to the right and down."""
    flow = np.empty_like(right)
    np.subtract(right[:, :-1], right[:, 1:], out=flow[:, 1:])
    np.subtract(right[:, -1], right[:, 0], out=flow[:, 0])
    flow[1:] += down
    flow[:-1] -= down
    return flow
