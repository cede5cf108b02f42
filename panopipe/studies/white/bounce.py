"""What a room throws onto its white paint: the colour of floors, walls and things, as if it were light.

Paint is brought to neutral with all that lies on it, since it is to look white. A coloured surface shows its
own colour only under the light of lamps and window alone, so there the bounce is left out again. How warm it
is the room itself tells: by how much its surfaces look warmer than its paint.
"""

from __future__ import annotations

import numpy as np

from panopipe.colour.spaces import Matrix
from panopipe.studies.white.cones import PLACE_PER_MIRED
from panopipe.studies.white.spread import over_sphere, spread
from panopipe.studies.white.surfaces import area

LEAST_MIRED, OF_WARMTH, MOST_MIRED = 12.0, 0.8, 50.0
"""How much warmer paint looks than the light on it: what ground outside and pale floors add in any room, the
share of the room's warmth against its paint, and the most. In 14 rendered rooms with white paint it was -4 to
33, and 0 to 30 warmth went with it."""
HEARD_WELL, WITHIN_CELLS = 0.2, 3.0
"""Weight of what is surely paint, and how far around it, in cells, the difference fades in."""
FEW = 0.05
"""Share of the sphere that may be white paint at which a room is two thirds sure of what its paint shows: in
one coloured all round, what is left to go by is as likely one more colour."""


def bare(heard: Matrix) -> Matrix:
    """How far each cell is none of the paint that was heard, 0 to 1; 0 throughout where hardly any was."""
    even, none = np.full(heard.shape, WITHIN_CELLS**2), np.zeros(heard.shape)
    paint = np.clip(heard / HEARD_WELL, 0, 1)
    paint = np.clip(spread(paint, area(), over_sphere(even, even[1:], none, none[1:]), paint), 0, 1)
    return np.asarray(surely_painted(heard) * (1 - paint))


def surely_painted(heard: Matrix) -> float:
    """How sure a room is of its paint, 0 to 1, by how much of it was heard."""
    size = area()
    return 1 - float(np.exp(-np.sum(heard * size) / np.sum(size) / FEW))


def bounce(warmer: Matrix, known: Matrix) -> float:
    """How much warmer paint looks than the light that falls on it, as a length along the curve of mixtures.

    Parameters
    ----------
    warmer : ndarray of shape (64, 128)
        How much warmer each surface looks than the light of its place that paint shows.
    known : ndarray of shape (64, 128)
        1 where a surface is seen, else 0.
    """
    size = known * area()
    warmth = float(np.sum(warmer * size) / max(float(np.sum(size)), 1e-9))
    least, most = LEAST_MIRED * PLACE_PER_MIRED, MOST_MIRED * PLACE_PER_MIRED
    return float(np.clip(least + OF_WARMTH * warmth, 0, most))
