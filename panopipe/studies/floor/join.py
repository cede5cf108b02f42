"""Join pieces of shifted floor in the gradient domain, so that neither rim nor seams show a step."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.poisson import correction, fill_smoothly, inside_of
from panopipe.studies.floor.scene import Box, Scene, distance_from

Picture = NDArray[np.float32]
Whole = NDArray[np.int64]

_CYCLES = 2
_STEEP = 4.0
"""Steps of the floor, in medians of those along the seams, at which mending is halved."""
_FAR_OFF = 12.0
"""Mending, in medians of what is wanted along the seams, at which it is halved."""
_RIM_PX = 2.0
"""How deep a step at the rim is mended where mending is bounded."""


def joined(
    scene: Scene, shifts: Whole, blocks: Box, labels: Whole, box: Box, *, most: float = math.inf
) -> Picture:
    """Fill the hole of a scene: each pixel takes the gradients of the floor at its own shift.

    Parameters
    ----------
    scene : Scene
    shifts : ndarray of shape (k, 2), dtype int64
        Shifts (down, across) in pixels.
    blocks : Box
        Where the labels lie; holds the hole.
    labels : ndarray of shape (rows, columns), dtype int64
        Index of the shift, for blocks of pixels.
    box : Box
        What to return; holds the hole.
    most : float
        Strongest mending, in log light: where the edge of a lawn meets paving at the rim, no mending at all
        is better than a smear.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32
        The floor in the box, with the hole filled.

    References
    ----------
    .. [1] P. Perez, M. Gangnet, A. Blake, Poisson image editing, SIGGRAPH 2003.
    """
    size = (blocks[1].stop - blocks[1].start, blocks[0].stop - blocks[0].start)
    label = np.zeros(scene.hole.shape, np.uint8)
    label[blocks] = cv2.resize(labels.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    label = np.ascontiguousarray(label[box])
    hole = scene.hole[box]
    guess, lost = scene.detail[box].copy(), np.zeros_like(hole)
    for index in np.unique(label[hole]):
        there, valid = scene.shifted(box, shifts[index])
        own = (label == index) & hole
        cv2.copyTo(there, own.view(np.uint8), guess)
        lost |= own & ~valid
    if lost.any():
        # Where no shift shows known floor, what surrounds it goes on.
        guess = fill_smoothly(guess, lost)
    divergence_residual = np.zeros_like(guess)
    for axis in (0, 1):
        _add_unmet(divergence_residual, scene, shifts, label, box, guess, lost, axis)
    inside = inside_of(hole, guess.shape[-1])
    levels = correction(divergence_residual * inside, inside, _CYCLES)
    guess += levels if math.isinf(most) else _bounded(levels, hole, most)
    return guess


def _add_unmet(
    divergence_residual: Picture,
    scene: Scene,
    shifts: Whole,
    label: NDArray[np.uint8],
    box: Box,
    guess: Picture,
    lost: NDArray[np.bool_],
    axis: int,
) -> None:
    """Add by how much the steps of the guess along an axis differ from those wanted, as a divergence.

    Within a piece none does. Over a seam, and over the rim, the mean of what either side's floor does there
    is wanted.
    """
    hole = scene.hole[box]
    here, there = (np.s_[:-1], np.s_[1:]) if axis == 0 else (np.s_[:, :-1], np.s_[:, 1:])
    seam = (label[here] != label[there]) | (hole[here] != hole[there])
    rows, columns = np.nonzero(seam & (hole[here] | hole[there]) & ~lost[here] & ~lost[there])
    next_rows, next_columns = rows + (axis == 0), columns + (axis == 1)
    own_shifts, next_shifts = shifts[label[rows, columns]], shifts[label[next_rows, next_columns]]
    wanted = np.zeros((len(rows), guess.shape[-1]), np.float32)
    for by in (own_shifts, next_shifts):
        y, x = rows + box[0].start + by[:, 0], columns + box[1].start + by[:, 1]
        wanted += 0.5 * (_at(scene.detail, y + (axis == 0), x + (axis == 1)) - _at(scene.detail, y, x))
    # Where a joint crosses, half a pixel aside is no step in brightness: mended, it would bleed.
    steep = np.linalg.norm(wanted, axis=-1, keepdims=True)
    usual = _STEEP * float(np.median(steep)) if len(steep) else 0.0
    wanted -= guess[next_rows, next_columns] - guess[rows, columns]
    wanted /= 1 + np.square(steep / max(usual, 1e-6))
    # A bit of shadow or foot left at the rim must not spread inwards.
    size = np.linalg.norm(wanted, axis=-1, keepdims=True)
    most_usual = _FAR_OFF * float(np.median(size)) if len(size) else 0.0
    wanted /= 1 + np.square(size / max(most_usual, 1e-6))
    divergence_residual[rows, columns] += wanted
    divergence_residual[next_rows, next_columns] -= wanted


def _bounded(levels: Picture, hole: NDArray[np.bool_], most: float) -> Picture:
    """Mending without its strongest parts, but for the first pixels at the rim, which hide a step."""
    depth = distance_from(~hole)
    bound = (most + np.exp(-depth / _RIM_PX))[..., None]
    bounded: Picture = np.clip(levels, -bound, bound).astype(np.float32)
    return bounded


def _at(detail: Picture, y: Whole, x: Whole) -> Picture:
    height, width, channels = detail.shape
    # One flat index is twice as fast as two.
    index = np.clip(y, 0, height - 1) * width + np.clip(x, 0, width - 1)
    taken: Picture = detail.reshape(-1, channels).take(index, axis=0)
    return taken
