"""What a frame's surfaces say of their light, by cell: its colour, and whether they may be white paint."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.sphere.geometry import pitch_of_row
from panopipe.studies.white.cones import log_chromaticity_from_working
from panopipe.studies.white.evidence import RECORDED, largest_channel

ROWS = 64
"""Rows of the grid: 2.8 degrees each. Light blurred by 4 degrees serves as well as light pixel by pixel."""
FADES_PER_RADIAN = 0.7
"""How much darker, in natural logarithms, a white may be per radian away from the brightest surfaces."""
REACH_DEG = 60.0
WHITE_OVER = 8.0
"""How steeply trust falls with darkness: at 0.09 natural logarithms under the brightest it halves."""
TEXTURE = 4.0
"""How steeply trust falls with texture: at a standard deviation of 0.17 natural logarithms it halves."""
CLIPPED = 0.02
"""Share of a cell that may be clipped; glare of lamps and windows lies on its other pixels."""


@dataclass(frozen=True, slots=True)
class Surfaces:
    """A frame's surfaces by cell, arrays of shape (64, 128).

    Attributes
    ----------
    log_chromaticity : ndarray of shape (64, 128, 2)
        Place in the plane of log cone ratios, as decoded.
    light : ndarray
        Natural logarithm of luminance.
    known : ndarray of bool
        Cells whose values count.
    trust : ndarray
        0 to 1: how likely white paint, by brightness and plainness alone.
    """

    log_chromaticity: Matrix
    light: Matrix
    known: NDArray[np.bool_]
    trust: Matrix

    def packed(self) -> Surfaces:
        """The same in numbers of 16 bits, as much as a colour of a cell is worth."""
        return Surfaces(
            self.log_chromaticity.astype(np.float16),
            self.light.astype(np.float16),
            self.known,
            self.trust.astype(np.float16),
        )

    def unpacked(self) -> Surfaces:
        """The same in numbers to reckon with."""
        return Surfaces(
            self.log_chromaticity.astype(np.float64),
            self.light.astype(np.float64),
            self.known,
            self.trust.astype(np.float64),
        )


def surfaces_of(rows: Rows) -> Surfaces:
    """Look at a whole frame at reduced size."""
    largest, size = largest_channel(rows), (2 * ROWS, ROWS)
    use = ((largest > RECORDED[0]) & (largest < RECORDED[1])).astype(np.float32)
    luminance = (rows @ LUMINANCE_OF_WORKING.astype(np.float32)) * use
    stack = np.dstack([rows * use[..., None], luminance, luminance * luminance, use, largest >= RECORDED[1]])
    cells = cv2.resize(stack, size, interpolation=cv2.INTER_AREA).astype(np.float64)
    share = np.maximum(cells[..., 5], 1e-6)
    known = (cells[..., 5] > 0.5) & (cells[..., 6] < CLIPPED)
    mean = cells[..., 3] / share
    texture = np.sqrt(np.maximum(cells[..., 4] / share / np.maximum(mean * mean, 1e-12) - 1, 0))
    light = np.log(np.maximum(mean, 1e-6))
    darker = np.minimum(light - upper_envelope(light, known), 0)
    trust = np.exp(WHITE_OVER * darker - TEXTURE * texture) * known
    return Surfaces(log_chromaticity_from_working(cells[..., :3] / share[..., None]), light, known, trust)


def upper_envelope(light: Matrix, known: NDArray[np.bool_]) -> Matrix:
    """Light that a white would have in each cell: the highest of its surroundings, less with distance."""
    height = len(light)
    step = FADES_PER_RADIAN * np.pi / height
    across = step * np.cos(np.radians(pitch_of_row(np.arange(height), height)))[:, None]
    top = np.where(known, light, -20.0)
    half = top.shape[1] // 2
    for _ in range(round(REACH_DEG / 180 * height)):
        above = np.concatenate([np.roll(top[:1], half, axis=1), top[:-1]])
        below = np.concatenate([top[1:], np.roll(top[-1:], half, axis=1)])
        sides = np.maximum(np.roll(top, 1, axis=1), np.roll(top, -1, axis=1)) - across
        top = np.maximum(np.maximum(top, np.maximum(above, below) - step), sides)
    return top


def area() -> Matrix:
    """Weight of each cell by solid angle, 1 at the horizon."""
    cosine = np.cos(np.radians(pitch_of_row(np.arange(ROWS), ROWS)))
    return np.repeat(cosine[:, None], 2 * ROWS, axis=1)
