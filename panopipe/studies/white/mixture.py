"""The curve on which the light of a room lies where lamp and daylight mix.

Two lights mix in linear light, so their mixtures lie on one curve in the plane of log cone ratios. Every
surface draws the same curve, shifted by its own colour. A place on it is one number, the length along the
curve from daylight on, so that equal steps look about equal.

References
----------
.. [1] E. Hsu, T. Mertens, S. Paris, S. Avidan and F. Durand, Light Mixture Estimation for Spatially Varying
   White Balance, ACM Trans. Graphics 27 (3), 2008.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.studies.white.cones import WORKING_FROM_CONES, locus, nearest_in_table, place_from_cones

BEYOND = 0.4
"""How far the curve goes on straight beyond either light: floors and walls add their tint to the light."""
BESIDE = 0.08
"""How far the lights of a room may lie beside the curve, a Duv of 0.008: ANSI C78.377 grants lamps 0.006.
What more there is, a room's floor and walls have added, and it is their colour."""
_BETWEEN = 65
_STEP = 0.01
DAYLIGHT_DUV, LAMP_DUV = 0.002, 0.0
"""Daylight lies above the black-body line (CIE 15: the D series), lamps are made to lie on it."""
SUN_MIRED = 1e6 / 5200
"""Direct sun as cameras set it (common practice, no source). A low one is warmer, and stays so."""


@dataclass(frozen=True, slots=True)
class Mixture:
    """Mixtures of daylight and lamp light, as a table.

    Attributes
    ----------
    length : float
        From daylight (0) to the lamp.
    steps : ndarray of shape (n,)
        Lengths of the table's places, rising evenly.
    places : ndarray of shape (n, 2)
        Places in the plane of log cone ratios.
    """

    length: float
    steps: Matrix
    places: Matrix

    def nearest(self, places: Matrix) -> tuple[Matrix, Matrix]:
        """Lengths of the nearest places on the curve of places (..., 2), and distances across, + to green."""
        flat = places.reshape(-1, 2)
        at = np.clip(nearest_in_table(flat, self.places), 1, len(self.steps) - 2)
        along = self.places[at + 1] - self.places[at - 1]
        along = along / np.hypot(along[:, 0], along[:, 1])[:, None]
        off = flat - self.places[at]
        length = self.steps[at] + np.sum(off * along, axis=1)
        across = off[:, 0] * along[:, 1] - off[:, 1] * along[:, 0]
        shape = places.shape[:-1]
        return np.clip(length, self.steps[0], self.steps[-1]).reshape(shape), across.reshape(shape)

    def at(self, lengths: Matrix) -> Matrix:
        """Places (..., 2) of lengths."""
        planes = [np.interp(lengths, self.steps, self.places[:, axis]) for axis in (0, 1)]
        return np.stack(planes, axis=-1)

    def to_green(self, lengths: Matrix) -> Matrix:
        """Steps (..., 2) of length 1 across the curve at lengths, to the green side."""
        along = self.at(lengths + _STEP) - self.at(lengths - _STEP)
        return np.stack([along[..., 1], -along[..., 0]], axis=-1) / np.hypot(along[..., :1], along[..., 1:])

    def moved(self, across: float, length: float) -> Mixture:
        """The same curve moved across itself at a length, + to the green side, as far as lights may lie."""
        off = np.clip(across, -BESIDE, BESIDE) * self.to_green(np.array(length))
        return Mixture(self.length, self.steps, self.places + off)


def mixture(daylight_mired: float, lamp_mired: float, camera: tuple[float, float]) -> Mixture:
    """Make the curve between two lights, as it stands in a frame decoded with the camera's own white."""
    ends = locus([daylight_mired, lamp_mired], [DAYLIGHT_DUV, LAMP_DUV]) - np.array(camera)
    lights = np.stack([np.exp(ends[:, 0]), np.ones(2), np.exp(ends[:, 1])], axis=-1)
    lights /= (lights @ WORKING_FROM_CONES.T @ LUMINANCE_OF_WORKING)[:, None]
    share = np.linspace(0, 1, _BETWEEN)[:, None]
    places = place_from_cones(lights[0] + share * (lights[1] - lights[0]))
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(places, axis=0), axis=1))])
    length = float(run[-1])
    steps = np.linspace(-BEYOND, length + BEYOND, round((length + 2 * BEYOND) / _STEP) + 1)
    table = np.stack([np.interp(steps, run, places[:, axis]) for axis in (0, 1)], axis=-1)
    for end, inner, side in ((0, 1, -1.0), (-1, -2, 1.0)):
        beyond = np.maximum(side * (steps - run[end]), 0)[:, None]
        outward = places[end] - places[inner]
        table += beyond * outward / np.hypot(*outward)
    return Mixture(length, steps, table)
