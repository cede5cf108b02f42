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
from panopipe.pixels.field import solve_field
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
    right_side = weight * known + _towards(links.right * links.step_right, links.down * links.step_down)
    field = start.copy()
    whole = np.ascontiguousarray
    solve_field(
        whole(right_side), whole(weight), whole(links.right), whole(links.down), field, enough, _MOST_STEPS
    )
    return field


def _towards(right: Matrix, down: Matrix) -> Matrix:
    """What flows into each cell, less what flows out of it, by the links to the right and down."""
    flow = np.roll(right, 1, axis=1) - right
    flow[1:] += down
    flow[:-1] -= down
    return flow
