"""Whether a room has two lights, or one and what its surfaces make of it.

Under one light, what is heard as white paint spreads as well: floors and walls throw their colour onto it, a
shaded corner sees more of the wood than the window does. That spread is small where lamps shine, and under
daylight it ends well before the colour of a lamp. Evening it out would bleach a room that needs nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from panopipe.colour.temperature import cct_duv_from_xy
from panopipe.studies.white.by_place import LightField
from panopipe.studies.white.cones import PLACE_PER_MIRED, xy_from_log_chromaticity
from panopipe.studies.white.quantile import weighted_quantile
from panopipe.studies.white.surfaces import area

WITHIN = (0.05, 0.95)
"""Of the paint, by weight, whose light is compared: the rest is glare, or only seems white."""
ONE_LIGHT, TWO_LIGHTS = 45.0, 60.0
"""Spread in mired at which nothing is evened, and from which all is. Rendered rooms under lamps of one colour
spread 3 to 20 (yellow or green walls: 36 to 44), those where lamp and window mix 58 to 139."""
DAY, LAMP = 225.0, 255.0
"""Mired of the warmest light, likewise: daylight alone, on paint that wood and cloth surround, ends at 185 to
230, lamps of 4000 K lie at 250."""


PAINTED = 0.06, 0.12
"""Share of the sphere heard as paint up to which it may all be one more colour, and from which not: in rooms
coloured all round a wooden ceiling is heard, and 0.03 to 0.055 in all. There a lamp must be in view."""


def two_lights(frames: Sequence[tuple[LightField, tuple[float, float], float]]) -> float:
    """How far two lights are proven by the frames of a room, 0 to 1: their mean, by the paint each shows.

    One figure for all, so that two frames of one room do not part over what one of them hardly shows.

    Parameters
    ----------
    frames : sequence of tuple
        Light of each place, one light or two; the place of the camera's own white as a real light; and how
        likely a lamp is in view, 0 to 1.
    """
    telling = [frame for frame in frames if frame[0].heard.any()]
    if not telling:
        return 0.0
    shown = [field.heard.sum() for field, _, _ in telling]
    return float(np.average([_proven(*frame) for frame in telling], weights=shown))


def _proven(field: LightField, camera: tuple[float, float], lamp: float) -> float:
    """The same by one frame."""
    cold, warm = (weighted_quantile(field.lengths, field.heard, share) for share in WITHIN)
    spread = (warm - cold) / PLACE_PER_MIRED
    kelvin, _ = cct_duv_from_xy(xy_from_log_chromaticity(field.curve.at(np.array(warm)) + np.array(camera)))
    painted = float(field.heard.sum() / area().sum())
    seen = max(lamp, _ramp(painted, *PAINTED))
    return seen * _ramp(spread, ONE_LIGHT, TWO_LIGHTS) * _ramp(1e6 / float(kelvin), DAY, LAMP)


def _ramp(value: float, low: float, high: float) -> float:
    return float(np.clip((value - low) / (high - low), 0, 1))
