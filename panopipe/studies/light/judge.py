"""What suits a room: exposure, highlights, shadows and shoulder from the light of its frames."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.studies.light.base import Base
from panopipe.studies.light.curve import (
    MIDDLE_GREY_EV,
    MOST_EXPOSURE_EV,
    MOST_HIGHLIGHTS_EV,
    NO_TOE_EV,
    Moves,
    moved_base,
    steeper_light,
)

LOWEST_EV, HIGHEST_EV, BINS = -20.0, 16.0, 288
"""Span and number of the bins of log2 luminance: eight to a stop."""

Shares = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lit:
    """How a frame is lit: shares of the sphere by log2 luminance, in bins; small and picklable.

    Attributes
    ----------
    base, light : ndarray of shape (BINS,), dtype float64
        Share of solid angle by the base and by the light itself; each sums to 1.
    vivid_ev, open_sky : float
        See `panopipe.studies.light.colours`.
    """

    base: Shares
    light: Shares
    vivid_ev: float = 0.0
    open_sky: float = 0.0


def lit(base: Base, light_ev: NDArray[np.float32], vivid_ev: float = 0.0, open_sky: float = 0.0) -> Lit:
    """Count the sphere by solid angle, from its base and from a whole 2:1 frame of log2 luminance."""
    cells = pixel_solid_angle(base.seen.shape[0])[:, None, None]
    rows = pixel_solid_angle(light_ev.shape[0])[:, None]
    counted = _shares(base.curves_ev, base.seen * cells), _shares(light_ev, rows)
    return Lit(*counted, vivid_ev, open_sky)


def joined(parts: Iterable[Lit]) -> Lit:
    """All frames of a room as one."""
    every = list(parts)
    vivid_ev, open_sky = (
        float(np.mean([getattr(part, name) for part in every])) for name in ("vivid_ev", "open_sky")
    )
    base, light = (np.mean([getattr(part, name) for part in every], axis=0) for name in ("base", "light"))
    return Lit(base, light, vivid_ev, open_sky)


WHITE_PERCENTILES = (0.66, 0.72, 0.78, 0.84, 0.88)
"""Shares of the sphere darker than white surfaces in a room's typical light: white walls or a white ceiling
fill the fifth above them, windows and lamps rarely more than a tenth."""
WHITE_ABOVE_EV = 0.07
"""A perfect white in the room's median light, over the mean of those percentiles of the base: found on
rooms rendered with known light, which spread from -0.25 to 0.1."""
VIVID_FROM_EV, VIVID_WEIGHT = 0.1, 2.0
"""Excess of the brightest channel from where a room's bright surfaces are coloured, and how much brighter
white paint is taken to be for each EV of it: some of the excess passes for the colour of the light."""
PAINT_EV = float(np.log2(0.8))
"""White paint against a perfect white: it reflects four fifths."""
PAINT_TARGET_EV = float(np.log2(0.69))
"""Display light of white paint in the room's light: L* 86.5, an 18 % card in the same light near L* 46."""
WHITE_TARGET_EV = -0.05
"""Where a perfect white in the room's light lies after exposure when nothing else moves it."""
WINDOW_SHARE = 0.993
"""Share of the sphere darker than the view in a window, or than a bright sky."""
SKY_TARGET_EV, VIEW_TARGET_EV = 2.2, 2.6
"""Where that may lie above middle grey. A sky that is `SKY_ABOVE_EV` brighter than a white surface lies over
it still; a view from a room, `VIEW_ABOVE_EV` brighter or more, about level with a white wall, so that the sky
in it is brighter and the trees are darker."""
OPEN_TARGET_EV = 2.0
"""Where the brightest of a scene under open sky may lie: a little under its whites, so that clouds show."""
OUTDOORS = 0.4
"""Share of sky above the horizon from where a frame is outdoors."""
SKY_ABOVE_EV, VIEW_ABOVE_EV = 2.0, 4.0
CORNER_SHARE, CORNER_TARGET_EV, CORNER_LIFT = 0.03, -2.1, 0.6
"""Share of the sphere darker than a corner that must be readable, where it may lie below middle grey
without help, and the part of the way that it is brought there."""
MOST_LIFT_EV = 0.8
SLOPE_PERCENT = 14.0
"""What a rendering for a screen in a lit room wants over the light as it is (common practice, no source)."""
DETAIL_PERCENT = 55.0
"""What structure loses to the shoulder and to a screen's glare, given back; plain surfaces gain nothing."""
GLINT_SHARE = 0.9997
BLACK_SHARE, DEEPEST_BLACK_EV = 0.002, -6.5
"""Share of the sphere that may be all but black, and the lightest light that is called black."""


def room_white_ev(room: Lit) -> float:
    """Log2 luminance that a perfect white in the room's typical light would have, as well as one can tell."""
    bright = float(np.mean([percentile(room.base, part) for part in WHITE_PERCENTILES])) + WHITE_ABOVE_EV
    return bright + VIVID_WEIGHT * max(room.vivid_ev - VIVID_FROM_EV, 0)


def suited(room: Lit) -> Moves:
    """Moves that suit a room: its white is bright, its windows show the view, its corners are readable."""
    white, window = room_white_ev(room), percentile(room.base, WINDOW_SHARE)
    corner = percentile(room.base, CORNER_SHARE) - white + WHITE_TARGET_EV - MIDDLE_GREY_EV
    outdoors = room.open_sky > OUTDOORS
    local = Moves(
        highlights_ev=_highlights_for(
            window - white + WHITE_TARGET_EV, OPEN_TARGET_EV if outdoors else VIEW_TARGET_EV
        ),
        shadows_ev=float(np.clip((CORNER_TARGET_EV - corner) * CORNER_LIFT, 0, MOST_LIFT_EV)),
        slope_percent=SLOPE_PERCENT,
        detail_percent=DETAIL_PERCENT,
    )
    lifted = WHITE_TARGET_EV - white if outdoors else _exposure_for(white + PAINT_EV, local)
    local = replace(local, exposure_ev=float(np.clip(lifted, -MOST_EXPOSURE_EV, MOST_EXPOSURE_EV)))
    exposure = local.exposure_ev
    glint, black = moved_base(
        [percentile(room.light, part) + exposure for part in (GLINT_SHARE, BLACK_SHARE)], local
    )
    return replace(
        local,
        shoulder_ev=float(np.clip(glint + 2.5, 2.5, 5)),
        toe_ev=float(np.clip(black - 0.5, NO_TOE_EV, DEEPEST_BLACK_EV)),
    )


def _exposure_for(paint_ev: float, moves: Moves) -> float:
    """Exposure by which white paint of the room is shown as bright as it reads as white."""

    def shown(exposure: float) -> float:
        return float(np.log2(steeper_light(2.0 ** moved_base(paint_ev + exposure, moves), moves)))

    low, high = -MOST_EXPOSURE_EV, MOST_EXPOSURE_EV
    for _ in range(24):
        middle = (low + high) / 2
        low, high = (middle, high) if shown(middle) < PAINT_TARGET_EV else (low, middle)
    return high


def _highlights_for(window_ev: float, target_ev: float) -> float:
    """Move that brings a window of this base, after exposure, down to its place, and a dimmer sky to its."""
    above_white = window_ev - WHITE_TARGET_EV
    target = np.interp(above_white, [SKY_ABOVE_EV, VIEW_ABOVE_EV], [SKY_TARGET_EV, target_ev])
    low, high = MOST_HIGHLIGHTS_EV, 0.0
    for _ in range(24):  # moves in between bring the base to places in between
        middle = (low + high) / 2
        lies = float(moved_base(window_ev, Moves(highlights_ev=middle))) - MIDDLE_GREY_EV
        low, high = (low, middle) if lies > target else (middle, high)
    return high


def percentile(shares: Shares, part: float) -> float:
    """Log2 luminance below which `part` of the sphere lies, interpolated within the bin."""
    edges = np.linspace(LOWEST_EV, HIGHEST_EV, BINS + 1)
    return float(np.interp(part, np.concatenate([[0.0], np.cumsum(shares)]), edges))


def _shares(values_ev: NDArray[Any], weights: NDArray[np.float64]) -> Shares:
    inside = np.clip(values_ev, LOWEST_EV, np.nextafter(HIGHEST_EV, 0)).ravel()
    every = np.broadcast_to(weights, values_ev.shape).ravel()
    counts, _ = np.histogram(inside, bins=BINS, range=(LOWEST_EV, HIGHEST_EV), weights=every)
    shares: Shares = counts / counts.sum()
    return shares
