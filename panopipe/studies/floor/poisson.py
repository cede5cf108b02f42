"""Gradient-domain filling: a picture inside a hole from the gradients wanted there and the rim around it.

Solved by conjugate gradients, with a multigrid cycle on the hole's own shape as the preconditioner, in float.

References
----------
.. [1] P. Perez, M. Gangnet, A. Blake, Poisson image editing, ACM Transactions on Graphics 22(3), 2003.
.. [2] W. L. Briggs, V. E. Henson, S. F. McCormick, A Multigrid Tutorial, 2nd ed., SIAM 2000.
.. [3] Y. Notay, Flexible conjugate gradients, SIAM Journal on Scientific Computing 22(4), 2000.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_CROSS = np.array([[0, 1, 0], [1, -4, 1], [0, 1, 0]], np.float32)
_SMALLEST = 6
"""Coarsest grid, in pixels."""
_DAMPING = 0.8
"""Weight of damped Jacobi that smooths best in two dimensions (Briggs et al., ch. 2)."""


def fill_smoothly(picture: Picture, hole: Mask, *, cycles: int = 8) -> Picture:
    """Continue a picture into a hole as smoothly as can be (a harmonic function).

    Parameters
    ----------
    picture : ndarray of shape (h, w, channels), dtype float32
        What is under the hole does not matter.
    hole : ndarray of shape (h, w), dtype bool
        Must not touch the border.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32

    Raises
    ------
    ValueError
        If the hole touches the border of the picture.
    """
    rim = _rim(hole)
    guess = picture.copy()
    guess[hole] = picture[rim].mean(0) if rim.any() else 0
    return solve(guess, hole, np.zeros_like(picture), cycles=cycles)


def _rim(hole: Mask) -> Mask:
    """Pixels just outside a hole."""
    grown = cv2.dilate(hole.astype(np.uint8), np.ones((3, 3), np.uint8))
    rim: Mask = (grown > 0) & ~hole
    return rim


def solve(picture: Picture, hole: Mask, divergence: Picture, *, cycles: int = 8) -> Picture:
    """Solve Laplacian = divergence inside a hole, with the picture's own values around it.

    Parameters
    ----------
    picture : ndarray of shape (h, w, channels), dtype float32
        Inside the hole, a first guess.
    hole : ndarray of shape (h, w), dtype bool
        Must not touch the border.
    divergence : ndarray of shape (h, w, channels), dtype float32
        Wanted sum of differences to the four neighbours, pixel by pixel; read inside the hole only.
    cycles : int
        Steps of conjugate gradients; each leaves about a fifth of the error.

    Raises
    ------
    ValueError
        If the hole touches the border of the picture.
    """
    if not hole.any():
        return picture.copy()
    if hole[[0, -1]].any() or hole[:, [0, -1]].any():
        raise ValueError("the hole touches the border of the view; there is no rim to fill it from")
    lines, columns = np.flatnonzero(hole.any(1)), np.flatnonzero(hole.any(0))
    box = np.s_[lines[0] - 1 : lines[-1] + 2, columns[0] - 1 : columns[-1] + 2]
    result = picture.copy()
    part, inside = result[box], inside_of(hole[box], picture.shape[-1])
    part += correction((divergence[box] - _laplacian(part)) * inside, inside, cycles)
    return result


def inside_of(hole: Mask, channels: int) -> Picture:
    """1 in the hole, 0 elsewhere, for each channel: products of like shapes are quickest."""
    inside: Picture = cv2.merge([hole.astype(np.float32)] * channels).reshape(*hole.shape, channels)
    return inside


def correction(residual: Picture, inside: Picture, cycles: int) -> Picture:
    """Solve Laplacian = residual with zero around the hole, by flexible conjugate gradients.

    Parameters
    ----------
    residual : ndarray of shape (h, w, channels), dtype float32
        Zero outside the hole, which must not touch the border.
    inside : ndarray of shape (h, w, channels), dtype float32
        1 in the hole, 0 elsewhere.
    cycles : int
        Steps; each leaves about a fifth of the error.
    """
    total, ahead, grids = np.zeros_like(residual), np.zeros_like(residual), _grids(inside)
    last_slope, last_residual = np.float32(1), residual
    for step in range(cycles):
        steep = _cycle(residual, grids)
        slope = _dot(steep, residual)
        ahead *= (slope - _dot(steep, last_residual)) / last_slope if step else np.float32(0)
        ahead += steep
        bent = _laplacian(ahead)
        bent *= inside
        length = _dot(ahead, residual) / _safe(_dot(ahead, bent))
        total += length * ahead
        bent *= length
        last_residual, residual, last_slope = residual, residual - bent, _safe(slope)
    return total


def _dot(first: Picture, second: Picture) -> np.float32:
    """Inner product."""
    return np.float32(np.einsum("i,i->", first.ravel(), second.ravel()))


def _safe(denominator: np.float32) -> np.float32:
    """Keep a vanished denominator from dividing: the numerator has vanished too."""
    return denominator if abs(denominator) > 1e-30 else np.float32(1)


def divergence_of(across: Picture, down: Picture) -> Picture:
    """Divergence of forward differences: `across[y, x]` from x to x + 1, `down[y, x]` from y to y + 1."""
    total: Picture = across + down
    total[:, 1:] -= across[:, :-1]
    total[1:] -= down[:-1]
    return total


def _laplacian(picture: Picture) -> Picture:
    result: Picture = cv2.filter2D(picture, -1, _CROSS, borderType=cv2.BORDER_CONSTANT)
    return result.reshape(picture.shape)


def _grids(inside: Picture) -> list[tuple[Picture, Picture]]:
    """The hole on ever coarser grids: 1 inside; and the share of a step that damped Jacobi takes."""
    grids = [inside]
    while min(grids[-1].shape[:2]) > _SMALLEST:
        grids.append((_halved(grids[-1]) > 0.99).astype(np.float32))
    return [(grid, grid * np.float32(_DAMPING / 4)) for grid in grids]


def _smooth(guess: Picture, wanted: Picture, share: Picture, times: int) -> Picture:
    """Damped Jacobi; changes `guess`."""
    for _ in range(times):
        step = _laplacian(guess)
        step -= wanted
        step *= share
        guess += step
    return guess


def _cycle(wanted: Picture, grids: Sequence[tuple[Picture, Picture]]) -> Picture:
    """One V-cycle for a correction that is zero around the hole."""
    (inside, share), *coarser = grids
    if not coarser:
        return _smooth(np.zeros_like(wanted), wanted, share, 30)
    # The first step from zero needs no Laplacian.
    guess = _smooth(wanted * -share, wanted, share, 1)
    residual = _laplacian(guess)
    np.subtract(wanted, residual, out=residual)
    residual *= inside
    coarse = _halved(residual)
    coarse *= 4 * coarser[0][0]
    finer = _doubled(_cycle(coarse, coarser), inside.shape[:2])
    finer *= inside
    guess += finer
    return _smooth(guess, wanted, share, 2)


def _halved(picture: Picture) -> Picture:
    """Average pairs of pixels; an odd side gains a line of zeros, which is outside the hole."""
    height, width, channels = picture.shape
    if height % 2 or width % 2:
        picture = cv2.copyMakeBorder(picture, 0, height % 2, 0, width % 2, cv2.BORDER_CONSTANT, value=0)
    halved = cv2.resize(picture, ((width + 1) // 2, (height + 1) // 2), interpolation=cv2.INTER_AREA)
    return np.asarray(halved, np.float32).reshape((height + 1) // 2, (width + 1) // 2, channels)


def _doubled(picture: Picture, size: tuple[int, int]) -> Picture:
    height, width = picture.shape[:2]
    wide: Picture = cv2.resize(picture, (2 * width, 2 * height), interpolation=cv2.INTER_LINEAR)
    return wide.reshape(2 * height, 2 * width, -1)[: size[0], : size[1]]
