"""Gains of the channels that bring the light of all places to one white."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.adaptation import adapt_rows, saturating_at
from panopipe.sphere.wrap import pad
from panopipe.studies.white.cones import light_of_place, log_chromaticity_from_working

_NO_CHANGE = np.ones((3, 4, 3), np.float32)
"""Gains of one light everywhere."""


@dataclass(frozen=True, slots=True)
class LocalGains:
    """Gains over the sphere, ready to be applied.

    Attributes
    ----------
    table : ndarray of shape (height + 2, width + 2, 3), dtype float32
        Of the three channels, on a grid that is continued by one cell on all sides.
    clipped : ndarray of shape (3,), dtype float64
        Gains for what is clipped.
    clips_at : float or None
        Level of neutral light at which the last plane of the sensor clips; None if none does.
    even : bool
        Whether the light is one already: then only what is nearly clipped changes, and no other bit.
    """

    table: NDArray[np.float32]
    clipped: Matrix
    clips_at: float | None
    even: bool = False

    def apply(self, rows: Rows, first: int) -> None:
        """Adapt rows in place that start at row `first` of their frame."""
        white, saturating = self.clipped.astype(np.float32), saturating_at(self.clips_at)
        if not self.even:
            adapt_rows(rows, first, gains=self.table, white=white, saturating=saturating)
            return
        nearly = np.minimum(np.minimum(rows[..., 0], rows[..., 1]), rows[..., 2]) > np.float32(saturating[0])
        if nearly.any():
            pixels = np.repeat(rows[nearly][None], 2, axis=1)  # a row has two columns at least
            adapt_rows(pixels, 0, gains=_NO_CHANGE, white=white, saturating=saturating)
            rows[nearly] = pixels[0, ::2]


def local_gains(light: Matrix, correction: Matrix, share: float, clips_at: float | None) -> LocalGains:
    """Make the gains.

    Parameters
    ----------
    light : ndarray of shape (height, width, 2)
        How the light of each place differs from the frame's white, in log cone ratios, on a grid over the
        whole sphere.
    correction : ndarray of shape (3, 3)
        What will make the frame's white neutral, working space to working space.
    share : float
        Of the differences, that is taken out. What is clipped becomes, by the same share, what `correction`
        makes neutral.
    clips_at : float or None
        See `LocalGains`.

    Returns
    -------
    LocalGains
        The light of a place keeps the luminance that it has after `correction`.
    """
    white: Matrix = np.asarray(np.linalg.solve(correction, np.ones(3)), np.float64)
    there = light_of_place(log_chromaticity_from_working(white) + share * light)
    luminance = there @ correction.T @ LUMINANCE_OF_WORKING
    table: Matrix = luminance[..., None] * white / there
    return LocalGains(
        pad(table.astype(np.float32), 1), np.asarray(white**share), clips_at, even=not light.any()
    )
