"""Set the edge between two kinds of floor to the pixel, and find how far its hem reaches."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.edge import Edge
from panopipe.studies.floor.logs import offset_for, to_log

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

REACH = 2.1
"""How far from the hole's middle the floor is looked at, in radii of the hole."""
STRAIGHT = 0.03
"""Bend, in radii of the hole, below which an edge is taken for straight."""
LEAST_SEEN = 3
"""Places along either end of an edge that must show both sides."""
_FINE_RADIUS_PX, _FIT_REACH, _FIT_PLACES, _FIT_ROUNDS = 60, 0.14, 72, 3
"""Radius of the hole in the samples by which an edge is set, how far to either side it may lie, in radii,
places along it, and rounds."""
_MOST_TURNED_DEG, _TURNS, _ABOUT_STRAIGHT = 3.0, 25, 0.12
"""How far an edge may be turned to be set, in how many steps that is tried, and up to which bend, in radii of
the hole, it may be a straight one after all."""
_HEM_REACH, _HEM_SHARE, _FIT_APART = 0.22, 0.2, 0.5
"""How far from an edge its hem may reach, in radii; share of the strongest line that counts as one; and share
of the places along the edge that are independent."""


def fitted(edge: Edge, light: Picture, known: Mask, radius: float) -> Edge:
    """Set an edge to the pixel: where the light changes most across it, place by place along it."""
    finer = max(1, round(radius / _FINE_RADIUS_PX))
    reach = max(4, round(_FIT_REACH * radius / finer))
    along = np.linspace(-REACH, REACH, _FIT_PLACES) * radius
    aside = np.arange(-reach - 2, reach + 3, dtype=np.float64) * finer
    offset = offset_for(light, known)
    edge = _sharpest(edge, light, known, radius, offset)
    for _ in range(_FIT_ROUNDS):
        shown, sure = _along(edge, light, known, along, aside, offset)
        if sure.sum() < 3 * LEAST_SEEN:
            break
        steep = np.linalg.norm(shown[:, 2:] - shown[:, :-2], axis=-1)[sure]
        edge = _moved(edge, along[sure], _moves(steep, reach) * finer)
    return edge if abs(edge.bend) * radius >= STRAIGHT else replace(edge, bend=0.0)


def _sharpest(edge: Edge, light: Picture, known: Mask, radius: float, offset: float) -> Edge:
    """Turn an edge that is about straight until what lies along it, averaged, has the sharpest lines."""
    if abs(edge.bend) * radius > _ABOUT_STRAIGHT:
        return edge
    finer = max(1, round(radius / _FINE_RADIUS_PX))
    along = np.linspace(-REACH, REACH, _FIT_PLACES) * radius
    aside = np.arange(-_HEM_REACH * radius, _HEM_REACH * radius, finer, dtype=np.float64)
    turns = np.radians(np.linspace(-_MOST_TURNED_DEG, _MOST_TURNED_DEG, _TURNS))
    tried = [edge, *(replace(edge, angle=edge.angle + turn, bend=0.0) for turn in turns)]
    sharp = np.zeros(len(tried))
    for at, one in enumerate(tried):
        shown, sure = _along(one, light, known, along, aside, offset)
        if sure.sum() >= 3 * LEAST_SEEN:
            sharp[at] = np.square(np.diff(shown[sure].mean(0), axis=0)).sum()
    return tried[int(sharp.argmax())]


def hemmed(edge: Edge, light: Picture, known: Mask, radius: float) -> Edge:
    """Find how far from an edge lines run along it."""
    finer = max(1, round(radius / _FINE_RADIUS_PX))
    reach = max(4, round(_HEM_REACH * radius / finer))
    along = np.linspace(-REACH, REACH, _FIT_PLACES) * radius
    aside = np.arange(-reach, reach + 1, dtype=np.float64) * finer
    shown, sure = _along(edge, light, known, along, aside, offset_for(light, known))
    if sure.sum() < 2 * LEAST_SEEN:
        return edge
    change = shown[sure, 1:] - shown[sure, :-1]
    mean = np.linalg.norm(change.mean(0), axis=-1)
    # What is there in the mean by chance, from so few places.
    chance = 3 * np.sqrt(np.square(change).sum(-1).mean(0) / sure.sum() / _FIT_APART)
    lines = np.flatnonzero((mean > _HEM_SHARE * mean.max()) & (mean > chance)) + 0.5 - reach
    if not lines.size:
        return edge
    return replace(edge, hem_px=(min(0.0, lines[0] - 1) * finer, max(0.0, lines[-1] + 1) * finer))


def _along(
    edge: Edge, light: Picture, known: Mask, along: Float, aside: Float, offset: float
) -> tuple[Picture, Mask]:
    """Log light at places along an edge and aside of it, and where along it all of them are known."""
    rows, columns = edge.places(along[:, None], aside[None, :])
    shape = (len(along), len(aside))
    across, down = (
        np.ascontiguousarray(np.broadcast_to(places, shape), np.float32) for places in (columns, rows)
    )
    shown = cv2.remap(light, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    sure = cv2.remap(known.astype(np.float32), across, down, cv2.INTER_LINEAR).min(1) > 0.99
    return to_log(shown, offset), sure


def _moves(steep: Float, reach: int) -> Float:
    """By how many samples the steepest place lies aside at each place along, all agreeing in form."""
    form = cv2.GaussianBlur(steep.mean(0)[None], (0, 0), 1.0)[0]
    form = np.pad(form - form.mean(), reach // 2)
    steps = np.arange(reach // 2 * 2 + 1)
    shifted = np.stack([form[step : step + steep.shape[1]] for step in steps], -1)
    alike = (steep - steep.mean(1, keepdims=True)) @ shifted
    best = np.clip(alike.argmax(1), 1, len(steps) - 2)
    left, peak, right = (alike[np.arange(len(best)), best + by] for by in (-1, 0, 1))
    bend = left - 2 * peak + right
    between = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0)
    return np.asarray(reach // 2 - best - np.clip(between, -0.5, 0.5))


def _moved(edge: Edge, along: Float, moves: Float) -> Edge:
    """Fit an edge to where it was found, outliers left out."""
    scale = float(np.abs(along).max())
    terms = np.stack([np.ones_like(along), along / scale, np.square(along / scale)], -1)
    weight = np.ones_like(moves)
    for _ in range(4):
        part, *_ = np.linalg.lstsq(terms * weight[:, None], moves * weight, rcond=None)
        off = np.abs(moves - terms @ part)
        weight = 1 / np.sqrt(1 + np.square(off / max(1.5 * float(np.median(off)), 0.3)))
    return replace(
        edge,
        offset_px=edge.offset_px + float(part[0]),
        angle=edge.angle - math.atan(float(part[1]) / scale),
        bend=edge.bend + 2 * float(part[2]) / scale**2,
    )
