"""What belongs to a view beside its bright glass: trees, bricks and flowers, and the ground before a door."""

from __future__ import annotations

import cv2
import numpy as np

from panopipe.sphere.hull import hull_of
from panopipe.studies.light.panes import (
    BORDER_PX,
    BRIGHT_EV,
    BROAD_DEG,
    GREEN,
    PANE_GAP_DEG,
    SHADE_EV,
    SHARP_EV,
    TREE_DEG,
    TREE_EV,
    WARM,
    border_steps,
    dark_bars,
    green,
)
from panopipe.studies.light.sight import Mask, Plane, Sight

GAP_SR, BROAD_GAP_SR = 0.002, 0.01
"""What a view encloses and is no larger is part of it, or if it is broader than any bar, no larger than the
second (6 degrees wide): bars and frames are joined to the room, but by few pixels."""
GREENISH = 0.2
"""Log ratio of green to the mean of red and blue that leaves in the shade have at least."""
DEEP_EV = -2.5
"""Light over a perfect white that a hedge has in its own shade, amid the view."""
FEW = 0.2
"""Share of a view that bricks and flowers may fill: what is warm and more than that is a lamp's."""
MOSTLY = 0.5
"""Share of the columns of a pavement above which there is nothing but view; of bricks and flowers that may be
brighter than all else there."""
BETWEEN = 0.8
"""Share of bricks and flowers that lies between the view's other parts. A lampshade before a window goes on
below it."""
GROUND_SR = 0.01
"""A pavement smaller than this (6 degrees wide) may be a sill."""
EVEN_EV = 0.5
"""Differences within three pixels that a pavement has, less than there are at its ends."""


def whole_view(sight: Sight, glass: Mask) -> Mask:
    """Bright glass with all that is seen through it."""
    return with_green(sight, with_shade(sight, with_warm_things(sight, glass)))


def with_shade(sight: Sight, view: Mask) -> Mask:
    """Add trunks and hedges in the shade: dim, with view on all sides, or on three if somewhat green.

    A reveal has the view on one side, a bar on two, and what stands before a window on three.
    """
    sides = np.zeros(view.shape, np.uint8)
    for axis in (0, 1):
        sides += np.logical_or.accumulate(view, axis=axis)
        sides += np.flip(np.logical_or.accumulate(np.flip(view, axis), axis=axis), axis)
    plain = (sides == 4) & (sight.light_ev > SHADE_EV) & (sight.warm < WARM)
    plain |= (sides == 4) & (sight.light_ev > DEEP_EV) & (sight.greenness > GREEN)
    greenish = (sides >= 3) & (sight.light_ev > TREE_EV) & (sight.greenness > GREENISH) & (sight.warm < 0)
    return np.asarray(view | plain | greenish)


def with_green(sight: Sight, region: Mask) -> Mask:
    """Add trees and hedges that part a view into pieces: dark as a room may be, but green."""
    reach = round(TREE_DEG / 2 / sight.pixel_deg)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    margin = np.pad(region.astype(np.uint8), reach)
    around = cv2.morphologyEx(margin, cv2.MORPH_CLOSE, disc)[reach:-reach, reach:-reach] > 0
    with_trees = region | (around & green(sight))
    gap = (~with_trees).astype(np.uint8)
    count, gaps = cv2.connectedComponents(gap, connectivity=4)
    share, width = np.bincount(gaps.ravel(), sight.share.ravel(), count), np.zeros(count, np.float32)
    np.maximum.at(width, gaps.ravel(), 2 * cv2.distanceTransform(gap, cv2.DIST_L2, 3).ravel())
    broad = width > PANE_GAP_DEG / sight.pixel_deg
    return np.asarray(with_trees | (share < np.where(broad, BROAD_GAP_SR, GAP_SR))[gaps])


def with_warm_things(sight: Sight, view: Mask) -> Mask:
    """Add bricks and flowers between what is seen through a window's panes.

    They are as warm as a lamp, but few, and not beyond all else there.
    """
    warm = ~view & (sight.light_ev > BRIGHT_EV) & (sight.warm > WARM)
    brightest = np.percentile(sight.light_ev[view], 98)
    count, label = cv2.connectedComponents(warm.astype(np.uint8), connectivity=4)
    area = np.bincount(label.ravel(), sight.share.ravel(), count)
    beyond = np.bincount(label.ravel(), (sight.share * (sight.light_ev > brightest)).ravel(), count)
    lamp = (beyond > MOSTLY * area) | (area > FEW * sight.share[view].sum())
    lamp |= np.bincount(label[hull_of(view)], minlength=count) < BETWEEN * np.bincount(
        label.ravel(), minlength=count
    )
    lamp[0] = True
    return np.asarray(view | ~lamp[label])


def with_ground(sight: Sight, view: Mask) -> Mask:
    """Add what goes on from a view without a bar between, dimmer than any sky: a pavement, a terrace.

    What is brighter was found already, or is the sun on a floor. It must be broad, as no reveal is, and end
    in a sharp border all round.
    """
    light, square = np.ascontiguousarray(sight.light_ev), np.ones((3, 3), np.uint8)
    bars, calm = dark_bars(light), cv2.medianBlur(light, 3)
    even = cv2.morphologyEx(calm, cv2.MORPH_GRADIENT, square) < EVEN_EV
    free = (light > SHADE_EV) & even & (sight.warm < WARM) & ~bars & ~view
    _, label = cv2.connectedComponents(free.astype(np.uint8), connectivity=4)
    beside = cv2.dilate(view.astype(np.uint8), np.ones((2 * BORDER_PX + 1,) * 2, np.uint8)) > 0
    grown = view.copy()
    for number in np.unique(label[beside & (label > 0)]):
        part = label == number
        broad = 2 * cv2.distanceTransform(np.pad(part.astype(np.uint8), 1), cv2.DIST_L2, 3).max()
        small = sight.share[part].sum() < GROUND_SR or broad < BROAD_DEG / sight.pixel_deg
        if small or not _lies_below(part, beside):
            continue
        near = cv2.dilate(part.astype(np.uint8), np.ones((2 * BORDER_PX + 3,) * 2, np.uint8)) > 0
        like = near & ~bars & (np.abs(light - np.median(light[part])) < EVEN_EV)
        if _ends_sharply(light, like, view):
            grown |= (cv2.morphologyEx(like.astype(np.uint8), cv2.MORPH_CLOSE, square) > 0) & ~bars
    return grown


def _lies_below(part: Mask, beside: Mask) -> bool:
    """Whether most columns of a part begin at the view."""
    columns = np.flatnonzero(part.any(axis=0))
    return bool(beside[part.argmax(axis=0)[columns], columns].mean() > MOSTLY)


def _ends_sharply(light_ev: Plane, part: Mask, view: Mask) -> bool:
    """Whether light changes at once at most of the border of a part, where it is not the view's."""
    return float(np.percentile(border_steps(light_ev, part, view), 25)) > SHARP_EV
