"""Panes of windows: what is bright as no surface of the room is, without the bars and the paint beside it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.hull import hull_of
from panopipe.studies.light.sight import Box, Float, Mask, Plane, Sight, colours_of

BRIGHT_EV = 1.2
"""Light over a perfect white in the room's light from where no surface of the room reflects it, with a margin
for paint beside a window or a lamp."""
BAR_PX, BAR_EV = 7, 0.6
"""Width of bars in pixels of the reduced frame (2.5 degrees of it), at most, and by how much they are darker
than what they stand before."""
WARM = 0.42
"""Log ratio of red to green from where light is that of a lamp, white being that of the room."""
RED = 1.4
"""The same from where it is a red thing: a filament turned down, 2200 K, reaches 1.1 in daylight's white."""
PANE_GAP_DEG = 2.4
"""Bars and frames up to this width part the panes of one window."""
SMALLEST_PANE_SR = 0.0012
"""A pane smaller than this (2 degrees wide) is a speck of light."""
PANE_TOP_FROM_DEG = -14.0
"""A pane reaches up to here at least; what lies lower is the sun on a floor."""
PLAIN_EV, PLAIN_COLOURS, DIMMER_EV = 0.8, 0.25, 0.3
"""Spread of luminance and colour up to which a pane may be a reveal or a sill in daylight, and how far below
the window's brighter quarter it is one: sky seen through a pane is plain too, but brighter."""
TREE_DEG, TREE_EV, GREEN = 9.0, -1.0, 0.45
"""Trees up to this height part a view; light over a perfect white that they have at least, in the shade,
and a plant in the room has not; log ratio of green to the mean of red and blue that no frame has."""
REVEAL_EV = 1.0
"""How far paint beside a pane lies at least below the middle of what is seen through the window: found on
seven rendered houses, where it leaves out the reveals and costs the view .1 % of its edge."""
ONE_COLOUR = 0.18
"""Spread of colour that one pane of a window has at least: the light of a lamp on a wall has up to .12, and
two walls beside it have one each. In every garden rendered there was more than .5."""
APART_SR = 0.005
"""What lies apart from the largest piece of a pane is a piece of a sill if it is smaller (4 degrees wide) and
dimmer than the middle of the view."""
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

SIDE = 0.1
"""A column belongs to a pane if it has this share of what the highest column has."""
EDGE_PLACES, EDGE_PX, EDGE_SHARE, EDGE_BEYOND = 24, 1.5, 0.3, 0.1
"""Columns whose ends are tried as the edge of an opening; pixels from it where an end lies beyond; share of
the columns that must end on it, and that may end beyond."""


def windows(sight: Sight) -> list[tuple[Box, list[Mask]]]:
    """Panes of each window, in a box around it: bright, parted by what is dark and narrow, no specks."""
    bars = dark_bars(sight.light_ev)
    lamp = (sight.warm > WARM) & (sight.warm < RED)
    glass = (sight.light_ev > BRIGHT_EV) & ~bars & ~lamp
    inner = cv2.morphologyEx(glass.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    with_green = (inner > 0) | green(sight)  # sky over a hedge and lawn below it are one pane
    count, label, places, _ = cv2.connectedComponentsWithStats(with_green.astype(np.uint8), connectivity=4)
    bright = np.flatnonzero(inner)
    area = np.bincount(label.ravel()[bright], sight.share.ravel()[bright], count)
    top = sight.pitch_deg[places[:, cv2.CC_STAT_TOP], 0]
    large = (area >= SMALLEST_PANE_SR) & (top > PANE_TOP_FROM_DEG) & (np.arange(count) > 0)
    reach = max(1, round(PANE_GAP_DEG / 2 / sight.pixel_deg))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    joined = cv2.dilate(large[label].astype(np.uint8), disc)
    groups, window, around, _ = cv2.connectedComponentsWithStats(joined, connectivity=4)
    boxes = []
    for group in range(1, groups):
        box = _box(around[group], round(TREE_DEG / sight.pixel_deg), label.shape)
        inside = np.where((window[box] == group) & (inner[box] > 0), label[box], 0)
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
    region = np.logical_or.reduce(panes)
    middle, bright = np.percentile(sight.light_ev[region], [50, 75])
    least_ev = max(SHADE_EV, middle - REVEAL_EV)  # a lampshade before the window has less
    found = [without_glow(sight, pane) for pane in panes]
    found = [without_reveals(sight, pane, least_ev) for pane in found if pane.any()]
    found = [pane for pane in found if pane.any()]
    region[:] = False
    if max((_inner_colours(sight, pane) for pane in found), default=0) < ONE_COLOUR:
        return np.asarray(region)
    for pane in found:
        if not _is_strip(sight, pane, bright - DIMMER_EV):
            region |= filled(sight, pane, least_ev)
    return np.asarray(region)


def _is_strip(sight: Sight, pane: Mask, dim_ev: float) -> bool:
    """Whether a pane is a reveal or a sill: plain, dim and long."""
    low, middle, high = np.percentile(sight.light_ev[pane], [10, 50, 90])
    plain = high - low < 2 * PLAIN_EV and colours_of(sight, pane) < PLAIN_COLOURS
    return bool(plain and middle < dim_ev and _length(pane) > LONG)


def _inner_colours(sight: Sight, pane: Mask) -> float:
    """Spread of colour within a pane, away from its border, where it mixes with that of a frame."""
    inner = cv2.erode(pane.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return colours_of(sight, inner if inner.any() else pane)


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


def without_reveals(sight: Sight, pane: Mask, least_ev: float) -> Mask:
    """Leave out of a pane the paint beside it in daylight: narrow, dimmer than the view, not green."""
    glass = pane & ((sight.light_ev > least_ev) | (sight.greenness > GREEN))
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


def green(sight: Sight) -> Mask:
    """Trees and hedges: dark as a room may be, green as no frame is, and not warm as a filament."""
    return np.asarray((sight.greenness > GREEN) & (sight.light_ev > TREE_EV) & (sight.warm < WARM))


def filled(sight: Sight, pane: Mask, least_ev: float) -> Mask:
    """A pane with what is dark in it: all it encloses, and up to its straight edges all that is outside."""
    enclosed = _within(pane)
    outside = (sight.light_ev > least_ev) & ~dark_bars(sight.light_ev) | green(sight)
    more = _within(enclosed | (opening(sight, pane) & outside & (sight.warm < WARM)))
    count, label = cv2.connectedComponents(more.astype(np.uint8), connectivity=4)
    share = np.bincount(label.ravel(), sight.share.ravel(), count)
    light = np.bincount(label.ravel(), (sight.share * sight.light_ev).ravel(), count) / share
    sill = (share < min(APART_SR, share[1:].max(initial=0))) & (light < least_ev + REVEAL_EV)
    return np.asarray(more & ~sill[label])


def _within(part: Mask) -> Mask:
    codes = np.ascontiguousarray(part.astype(np.uint8))
    outlines, _ = cv2.findContours(codes, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(codes, outlines, -1, 1, cv2.FILLED)
    return codes > 0


def opening(sight: Sight, pane: Mask) -> Mask:
    """The opening that a pane shows a part of: between upright sides, a straight head and a straight foot.

    A straight level edge on a wall lies at tan(pitch) = a cos(yaw) + b sin(yaw). Trees hide parts of it, but
    nothing that is seen through it lies beyond. Where no such edge is found, the pane ends at its hull.
    """
    heights = pane.sum(axis=0)
    columns = np.flatnonzero(heights > SIDE * heights.max())
    yaw = np.radians(np.arange(pane.shape[1]) * sight.pixel_deg)
    pitch = sight.pitch_deg[:, 0]
    inside = np.zeros_like(pane)
    inside[:, columns[0] : columns[-1] + 1] = True
    first, last = pane.argmax(axis=0), len(pane) - 1 - pane[::-1].argmax(axis=0)
    for ends, sign in ((first, 1), (last, -1)):
        edge = _straight(yaw[columns], sign * pitch[ends[columns]], sight.pixel_deg)
        if edge is None:
            return hull_of(pane)
        bound = np.degrees(np.arctan(edge[0] * np.cos(yaw) + edge[1] * np.sin(yaw)))
        inside &= sign * sight.pitch_deg <= bound + sight.pixel_deg / 2
    return inside


def _straight(yaw: Float, pitch_deg: Float, pixel_deg: float) -> Float | None:
    """The straight edge that most ends of columns lie on, and few lie above; None if there is none."""
    some = np.unique(np.linspace(0, len(yaw) - 1, EDGE_PLACES).astype(int))
    one, other = (some[part] for part in np.triu_indices(len(some), 1))
    turn = np.sin(yaw[other] - yaw[one])
    if len(one) == 0 or turn.min() <= 0:
        return None
    tangent = np.tan(np.radians(pitch_deg))
    a = (tangent[one] * np.sin(yaw[other]) - tangent[other] * np.sin(yaw[one])) / turn
    b = (tangent[other] * np.cos(yaw[one]) - tangent[one] * np.cos(yaw[other])) / turn
    edges = np.stack([a, b], axis=-1)
    above = pitch_deg - np.degrees(np.arctan(edges @ np.stack([np.cos(yaw), np.sin(yaw)])))
    on, beyond = np.abs(above) < pixel_deg, above > EDGE_PX * pixel_deg
    best = int(np.argmax(on.sum(axis=1) - 2 * beyond.sum(axis=1)))
    if on[best].mean() < EDGE_SHARE or beyond[best].mean() > EDGE_BEYOND:
        return None
    return np.asarray(edges[best])


def border_steps(light_ev: Plane, part: Mask, view: Mask) -> Plane:
    """How far light beyond the border of a part differs from that within, where that is not the view's."""
    size = np.ones((2 * BORDER_PX + 1,) * 2, np.uint8)
    around = cv2.dilate(part.astype(np.uint8), size) > 0
    around &= ~part & (cv2.dilate(view.astype(np.uint8), size) == 0)
    weight = cv2.blur(part.astype(np.float32), (7, 7)) + np.float32(1e-6)
    within = cv2.blur(np.where(part, light_ev, np.float32(0)), (7, 7)) / weight
    steps = np.abs(within - light_ev)[around]
    return steps if steps.size else np.zeros(1, np.float32)
