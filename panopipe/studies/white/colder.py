"""Daylight that falls where a room shows no paint: told by what looks colder than its light could make it.

In a room coloured all round hardly any paint says where lamp and where daylight shines, and what lies low
before a window, beds, rugs and boards, is taken to stand in lamplight. Much in a room looks warmer than its
light, little looks colder: what does, near the curve of mixtures, mostly lies in daylight. With white paint
about, that paint knows better, and what looks colder is a blue thing.
"""

from __future__ import annotations

import numpy as np

from panopipe.colour.spaces import Matrix
from panopipe.pixels.easing import smooth_step
from panopipe.sphere.geometry import pitch_of_row
from panopipe.studies.white.cones import PLACE_PER_MIRED
from panopipe.studies.white.spread import over_sphere, spread
from panopipe.studies.white.surfaces import area

FROM_MIRED, WHOLLY_MIRED = 21.0, 47.0
"""How much colder than the light that was found a surface looks from where it is heard, and heard in full. In
rendered rooms such surfaces were lit colder by about as much as they looked; those of 30 mired were not."""
ACROSS = 0.1
"""Distance from the curve at which it is hardly heard: blue pigments lie on it, most others do not."""
BEYOND = 0.1
"""How far beyond daylight it may lie."""
BELOW_DEG, OVER_DEG = 10.0, 6.0
"""Pitch below which daylight from a window falls on things, and over how many degrees that sets in."""
HOLDS, WITHIN = 0.1, 0.3
"""Weight with which each cell holds to the light that was found, and of links between cells: what is heard
reaches under two cells far."""
WIDE = (0.04, 0.08)
"""Share of the sphere that looks so cold from which on it is a blue carpet or wall, and from which surely."""


def colder(length: Matrix, across: Matrix, field: Matrix, known: Matrix) -> Matrix:
    """How much nearer to daylight the light of each place is than was found, as lengths along the curve.

    Parameters
    ----------
    length, across : ndarray of shape (64, 128)
        Where surfaces stand along the curve and beside it.
    field : ndarray of shape (64, 128)
        Light that was found, as lengths along the curve.
    known : ndarray of shape (64, 128)
        1 where a surface is seen, else 0.
    """
    size, off = area(), field - length
    way = (off / PLACE_PER_MIRED - FROM_MIRED) / (WHOLLY_MIRED - FROM_MIRED)
    low = np.clip((BELOW_DEG - pitch_of_row(np.arange(len(field)), len(field))) / OVER_DEG, 0, 1)
    heard = smooth_step(way) * np.exp(-((across / ACROSS) ** 2)) * known * (length > -BEYOND) * low[:, None]
    share = float(np.sum(heard * size) / np.sum(size))
    heard *= np.clip((WIDE[1] - share) / (WIDE[1] - WIDE[0]), 0, 1)
    even, none = np.full(heard.shape, WITHIN), np.zeros(heard.shape)
    total = heard + HOLDS
    links = over_sphere(even, even[1:], none, none[1:])
    return np.maximum(spread(heard * off / total, total * size, links, none), 0)
