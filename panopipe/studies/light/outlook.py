"""How a view from a room is exposed for itself: its border, as fine as the frame, and its own gains."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.filters import smooth
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.sphere.wrap import pad
from panopipe.studies.light.base import LEVEL_EV, Base, with_views
from panopipe.studies.light.border import border
from panopipe.studies.light.local import LocalCurves
from panopipe.studies.light.sight import Mask, Plane, Rows

Float = NDArray[np.float64]

MEDIAN_EV = float(np.log2(0.47))
"""Display light that a view's median is given: L* 74, a little under the paint beside it."""
LEAST_MEDIAN_EV = float(np.log2(0.37))
"""Display light that its median has at least, however bright its sky: L* 67."""
BRIGHTEST_EV = float(np.log2(0.86))
"""Display light of its 98th percentile: L* 94, 1.25 times white paint. A view any brighter is taken for the
white of the picture, and paint beside it turns grey (Gilchrist et al. 1999, An anchoring theory of lightness
perception, Psychological Review 106)."""
OVER_PAINT_EV, LEAST_BRIGHTEST_EV = float(np.log2(1.45)), float(np.log2(0.52))
"""How far its 98th percentile lies over the room's paint at most: still seen as white, and as luminous from
1.7 times white on (Bonato and Gilchrist 1994, The perception of luminosity on different backgrounds and in
different illuminations, Perception 23; from memory). And the display light to which it may be brought for
that: L* 77."""
LEAST_ROOM_EV = 0.3
"""What is left of the span from the median to the brightest at least."""
BESIDE_DEG, PAINT_SHARE = 14.0, 0.75
"""Width of the room around a window that tells of its paint, and share of it that is darker than paint. The
room as a whole tells of it too: a sky beside a plum wall is held to the ceiling, or it turns grey."""
OVER_ROOM_EV = float(np.log2(1.25))
"""How far it may lie over that."""
ROW_STEP = 8
"""One row in so many tells of the room."""
NEAR_DEG = 6.0
"""Standard deviation over which one window's exposure passes into the next one's."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """A view's border and gains.

    Attributes
    ----------
    gains : LocalCurves
        Gain in EV by place and luminance, of the levels and cells of the frame's own.
    planes : ndarray of shape (rows + 2, columns + 2, 4), dtype float32
        Share of the view by place; see `panopipe.pixels.render.Zone`.
    """

    gains: LocalCurves
    planes: NDArray[np.float32]


def outlook(
    zone: Mask, light_ev: Plane, rows: Rows, base: Base, shown_ev: Plane | None = None
) -> Outlook | None:
    """Expose what is seen of the outside for itself; None if nothing is.

    Parameters
    ----------
    zone : ndarray of shape (height, width), dtype bool
        Where the frame, at reduced size, shows the outside.
    light_ev : ndarray of shape (height, width), dtype float32
        Its log2 luminance.
    rows : ndarray of shape (height, width, 3), dtype float32
        Its light, as it will be rendered.
    base : Base
        Of the frame, for its grid and levels.
    shown_ev : ndarray of shape (height, width), dtype float32, optional
        Log2 display light of the room, which no view should outshine.
    """
    if not zone.any():
        return None
    return Outlook(_gains(zone, light_ev, base, shown_ev), border(zone, light_ev, rows, base.lowest_ev))


def _gains(zone: Mask, light_ev: Plane, base: Base, shown_ev: Plane | None) -> LocalCurves:
    """Each window's own exposure, and between windows a mean of theirs."""
    rows, levels, columns = base.curves_ev.shape
    large = with_views(base, np.ones(levels))
    total, weight = np.zeros((rows, levels, columns)), np.zeros((rows, 1, columns))
    paint_ev = 0.0 if shown_ev is None else _paint(zone, shown_ev)
    for window in _windows(zone):
        cells = window.astype(np.float64).reshape(rows, zone.shape[0] // rows, columns, -1).mean(axis=(1, 3))
        near = smooth(cells, NEAR_DEG)[:, None] + 1e-9
        brightest = BRIGHTEST_EV if shown_ev is None else _brightest(window, zone, shown_ev, paint_ev)
        total += near * _exposed_window(large, window, light_ev, brightest)
        weight += near
    return LocalCurves.over(total / weight, base.lowest_ev, LEVEL_EV)


def _paint(zone: Mask, shown_ev: Plane) -> float:
    """Display light, in EV, of the room's paint wherever it is."""
    room = ~zone[::ROW_STEP]
    area = np.broadcast_to(pixel_solid_angle(len(zone))[::ROW_STEP, None], room.shape)
    if not room.any():
        return 0.0
    shown = shown_ev[::ROW_STEP][room]
    return float(np.quantile(shown, PAINT_SHARE, weights=area[room], method="inverted_cdf"))


def _brightest(window: Mask, zone: Mask, shown_ev: Plane, paint_ev: float) -> float:
    """Display light, in EV, that a window's brightest may have over the paint around it, or in the room."""
    reach = max(1, round(BESIDE_DEG / 360 * zone.shape[1]))
    wide = cv2.blur(np.ascontiguousarray(pad(window.astype(np.float32), reach)), (2 * reach + 1,) * 2)
    beside = (wide[reach:-reach, reach:-reach] > 0) & ~zone
    paint = float(np.quantile(shown_ev[beside], PAINT_SHARE)) if beside.any() else 0.0
    most = max(paint + OVER_PAINT_EV, paint_ev + OVER_ROOM_EV)
    return float(np.clip(most, LEAST_BRIGHTEST_EV, BRIGHTEST_EV))


def _exposed_window(large: Base, window: Mask, light_ev: Plane, brightest_ev: float) -> Float:
    """Gain of one window's light, by place and level, so that its pixels are shown no brighter than that."""
    own = light_ev[window].astype(np.float64)
    base_ev = _base_of(large, window, own)
    limit = brightest_ev
    for _ in range(3):  # single pixels are brighter than their base
        shown = float(np.percentile(own + exposed(base_ev, light_ev[window], limit), 98))
        limit -= max(shown - brightest_ev, 0)
    return exposed(large.curves_ev, light_ev[window], limit)


def _base_of(base: Base, window: Mask, own: Float) -> Float:
    """Base of pixels, as their cell and level have it."""
    rows, levels, columns = base.curves_ev.shape
    row, column = np.nonzero(window)
    cell = row * rows // window.shape[0], column * columns // window.shape[1]
    level = np.clip((own - base.lowest_ev) / LEVEL_EV, 0, levels - 1)
    below = np.minimum(level.astype(np.intp), levels - 2)
    low, high = (base.curves_ev[cell[0], at, cell[1]] for at in (below, below + 1))
    return np.asarray(low + (level - below) * (high - low))


def _windows(zone: Mask) -> list[Mask]:
    """Panes of a zone, each window's together."""
    reach = max(1, zone.shape[1] // 128)
    wide = pad(zone.astype(np.uint8), reach)
    joined = cv2.dilate(np.ascontiguousarray(wide), np.ones((2 * reach + 1,) * 2, np.uint8))
    count, label = cv2.connectedComponents(joined)
    label = label[reach:-reach, reach:-reach]
    parts = [zone & (label == number) for number in range(1, count)]
    return [window for window in parts if window.any()]


def exposed(base_ev: Float, light_ev: NDArray[np.float32], brightest_ev: float = BRIGHTEST_EV) -> Float:
    """Gain by base that exposes light for itself.

    One gain brings the median to its place, or less if the brightest would be too bright then; where that
    would leave it dim, what lies above the median is compressed instead.
    """
    median, brightest = np.percentile(light_ev, [50, 98])
    gain = max(min(MEDIAN_EV - median, brightest_ev - brightest), LEAST_MEDIAN_EV - median)
    room = max(brightest_ev - (median + gain), LEAST_ROOM_EV)
    over = max(brightest - median, 1e-3)
    above = np.maximum(base_ev - median, 0)
    lost = np.zeros_like(base_ev) if over <= room else above - _bent(above, over, room)
    return np.asarray(gain - lost)


def _bent(above: Float, over: float, room: float) -> Float:
    """Compress what lies above: parallel to the light at 0, `room` at `over`, ever flatter beyond."""
    low, high = 1e-3, 1e3
    for _ in range(60):  # of a / (1 + a / scale), the scale that gives `room` at `over`
        scale = np.sqrt(low * high)
        low, high = (scale, high) if over / (1 + over / scale) < room else (low, scale)
    return np.asarray(above / (1 + above / high))
