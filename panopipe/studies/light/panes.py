"""Panes of windows: what is bright as no surface of the room is, without the bars and the paint beside it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.light.sight import Box, Mask, Plane, Sight, colours_of

BRIGHT_EV = 1.2
"""Light over a perfect white in the room's light from where no surface of the room reflects it, with a margin
for paint beside a window or a lamp."""
BAR_PX, BAR_EV = 7, 0.6
"""Width of bars in pixels of the reduced frame (2.5 degrees of it), at most, and by how much they are darker
than what they stand before."""
WARM = 0.30
"""Log ratio of red to green from where light is that of a lamp, white being that of the room."""
RED = 0.9
"""The same from where it is a red thing: a candle reaches 0.8 in a room whose white is daylight."""
PANE_GAP_DEG = 2.4
"""Bars and frames up to this width part the panes of one window."""
SMALLEST_PANE_SR = 0.0012
"""A pane smaller than this (2 degrees wide) is a speck of light."""
PANE_TOP_FROM_DEG = -14.0
"""A pane reaches up to here at least; what lies lower is the sun on a floor."""
PLAIN_EV, PLAIN_COLOURS, DIMMER_EV = 0.8, 0.25, 0.3
"""Spread of luminance and colour up to which a pane may be a reveal or a sill in daylight, and how far below
the window's brighter quarter it is one: sky seen through a pane is plain too, but brighter."""
TREE_DEG, TREE_EV, GREEN = 9.0, -1.0, 0.4
"""Trees up to this height part a view; light over a perfect white that they have at least, in the shade,
and a plant in the room has not; log ratio of green to the mean of red and blue that no frame has."""
REVEAL_EV, SOMEWHAT_EV, MUCH_DIMMER_EV = 1.3, 0.6, 1.0
"""How far paint beside a pane lies at least below the middle of what is seen through it, and below the dimmer
quarter of the window; and how far below that something plain is paint whatever its form."""
BROAD_DEG = 4.6
"""Width from where what is dim is no frame or reveal, but a pavement before the window."""
LONG = 3.0
"""Area over the square of its width from where a plain pane is a strip, as reveals and sills are."""
NECK_PX = 2
"""Half the width in pixels of the reduced frame up to which what joins two pieces is a neck."""
BORDER_PX = 2
"""Pixels at a border that lie between both sides."""
SHARP_EV = 0.3
"""Step of light at the ends of a view. A quarter of its border may have less: there stand plants."""
SHADE_EV = 0.3
"""Light over a perfect white from where what stands in the corner of a pane is part of the view, and no plant
or lamp before it."""


def windows(sight: Sight) -> list[tuple[Box, list[Mask]]]:
    """Panes of each window, in a box around it: bright, parted by what is dark and narrow, no specks."""
    bars = dark_bars(sight.light_ev)
    lamp = (sight.warm > WARM) & (sight.warm < RED)
    glass = (sight.light_ev > BRIGHT_EV) & ~bars & ~lamp
    inner = cv2.morphologyEx(glass.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, label, places, _ = cv2.connectedComponentsWithStats(inner, connectivity=4)
    area = np.bincount(label.ravel(), sight.share.ravel(), count)
    top = sight.pitch_deg[places[:, cv2.CC_STAT_TOP], 0]
    large = (area >= SMALLEST_PANE_SR) & (top > PANE_TOP_FROM_DEG) & (np.arange(count) > 0)
    reach = max(1, round(PANE_GAP_DEG / 2 / sight.pixel_deg))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    joined = cv2.dilate(large[label].astype(np.uint8), disc)
    groups, window, around, _ = cv2.connectedComponentsWithStats(joined, connectivity=4)
    boxes = []
    for group in range(1, groups):
        box = _box(around[group], round(TREE_DEG / sight.pixel_deg), label.shape)
        inside = np.where(window[box] == group, label[box], 0)
        numbers = np.flatnonzero(np.bincount(inside.ravel(), minlength=count) * large)
        boxes.append((box, [np.asarray(inside == number) for number in numbers]))
    return boxes


def dark_bars(light_ev: Plane) -> Mask:
    """What is dark and narrow before something bright."""
    square = np.ones((BAR_PX, BAR_PX), np.uint8)
    calm = cv2.medianBlur(np.ascontiguousarray(light_ev), 3)  # leaves are no bars
    return np.asarray(cv2.morphologyEx(calm, cv2.MORPH_CLOSE, square) - calm > BAR_EV)


def _box(place: NDArray[np.int32], margin: int, shape: tuple[int, int]) -> Box:
    """Box around a part, with a margin as far as there is one."""
    left, top, width, height = (int(value) for value in place[:4])
    rows = slice(max(top - margin, 0), min(top + height + 3 * margin, shape[0]))  # a pavement may lie below
    return rows, slice(max(left - margin, 0), min(left + width + margin, shape[1]))


def view_through(sight: Sight, panes: list[Mask]) -> Mask:
    """What of a window's bright parts is glass, and all that is seen through it, bright or dark."""
    whole = np.logical_or.reduce(panes)
    dim, bright = np.percentile(sight.light_ev[whole], [25, 75])
    region = np.zeros_like(whole)
    for found in panes:
        pane = without_glow(sight, found)
        pane = without_reveals(sight, pane, dim) if pane.any() else pane
        if not pane.any():
            continue
        light = np.percentile(sight.light_ev[pane], [10, 50, 90])
        plain = light[2] - light[0] < 2 * PLAIN_EV and colours_of(sight, pane) < PLAIN_COLOURS
        strip = light[1] < bright - DIMMER_EV and _length(pane) > LONG
        if not (plain and (strip or light[1] < dim - MUCH_DIMMER_EV)):
            region |= filled(sight, pane)
    return np.asarray(region)


def without_glow(sight: Sight, pane: Mask) -> Mask:
    """Leave out what hangs on a pane by little and ends where light falls off: a glow before a threshold."""
    core = cv2.erode(np.pad(pane.astype(np.uint8), 1), np.ones((2 * NECK_PX + 1,) * 2, np.uint8))[1:-1, 1:-1]
    count, label = cv2.connectedComponents(core, connectivity=4)
    if count <= 2:  # nothing, or one
        return pane
    _, nearest = cv2.distanceTransformWithLabels(1 - core, cv2.DIST_L2, 5)
    of_place = np.zeros(int(nearest.max()) + 1, np.int32)
    of_place[nearest[core > 0]] = label[core > 0]
    piece = of_place[nearest]
    for number in range(1, count):
        glow = pane & (piece == number)
        if np.median(border_steps(sight.light_ev, glow, np.zeros_like(glow))) < SHARP_EV:
            pane = pane & ~glow
    return pane


def without_reveals(sight: Sight, pane: Mask, dim_ev: float) -> Mask:
    """Leave out of a pane the paint beside it in daylight: narrow, far dimmer than the view, not green."""
    least = min(float(np.median(sight.light_ev[pane])) - REVEAL_EV, dim_ev - SOMEWHAT_EV)
    glass = pane & ((sight.light_ev > least) | (sight.greenness > GREEN))
    square = np.ones((3, 3), np.uint8)
    glass = cv2.morphologyEx(glass.astype(np.uint8), cv2.MORPH_OPEN, square) > 0
    side = round(BROAD_DEG / sight.pixel_deg)
    left = np.pad((pane & ~glass).astype(np.uint8), side)
    broad = cv2.morphologyEx(left, cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    return np.asarray(glass | (broad[side:-side, side:-side] > 0))


def _length(pane: Mask) -> float:
    """How many squares of its greatest width a pane would fill."""
    inner = np.pad(pane.astype(np.uint8), 1)
    return float(pane.sum() / (2 * cv2.distanceTransform(inner, cv2.DIST_L2, 3).max()) ** 2)


def filled(sight: Sight, pane: Mask) -> Mask:
    """A pane with what is dark in it: all it encloses, and in its corners what the room does not light."""
    codes = np.ascontiguousarray(pane.astype(np.uint8))
    outlines, _ = cv2.findContours(codes, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    enclosed, hull = np.zeros_like(codes), np.zeros_like(codes)
    cv2.drawContours(enclosed, outlines, -1, 1, cv2.FILLED)
    cv2.drawContours(hull, [cv2.convexHull(np.concatenate(outlines))], -1, 1, cv2.FILLED)
    corners = (hull > 0) & (sight.light_ev > SHADE_EV) & (sight.warm < WARM)
    return np.asarray((enclosed > 0) | corners)


def border_steps(light_ev: Plane, part: Mask, view: Mask) -> Plane:
    """How far light beyond the border of a part differs from that within, where that is not the view's."""
    size = np.ones((2 * BORDER_PX + 1,) * 2, np.uint8)
    around = cv2.dilate(part.astype(np.uint8), size) > 0
    around &= ~part & (cv2.dilate(view.astype(np.uint8), size) == 0)
    weight = cv2.blur(part.astype(np.float32), (7, 7)) + np.float32(1e-6)
    within = cv2.blur(np.where(part, light_ev, np.float32(0)), (7, 7)) / weight
    steps = np.abs(within - light_ev)[around]
    return steps if steps.size else np.zeros(1, np.float32)
