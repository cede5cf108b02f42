"""A pole's thin shadow taken off the floor: its strip is rebuilt from the floor on either side of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.studies.floor.by_colour import without_materials
from panopipe.studies.floor.extent import floor_extent
from panopipe.studies.floor.fill import fill_floor
from panopipe.studies.floor.logs import offset_for, to_log
from panopipe.studies.floor.outline import Outline
from panopipe.studies.floor.pole_shadow import PoleShadow
from panopipe.studies.floor.strip import Line, brighten_strip, draw_strip, furthest, put_strip

Picture = NDArray[np.float32]
Float = NDArray[np.float64]
Mask = NDArray[np.bool_]

_INNER, _OUTER = 2.0, 3.4
"""Between which half widths of a shadow the floor beside it is even ground to compare with."""
_WINDOW = 0.05
"""How far along a shadow its darkness is averaged, as a standard deviation in camera heights."""
_FURTHER, _ON, _GAP, _ROUNDS = 1.7, 0.7, 0.3, 2
"""How much further than was found a shadow may go on, as a factor and in camera heights, the longest gap in
it, and how often it is laid through what was found."""
_FAINT, _FAINT_EDGE = 0.25, 0.08
"""Share of its usual depth at which a shadow ends, and at which its edge does."""
_FAR_OUT, _ASTRAY = 0.13, 0.035
"""How far aside a shadow is measured, and how far from where it was found its middle may lie, in camera
heights."""
_LEAST_DEPTH, _MOST_WIDENING = 0.02, 0.05
"""Least log light that tells, and the most that half the width grows per height of distance: a lamp's."""
_LEAST_KNOWN, _CROOKED, _BROADEST = 0.7, 0.008, 0.05
"""Share of a line that must be dark, how far the middle of it may stray, and the most that half of it may
measure: what is no shadow of a rod is left."""
_FADES = 0.5
"""Share of its way over which a shadow that is told by colours fades."""
_SOFT, _SLOW, _TINTS = 0.3, 0.35, (0.6, 1.4)
"""Depth below which a shadow is taken off, not rebuilt; how slowly it changes along its way, in camera
heights; and how much more of one channel than on average it may take."""
_JOINT_HALF, _JOINT_DEPTH = 0.6, 1.8
"""How much narrower, and how many times darker, than what was found a joint is."""
_CORE, _LEAST_CORE, _UNEVEN = 0.7, 0.5, 1.5
"""Half widths within which a shadow's depth is measured, the least share of it that its profile shows, and
how many times more or less than an even shadow it may take at a place."""
_NARROWEST, _WIDEST = 1.2, 2.8
"""Half widths between which the edge lies."""
_BESIDE, _BESIDE_HALVES = 0.42, 4.0
"""Floor beside the strip that is looked at, in camera heights, and at least in half widths."""
_MOST_OTHER = 0.04
"""Share of something else than floor beside a strip at which a dark line is rather left: it runs over
furniture, or is part of it."""
_FEATHER_PX, _UNDER_PX = 2.0, 6
"""Breadth of an edge's fading, and how far a strip reaches under what is rebuilt anyway."""


@dataclass(frozen=True, slots=True)
class _Strip:
    """A shadow measured on the frame at full size."""

    line: Line
    along: Float
    across: Float
    half: Float
    end: float
    depth: float
    lost: Picture
    by_colour: bool


def without_shadows(rows: Picture, first: int, shadows: Sequence[PoleShadow], foot: Outline) -> None:
    """Rebuild the floor under thin shadows, in place.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32
        Bottom rows of a frame, linear light, down to the nadir.
    first : int
        Row of the frame that `rows[0]` is.
    shadows : sequence of PoleShadow
    foot : Outline
        What is rebuilt afterwards anyway; nothing is copied from there.
    """
    strips: list[_Strip] = []
    gone: list[PoleShadow] = []
    for shadow in sorted(shadows, key=lambda each: each.by_colour):
        if shadow.by_colour and any(shadow.along(other) for other in gone):
            continue
        one = _measured(rows, first, shadow, foot)
        if one is None:
            continue
        gone.append(shadow)
        if one.depth < _SOFT or one.by_colour:
            # At once: what two lines share is taken off once.
            _relight(rows, first, one)
        else:
            strips.append(one)
    for number, one in enumerate(strips):
        others = [*strips[:number], *strips[number + 1 :]]
        _rebuild(rows, first, one, others, foot)


def _measured(rows: Picture, first: int, shadow: PoleShadow, foot: Outline) -> _Strip | None:
    """Lay the shadow along the middle of what it darkens, and find how far and wide it goes."""
    step = 2 * np.pi / rows.shape[1]
    line, reach, strip = Line(shadow.yaw_deg, shadow.offset), shadow.reach, None
    end = min(max(_FURTHER * reach, reach + _ON), _end(furthest(rows, first), abs(line.offset) + _FAR_OUT))
    along = np.arange(shadow.begin, end, step)
    open_to = np.flatnonzero(~_under(foot, line, along, np.zeros(1))[:, 0])
    along = along[max(0, int(open_to[0]) - _UNDER_PX) if open_to.size else len(along) :]
    found = line, shadow.half, shadow.widening
    if shadow.by_colour:
        along = along[along < reach]
        return _followed(rows, first, found, along, reach, by_colour=True) if len(along) > 2 else None
    for _ in range(_ROUNDS):
        shape = _shape(rows, first, line, along[along < reach], step)
        strip = None if shape is None else _followed(rows, first, shape, along, reach)
        if strip is None:
            return None
        line, reach = strip.line, strip.end
    if strip is not None and _is_joint(strip, shadow):
        return _followed(rows, first, found, along, shadow.reach)
    return strip


def _is_joint(strip: _Strip, shadow: PoleShadow) -> bool:
    """Whether a joint beside a soft shadow was followed in its place: far darker, and far narrower."""
    half = shadow.half + shadow.widening * 0.5 * (float(strip.along[0]) + shadow.reach)
    narrow = float(np.median(strip.half)) < _JOINT_HALF * _NARROWEST * half
    return narrow and strip.depth > _JOINT_DEPTH * shadow.depth


def _followed(
    rows: Picture,
    first: int,
    shape: tuple[Line, float, float],
    along: Float,
    reach: float,
    *,
    by_colour: bool = False,
) -> _Strip | None:
    """Follow a shadow of known line and width to its end."""
    step = float(along[1] - along[0])
    half = np.maximum(shape[1] + shape[2] * along, step)
    widest = min(_OUTER * float(half.max()) + 2 * step, _FAR_OUT)
    across = np.arange(-widest, widest + step / 2, step)
    logs = _log_light(draw_strip(rows, first, shape[0], along, across), by_colour=by_colour)
    darker = _darker(logs, across, half, step)
    core = np.abs(across) < _CORE * half[:, None]
    depth = (darker * core).sum(1) / np.maximum(core.sum(1), 1)
    usual = float(np.median(depth[along < reach]))
    dark = np.flatnonzero(depth > _FAINT * usual)
    if usual < _LEAST_DEPTH or (depth[along < reach] > _FAINT * usual).mean() < _LEAST_KNOWN:
        return None
    gaps = np.flatnonzero(np.diff(dark) * step > _GAP)
    last = dark[gaps[0]] if gaps.size else dark[-1]
    edge = _edge(darker[: last + 1], across, half[: last + 1])
    end = float(along[last]) + 2 * half[last]
    ends = np.clip((end - along) / (2 * half), 0, 1)
    if by_colour:
        # What is left of other materials far out must not deepen what fades.
        depth = np.minimum.accumulate(_slowly(depth, last, step))
        ends = np.clip((end - along) / (_FADES * end), 0, 1)
    lost = _even_loss(darker, across / half[:, None], depth, last, step, edge) * ends[:, None]
    lost = lost.astype(np.float32)
    return _Strip(shape[0], along, across, edge * half, end, usual, lost, by_colour)


def _even_loss(darker: Picture, place: Float, depth: Float, last: int, step: float, edge: float) -> Float:
    """What a shadow of one profile, that changes slowly along its way, takes: shape of `darker`.

    Edges of rugs and joints that the shadow crosses are in what was measured, and not in the shadow.
    """
    slow = _slowly(depth, last, step)
    bins = np.arange(0, edge + 0.1, 0.2)
    share = darker[: last + 1] / np.maximum(slow[: last + 1, None], _LEAST_DEPTH)
    at = np.abs(place[: last + 1])
    profile = [
        float(np.median(share[ring])) if (ring := np.abs(at - bin_) < 0.2).any() else 0.0 for bin_ in bins
    ]
    profile[-1] = 0.0
    form = np.minimum.accumulate(np.maximum(profile, 0))
    # What was measured is the mean of the core.
    form /= max(float(form[bins < _CORE].mean()), _LEAST_CORE)
    even = np.maximum(slow, 0)[:, None] * np.interp(np.abs(place), bins, form, right=0)
    return np.asarray(np.clip(darker, even / _UNEVEN, even * _UNEVEN))


def _slowly(depth: Float, last: int, step: float) -> Float:
    """Depth as it changes slowly along the way."""
    window = 2 * round(_SLOW / step / 2) + 1
    padded = np.pad(np.where(np.arange(len(depth)) <= last, depth, depth[last]), window // 2, mode="edge")
    slow = np.median(np.lib.stride_tricks.sliding_window_view(padded, window), axis=-1)
    slow = cv2.GaussianBlur(slow[:, None], (1, window), sigmaX=0, sigmaY=window / 6).ravel()
    return np.asarray(slow, np.float64)


def _relight(rows: Picture, first: int, own: _Strip) -> None:
    """Take a soft shadow off the floor, which keeps its own texture and edges under it."""
    strip = draw_strip(rows, first, own.line, own.along, own.across)
    core = own.lost > 0.5 * own.lost.max()
    if not core.any():
        return
    step = own.along[1] - own.along[0]
    half = np.maximum(own.half / _WIDEST, step)
    taken = [
        float(np.median(_darker(logs, own.across, half, step)[core]))
        for logs in _log_channels(strip, by_colour=own.by_colour)
    ]
    tint = np.clip(np.array(taken) / max(float(np.mean(taken)), _LEAST_DEPTH), *_TINTS)
    lost = (own.lost[..., None] * tint).astype(np.float32)
    brighten_strip(rows, first, own.line, own.along, own.across, lost)


def _shape(
    rows: Picture, first: int, line: Line, along: Float, step: float
) -> tuple[Line, float, float] | None:
    """The line through the middle of a shadow, half its width at the nadir, and how that grows."""
    if len(along) < 3:
        return None
    across = np.arange(-_FAR_OUT, _FAR_OUT + step / 2, step)
    even = np.full(len(along), _FAR_OUT / _OUTER)
    logs = _log_light(draw_strip(rows, first, line, along, across), by_colour=False)
    darker = _darker(logs, across, even, step)
    places = along[:: max(1, round(_WINDOW / step))]
    found = [_middle(darker[np.searchsorted(along, at)], across) for at in places]
    known = np.array([one is not None for one in found])
    if known.sum() < max(3, _LEAST_KNOWN * len(places)):
        return None
    places = places[known]
    middle, half, depth = np.array([one for one in found if one is not None]).T
    aside, slope = _straight(places, middle, depth)
    least, widening = _straight(places, half, depth)
    widening = float(np.clip(widening, 0, _MOST_WIDENING))
    least = float(np.average(half - widening * places, weights=depth))
    crooked = float(np.median(np.abs(middle - aside - slope * places)))
    if crooked > _CROOKED or least + widening * float(places.mean()) > _BROADEST:
        return None
    moved = Line(line.yaw_deg + math.degrees(math.atan(slope)), line.offset + aside)
    return moved, least, widening


def _middle(profile: Picture, across: Float) -> tuple[float, float, float] | None:
    """Middle, half width at half depth, and depth of the dark place nearest to where a line was found."""
    near = np.flatnonzero(np.abs(across) < _ASTRAY)
    at = int(near[profile[near].argmax()])
    depth = float(profile[at])
    if depth < _LEAST_DEPTH:
        return None
    bright = np.flatnonzero(profile < depth / 2)
    before, after = bright[bright < at], bright[bright > at]
    if not before.size or not after.size:
        return None
    low, high = float(across[before[-1]]), float(across[after[0]])
    return (low + high) / 2, (high - low) / 2, depth


def _straight(at: Float, values: Float, weight: Float) -> tuple[float, float]:
    """A straight line through values, at 0 and its slope; what lies far from it does not count."""
    weight = weight.copy()
    for _ in range(4):
        slope, start = np.polyfit(at, values, 1, w=np.sqrt(weight) + 1e-9)
        off = np.abs(values - start - slope * at)
        weight = np.where(off > 3 * np.median(off) + 1e-4, 0, weight) if weight.any() else weight
    return float(start), float(slope)


def _end(limit: float, aside: float) -> float:
    """Distance along a strip to which all of it can be drawn."""
    return math.sqrt(max(limit * limit - aside * aside, 0.0))


def _log_light(strip: Picture, *, by_colour: bool) -> Picture:
    """Log light of a strip, if told so without that of its materials."""
    luminance = LUMINANCE_OF_WORKING.astype(np.float32)
    if by_colour:
        return np.asarray(np.stack(_log_channels(strip, by_colour=True), -1) @ luminance, np.float32)
    light = strip @ luminance
    return to_log(light, offset_for(light[..., None]))


def _log_channels(strip: Picture, *, by_colour: bool) -> list[Picture]:
    """The same of red, green and blue, each by itself."""
    logs = [to_log(one, offset_for(one[..., None])) for one in np.moveaxis(strip, -1, 0)]
    even = without_materials(np.stack(logs, -1)) if by_colour else None
    return logs if even is None else list(np.moveaxis(even, -1, 0))


def _darker(logs: Picture, across: Float, half: Float, step: float) -> Picture:
    """How much darker each place is than the floor on both sides of it, in log light, averaged along."""
    place = across[None, :] / half[:, None]
    sides = []
    for sign in (-1, 1):
        weight = ((sign * place > _INNER) & (sign * place < _OUTER)).astype(np.float32)
        count = np.maximum(weight.sum(1), 1)
        sides.append(((logs * weight).sum(1) / count, (weight @ across.astype(np.float32)) / count))
    slope = (sides[1][0] - sides[0][0]) / np.maximum(sides[1][1] - sides[0][1], 1e-6)
    even = sides[0][0][:, None] + slope[:, None] * (across[None, :] - sides[0][1][:, None])
    darker = np.clip(even - logs, -0.5, 3).astype(np.float32)
    tall = 2 * round(3 * _WINDOW / step) + 1
    return np.asarray(
        cv2.GaussianBlur(darker, (1, tall), sigmaX=0, sigmaY=_WINDOW / step, borderType=cv2.BORDER_REPLICATE),
        np.float32,
    )


def _edge(darker: Picture, across: Float, half: Float) -> float:
    """Half widths at which the shadow's edge is over."""
    places = np.arange(0, _OUTER, 0.1)
    mean = []
    for at in places:
        ring = np.abs(np.abs(across)[None, :] / half[:, None] - at) < 0.15
        mean.append(float(darker[ring].mean()) if ring.any() else 0.0)
    bright = np.flatnonzero((np.array(mean) < _FAINT_EDGE * max(mean[:8])) & (places > _NARROWEST))
    return float(places[bright[0]]) + 0.2 if bright.size else _WIDEST


def _rebuild(rows: Picture, first: int, own: _Strip, others: Sequence[_Strip], foot: Outline) -> None:
    step = own.along[1] - own.along[0]
    widest = float(own.half.max())
    beside = max(_BESIDE, _BESIDE_HALVES * widest)
    start = float(own.along[0])
    limit = _end(furthest(rows, first), abs(own.line.offset) + beside + widest)
    stop = min(own.end, limit - 4 * step)
    along = np.arange(start - beside, min(stop + beside, limit), step)
    across = np.arange(-beside - widest, beside + widest + step / 2, step)
    strip = draw_strip(rows, first, own.line, along, across)
    half = np.interp(along, own.along, own.half)
    inside = _inside(along, across, half, start, stop, step)
    hole = inside > 0
    known = ~_under(foot, own.line, along, across)
    for other in others:
        known &= ~_under_strip(other, own.line, along, across)
    extent = floor_extent(strip, hole)
    if extent.other_share > _MOST_OTHER:
        return
    filled = fill_floor(strip, known & extent.floor, hole, unlike=extent.unlike, half_px=widest / step)
    if filled is not None:
        put_strip(rows, first, own.line, along, across, filled.picture, inside)


def _inside(along: Float, across: Float, half: Float, start: float, stop: float, step: float) -> Picture:
    """Cover of a strip: full in the shadow, none a feather's width outside."""
    aside = (half[:, None] - np.abs(across)[None, :]) / (_FEATHER_PX * step) + 1
    ends = np.minimum(along - start, stop - along) / (_FEATHER_PX * step)
    return np.clip(np.minimum(aside, ends[:, None]), 0, 1).astype(np.float32)


def _places(line: Line, along: Float, across: Float) -> tuple[Float, Float]:
    """Places of a strip on the floor: to the right and ahead of the nadir."""
    yaw = math.radians(line.yaw_deg)
    aside = across[None, :] + line.offset
    x = along[:, None] * math.sin(yaw) + aside * math.cos(yaw)
    y = along[:, None] * math.cos(yaw) - aside * math.sin(yaw)
    return x, y


def _under(foot: Outline, line: Line, along: Float, across: Float) -> Mask:
    x, y = _places(line, along, across)
    yaw = np.degrees(np.arctan2(x, y)) + 180
    reach = np.interp(yaw, np.arange(len(foot.radius_deg)) + 0.5, foot.radius_deg, period=360)
    return np.asarray(np.hypot(x, y) < np.tan(np.radians(reach)), np.bool_)


def _under_strip(other: _Strip, line: Line, along: Float, across: Float) -> Mask:
    x, y = _places(line, along, across)
    yaw = math.radians(other.line.yaw_deg)
    ahead = x * math.sin(yaw) + y * math.cos(yaw)
    aside = x * math.cos(yaw) - y * math.sin(yaw) - other.line.offset
    half = np.interp(ahead, other.along, other.half)
    return np.asarray((np.abs(aside) < half) & (ahead > other.along[0]) & (ahead < other.end), np.bool_)
