"""The curves of the tonal rendering: how the base moves, and how light becomes display light.

All in EV against diffuse white (0 EV is 1.0, middle grey lies at -2.47 EV).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.pixels.easing import smooth_step

Float = NDArray[np.float64]

MIDDLE_GREY_EV = float(np.log2(0.18))
"""An 18 % card against diffuse white."""
HIGHLIGHTS_AT_EV = 6.0
"""EV above middle grey whose base moves by exactly `highlights_ev`."""
MOST_EXPOSURE_EV = 12.0
"""Largest `exposure_ev`, up or down: a merged bracket may keep ten stops free over the room."""
MOST_HIGHLIGHTS_EV = -4.0
"""Lowest `highlights_ev`: beyond it a brighter base would hardly stay brighter."""
SHADOWS_AT_EV = 4.0
"""EV below middle grey from where the base moves by `shadows_ev`."""
NOISE_FROM_EV = 6.5
"""EV below middle grey from where shadows are opened less and less, by half in the end: there lies noise."""
NO_TOE_EV = -16.0
"""A toe that cuts nothing: below half a step of 8 bits."""
SLOPE_REACH_EV = 2.0
"""EV about middle grey within which contrast is raised."""
KNEE = 0.7
"""Display light where the shoulder begins."""


@dataclass(frozen=True, slots=True)
class Moves:
    """The numbers of the tonal rendering.

    Attributes
    ----------
    exposure_ev : float
        Added to all light.
    highlights_ev : float
        Move of the base `HIGHLIGHTS_AT_EV` above middle grey.
    shadows_ev : float
        Move of the base `SHADOWS_AT_EV` and more below middle grey.
    slope_percent : float
        How much steeper than as recorded the rendering is at middle grey, which stays in its place.
    shoulder_ev : float
        EV above diffuse white that is shown as white; at 0 nothing is compressed.
    toe_ev : float
        EV against diffuse white that is shown as black; at `NO_TOE_EV` nothing is cut.
    detail_percent : float
        How much more than as recorded light differs from its base.
    """

    exposure_ev: float = 0.0
    highlights_ev: float = 0.0
    shadows_ev: float = 0.0
    slope_percent: float = 0.0
    shoulder_ev: float = 0.0
    toe_ev: float = NO_TOE_EV
    detail_percent: float = 0.0


NEUTRAL = Moves()
"""Moves that change nothing."""


def moved_base(base_ev: ArrayLike, moves: Moves) -> Float:
    """Base after highlights and shadows; rises with the base for all allowed moves.

    Parameters
    ----------
    base_ev : array_like
        Base after exposure, EV against diffuse white.
    moves : Moves
        Only `highlights_ev` and `shadows_ev` count.
    """
    base = np.asarray(base_ev, dtype=np.float64)
    above = base - MIDDLE_GREY_EV
    dark = smooth_step(-above / max(SHADOWS_AT_EV, 2 * abs(moves.shadows_ev)))
    dark *= 1 - 0.5 * smooth_step((-above - NOISE_FROM_EV) / 4)
    return base + moves.highlights_ev * _bright_share(above, moves.highlights_ev) + moves.shadows_ev * dark


BRIGHT_FROM_EV, BRIGHT_SOFT_EV = 2.1, 1.0
"""EV above middle grey from where highlights act, just under a white wall, and how softly they set in."""
LEAST_RISE = 0.06
"""By how much a bright base rises at least, for each EV that it lies higher."""


def _bright_share(above: Float, highlights_ev: float) -> Float:
    """Part of `highlights_ev` by which a base moves: 0 in shadows, 1 at `HIGHLIGHTS_AT_EV`, more above.

    Strong moves set in lower, as a brighter base would not stay brighter otherwise.
    """
    start = min(BRIGHT_FROM_EV, HIGHLIGHTS_AT_EV + highlights_ev / (1 - LEAST_RISE))
    return _softplus(above - start) / _softplus(HIGHLIGHTS_AT_EV - start)


VIEW_FROM_EV, VIEW_OVER_EV = 2.7, 1.0
"""EV above middle grey, before highlights, from where light becomes that of a view, and over how many."""


def view_part(light_ev: ArrayLike) -> Float:
    """How far light after exposure is that of a view, a lamp or a sky, not of a surface in the room."""
    above = np.asarray(light_ev, dtype=np.float64) - MIDDLE_GREY_EV
    return smooth_step((above - VIEW_FROM_EV) / VIEW_OVER_EV)


def _softplus(above: ArrayLike) -> Float:
    result: Float = BRIGHT_SOFT_EV * np.logaddexp(0, np.asarray(above, dtype=np.float64) / BRIGHT_SOFT_EV)
    return result


def steeper_light(light: ArrayLike, moves: Moves) -> Float:
    """Linear light with slope and toe.

    Parameters
    ----------
    light : array_like
        Linear luminance after exposure and base, 1.0 at diffuse white, not negative.
    moves : Moves
        Only `slope_percent` and `toe_ev` count.
    """
    y = _steeper(np.asarray(light, dtype=np.float64), moves.slope_percent / 100)
    if moves.toe_ev > NO_TOE_EV:
        black = 2.0**moves.toe_ev
        y = (y + black * np.expm1(-y / black)) / (1 - black)
    return y


def _steeper(light: Float, share: float) -> Float:
    """An S in log2 luminance about middle grey, whose ends run parallel to the straight line."""
    if share == 0:
        return light
    above = np.log2(np.maximum(light, 1e-12)) - MIDDLE_GREY_EV
    lifted: Float = light * 2.0 ** (share * SLOPE_REACH_EV * np.tanh(above / SLOPE_REACH_EV))
    return lifted
