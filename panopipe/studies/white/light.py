"""Light and surface taken apart: a smooth field of light on the sphere, and what is left.

Light changes slowly over the sphere, surfaces change at edges. So the differences between neighbouring
cells that are small belong to the light; the large ones belong to the surfaces and are left out. The field
is the least-squares integral of what remains: Poisson's equation on the closed sphere, in one step.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix
from panopipe.sphere.geometry import pitch_of_row


def light_field(values: Matrix, known: NDArray[np.bool_], jump: Matrix) -> Matrix:
    """Part of `values` that changes smoothly over the sphere.

    Parameters
    ----------
    values : ndarray of shape (height, width, n), dtype float64
        Logarithms on a 2:1 grid over the whole sphere.
    known : ndarray of shape (height, width), dtype bool
        Cells whose values count; differences with other cells are taken as zero.
    jump : ndarray of shape (n,), dtype float64
        A difference between neighbouring cells that is an edge between surfaces, in one or more of the
        values.

    Returns
    -------
    ndarray of shape (height, width, n), dtype float64
        The field, with a mean of zero over the sphere.

    References
    ----------
    .. [1] E. H. Land and J. J. McCann, Lightness and Retinex Theory, J. Opt. Soc. Am. 61 (1971), 1-11.
    .. [2] B. K. P. Horn, Determining Lightness from an Image, Computer Graphics and Image Processing 3
       (1974), 277-299.
    """
    across, along = _geometry(len(known))
    right = _smooth_part(
        np.roll(values, -1, axis=1) - values, known & np.roll(known, -1, axis=1), jump, axis=1
    )
    down = _smooth_part(values[1:] - values[:-1], known[1:] & known[:-1], jump, axis=0)
    right *= across[:, None, None]
    down *= along[:, None, None]
    divergence = right - np.roll(right, 1, axis=1)
    divergence[:-1] += down
    divergence[1:] -= down
    return _integrate(divergence)


def _smooth_part(step: Matrix, known: NDArray[np.bool_], jump: Matrix, *, axis: int) -> Matrix:
    """Part of the steps along an axis that is light.

    A step larger than `jump` is an edge. So is a smaller one that stands alone: the median over five steps
    keeps a trend and drops an edge, also one that a cell across it cuts in two.
    """
    edge = np.any(np.abs(step) > jump, axis=-1) | ~known
    kept = np.where(edge[..., None], 0.0, step)
    return np.where(edge[..., None], 0.0, trend(kept, axis=axis))


def trend(steps: Matrix, *, axis: int) -> Matrix:
    """Median over five steps along an axis, 1 closing around the sphere: what stands alone is dropped."""
    reach = [(0, 0)] * steps.ndim
    reach[axis] = (2, 2)
    padded = np.pad(steps, reach, mode="wrap" if axis == 1 else "edge")
    count = steps.shape[axis]
    return _median_of_five(*(np.take(padded, range(first, first + count), axis=axis) for first in range(5)))


def _median_of_five(a: Matrix, b: Matrix, c: Matrix, d: Matrix, e: Matrix) -> Matrix:
    """Median element by element: of four, neither the least nor the most; with the fifth, the middle one."""
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    return np.asarray(np.maximum(np.minimum(e, low), np.minimum(np.maximum(e, low), high)))


def _geometry(height: int) -> tuple[Matrix, Matrix]:
    """Weights of the links between cells: length of their common edge over their distance."""
    rows = np.cos(np.radians(pitch_of_row(np.arange(height), height)))

    edges = np.sin(np.pi * np.arange(1, height) / height)
    return 1 / rows, edges


@lru_cache(maxsize=4)
def _inverses(height: int) -> Matrix:
    """Inverse of the Laplacian for every frequency around the sphere, shape (width/2 + 1, height, height)."""
    width = 2 * height
    across, along = _geometry(height)
    turn = 2 - 2 * np.cos(2 * np.pi * np.arange(width // 2 + 1) / width)
    column = np.zeros((height, height))
    index = np.arange(height - 1)
    column[index, index] -= along
    column[index + 1, index + 1] -= along
    column[index, index + 1] += along
    column[index + 1, index] += along
    laplacian = column[None] - turn[:, None, None] * np.diag(across)[None]
    laplacian[0] -= 1e-9 * np.eye(height)
    inverses: Matrix = np.linalg.inv(laplacian).astype(np.float64)
    return inverses


def _integrate(divergence: Matrix) -> Matrix:
    height, width = divergence.shape[:2]
    waves = np.ascontiguousarray(np.fft.rfft(divergence, axis=1).swapaxes(0, 1))
    solved = np.matmul(_inverses(height), waves.view(np.float64))  # real and imaginary alike
    solved = solved.view(np.complex128).swapaxes(0, 1)
    field = np.fft.irfft(solved, n=width, axis=1)
    weight = np.cos(np.radians(pitch_of_row(np.arange(height), height)))
    mean = np.tensordot(weight, field.mean(axis=1), axes=(0, 0)) / weight.sum()
    centred: Matrix = field - mean
    return centred
