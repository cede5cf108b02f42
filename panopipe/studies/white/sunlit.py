"""Patches of sun on floors and furniture: what the sun shines on has its light, whatever colour it is.

A wooden floor in the sun is bright and plain, and as yellow as white paint where lamp and window mix. Taken
for that, it is cooled with the room around it, to white boards and a blue card. But nothing reflects more
than white does: what is far brighter than the brightest walls about, and cooler than their lamps, has another
light.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.easing import smooth_step
from panopipe.sphere.filters import smooth
from panopipe.sphere.wrap import pad
from panopipe.studies.white.cones import locus, log_chromaticity_from_working
from panopipe.studies.white.contrast import TIMES, blocks, finer
from panopipe.studies.white.mixture import DAYLIGHT_DUV, SUN_MIRED
from panopipe.studies.white.quantile import weighted_quantile
from panopipe.studies.white.surfaces import ROWS, area, low
from panopipe.studies.white.trim import WARMER

BY_DAY = 0.15
"""How much warmer than the sun light of the day may be, 26 mired: what has it keeps it, and where none has it
no window is seen by day. Around one that clipped it was up to 0.1, under lamps of 4000 K 0.2 or more."""
BRIGHTEST = 0.9
"""Share of what stands above the floor, in the light of the room, up to whose light its white lies."""
OVER, BESIDE_OVER = 0.8, 0.0
"""Natural logarithms over that from where the sun shines on a surface, and from where also on what lies
beside such a one: a card of 18 % in the sun is as bright as white paint out of it."""
COOLER = 0.25
"""How much cooler than the warmest light about, 44 mired: what a lamp shines on from near is as warm."""
FEW, MANY = 4.0, 16.0
"""Cells of such surfaces, 8 square degrees each, up to which the sun is not seen, and from which it surely
is. Frames of rendered rooms with no sun where lamps shine showed less than 1, forty of them, and fourteen
with it 22 to 91."""
BESIDE = 3
"""Cells around them, 8 degrees, in which dimmer things lie in the sun too."""
EDGE_DEG = 0.7
"""Half the width over which the light changes at the edge of a patch: one place of the finer grid."""
_DARK = 1e-6


def with_sun(field: Matrix, rows: Rows, white: Matrix, camera: tuple[float, float]) -> Matrix:
    """Light by place, with the sun's on what it shines on.

    Parameters
    ----------
    field : ndarray of shape (64, 128, 2) or (256, 512, 2)
        How the light of each place differs from the frame's white, in log cone ratios.
    rows : ndarray of shape (height, width, 3), dtype float32
        The whole frame at reduced size, linear light in the working space, before balance.
    white : ndarray of shape (2,)
        Place of the frame's white.
    camera : tuple of float
        Place of the camera's own white as a real light.

    Returns
    -------
    ndarray of shape (256, 512, 2), or field itself where no sun is seen, or the frame is no finer.
    """
    sun = locus(SUN_MIRED, DAYLIGHT_DUV) - np.array(camera) - white
    by_day = (field - sun) @ WARMER <= BY_DAY
    if rows.shape[1] < TIMES * 2 * ROWS or by_day.all() or not by_day.any():
        return field
    here, cells = (finer(field), field) if len(field) == ROWS else (field, blocks(field).mean(axis=(1, 3)))
    warmest = float((field @ WARMER).max())
    seen = _Seen.of(rows, ROWS, white)
    in_room = (cells - sun) @ WARMER > BY_DAY
    walls = area() * in_room * ~low()
    if not walls.any():
        return field
    brightest = weighted_quantile(seen.light, walls, BRIGHTEST)
    patch = low() & in_room & seen.by_sun(brightest + OVER, warmest)
    surely = smooth_step(np.array((np.sum(area() * patch) - FEW) / (MANY - FEW)))
    if surely == 0:
        return field
    side = 2 * BESIDE + 1
    near = cv2.dilate(np.ascontiguousarray(pad(patch.astype(np.float32), BESIDE)), np.ones((side, side)))
    in_room = (here - sun) @ WARMER > BY_DAY
    lit = in_room & _Seen.of(rows, TIMES * ROWS, white).by_sun(brightest + BESIDE_OVER, warmest)
    lit = smooth(lit * finer(near[BESIDE:-BESIDE, BESIDE:-BESIDE]), EDGE_DEG)
    return np.asarray(here + (surely * in_room * smooth_step(2 * lit - 0.5))[..., None] * (sun - here))


@dataclass(frozen=True, slots=True)
class _Seen:
    """Natural logarithm of light by place, and how warm it looks against the frame's white."""

    light: Matrix
    warmth: Matrix

    @classmethod
    def of(cls, rows: Rows, height: int, white: Matrix) -> _Seen:
        mean = cv2.resize(rows, (2 * height, height), interpolation=cv2.INTER_AREA)
        light = np.log(np.maximum(mean @ LUMINANCE_OF_WORKING, _DARK))
        return cls(light, (log_chromaticity_from_working(mean) - white) @ WARMER)

    def by_sun(self, over: float, warmest: float) -> NDArray[np.bool_]:
        """Places that are brighter, and not as warm as what the warmest light shines on from near."""
        return np.asarray((self.light > over) & (self.warmth < warmest - COOLER))
