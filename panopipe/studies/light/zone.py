"""Views from a room: which part of a frame is the outside, seen through a window or a glazed door.

Light that no surface of the room can reflect comes from a lamp, from the sun on a floor, or from outside.
Only the outside may be exposed for itself: a lamp treated so turns into a black cloud, a patch of sun into a
grey one. So a view must show what the others lack: several colours or depths within sharp borders, at the
height of the horizon, and not on the warm side of the room's white. Where that is not sure there is no view,
and light goes over the room's curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.studies.light.beside_glass import whole_view, with_ground
from panopipe.studies.light.panes import BRIGHT_EV, WARM, view_through, windows
from panopipe.studies.light.sight import Mask, Plane, Rows, Sight, colours_of, plane_of_light, sight_of

SMALLEST_SR = 0.006
"""A view smaller than this (4.4 degrees wide) cannot be told from a lamp."""
LARGEST = 0.22
"""Share of the sphere from where what is bright is no view from a room: the camera stands outside."""
TOP_FROM_DEG, MIDDLE_FROM_DEG, MIDDLE_TO_DEG = -2.0, -30.0, 22.0
"""A view reaches up to the horizon at least, and lies neither underfoot nor overhead."""
BORDER_EV, LIT_BORDER_EV, MANY_COLOURS = 2.6, 1.8, 0.4
"""Median drop at its border, from where it is that of a frame, and not that of a curtain or a fall of light.
A frame that the day lights is brighter; then the view must show more colours than any curtain."""
LEAST_DEPTHS_EV = 0.35
"""A view whose luminance spreads less, and that has no colours, is blank: overcast, or clipped. There is
nothing to bring back."""
BLANK, BLANK_EV = 0.55, 0.12
"""Share of a view that lies within so narrow a range of luminance, from where it is clipped."""
COLOURS, DEPTHS_EV, VARIED = 0.10, 1.0, 2.2
"""Spread of log ratios of colour within a view and of its luminance, and how often both together it has."""
SMALL_SR, SMALL_COLOURS = 0.03, 0.35
"""A view smaller than this (10 degrees wide) shows more colours, or it may be a curtain, seen in a mirror."""
HELD, CLIPS_OVER_EV = 0.5, 0.1
"""Share of a view that the file must hold, or its lost greens and skies would come out grey; and over how
many EV below the level of clipping samples are doubted."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for and against a bright region being a view.

    Attributes
    ----------
    area_sr : float
        Solid angle.
    top_deg, middle_deg : float
        Pitch of its upper end and of its middle.
    warmth : float
        Median log ratio of red to green.
    colours : float
        Spread of log ratios of colour, half of the distance between the 10th and the 90th percentile.
    depths_ev : float
        The same of luminance.
    blank : float
        Largest share of it that lies within `BLANK_EV`.
    border_ev : float
        Median drop of luminance from just inside its border to just outside.
    """

    area_sr: float
    top_deg: float
    middle_deg: float
    warmth: float
    colours: float
    depths_ev: float
    blank: float
    border_ev: float


def is_view(seen: Evidence) -> bool:
    """Whether a bright region is surely a view."""
    if seen.area_sr < SMALLEST_SR or seen.top_deg < TOP_FROM_DEG:
        return False
    if not MIDDLE_FROM_DEG < seen.middle_deg < MIDDLE_TO_DEG:
        return False
    border_ev = LIT_BORDER_EV if seen.colours > MANY_COLOURS else BORDER_EV
    if seen.warmth > WARM or seen.border_ev < border_ev:
        return False
    if seen.blank > BLANK or (seen.depths_ev < LEAST_DEPTHS_EV and seen.colours < MANY_COLOURS):
        return False
    if seen.area_sr < SMALL_SR and seen.colours < SMALL_COLOURS:
        return False
    varied = seen.colours / COLOURS + seen.depths_ev / DEPTHS_EV
    return varied > VARIED and seen.colours > 0.5 * COLOURS


def find_zone(rows: Rows, white_ev: float, clips_ev: float = np.inf, by_day: Rows | None = None) -> Mask:
    """Where a frame shows the outside from a room.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        The whole frame at reduced size, balanced.
    white_ev : float
        Log2 luminance of a perfect white in the room's light.
    clips_ev : float
        Log2 luminance from where the first plane of the sensor clipped.
    by_day : ndarray of shape (height, width, 3), dtype float32, optional
        The frame with daylight made neutral instead, if balance made lamps neutral too, place by place.

    Returns
    -------
    ndarray of shape (height, width), dtype bool
    """
    light_ev = plane_of_light(rows) - np.float32(white_ev)
    bright = light_ev > BRIGHT_EV
    zone = np.zeros(bright.shape, dtype=bool)
    share = np.repeat(pixel_solid_angle(len(bright))[:, None], bright.shape[1], axis=1)
    if not bright.any() or share[bright].sum() > LARGEST * 4 * np.pi:
        return zone
    start = int(np.argmin(bright.sum(axis=0)))
    colours = np.roll(rows if by_day is None else by_day, -start, axis=1)
    sight = sight_of(colours, np.roll(light_ev, -start, axis=1), share)
    for box, panes in windows(sight):
        part = sight.part(box)
        glass = view_through(part, panes)
        region = whole_view(part, glass) if glass.any() else glass
        held = region.any() and (part.light_ev[region] < clips_ev - white_ev - CLIPS_OVER_EV).mean() > HELD
        if held and is_view(evidence(part, region)):
            zone[box] |= with_ground(part, region)
    return np.roll(zone, start, axis=1)


def evidence(sight: Sight, region: Mask) -> Evidence:
    """Look at one bright region."""
    kernel, light_ev, mask = np.ones((3, 3), np.uint8), sight.light_ev, region.astype(np.uint8)
    inside = cv2.erode(mask, kernel) > 0
    inside = inside if inside.any() else region
    top, middle = np.percentile(sight.pitch_deg[region], [98, 50])
    dark, light = np.percentile(light_ev[inside], [10, 90])
    return Evidence(
        area_sr=float(sight.share[region].sum()),
        top_deg=float(top),
        middle_deg=float(middle),
        warmth=float(np.median(sight.warm[inside])),
        colours=colours_of(sight, inside),
        depths_ev=float((light - dark) / 2),
        blank=_blank(light_ev[inside]),
        border_ev=_border(light_ev, mask),
    )


def _blank(light_ev: NDArray[np.float32]) -> float:
    """Largest share of some light within `BLANK_EV`."""
    ordered = np.sort(light_ev)
    ends = np.searchsorted(ordered, ordered + BLANK_EV, side="right")
    return float((ends - np.arange(len(ordered))).max() / len(ordered))


def _border(light_ev: Plane, mask: NDArray[np.uint8]) -> float:
    """Median drop of luminance across the border of a region."""
    outside = cv2.dilate(mask, np.ones((3, 3), np.uint8)) == 0
    near = outside & (cv2.dilate(mask, np.ones((9, 9), np.uint8)) > 0)
    within = np.where(mask > 0, light_ev, np.float32(-99)).astype(np.float32)
    beside = cv2.dilate(within, np.ones((11, 11), np.uint8))
    return float(np.median((beside - light_ev)[near])) if near.any() else 0.0
