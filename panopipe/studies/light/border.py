"""The border of a view, as fine as the frame: on both sides of a window's edge light and colour differ.

The zone is known at reduced size, where a pixel is as wide as a bar. So the border is handed on as a rule by
place: beside it, a pixel's share of the view is a plane over its luminance and colour, Fisher's linear
discriminant between what lies on both sides there. As in joint upsampling, the edge that is seen is then the
picture's own at full size. Where light and colour do not tell both sides apart, as of a hedge before a dark
frame, the zone's own border holds, without its stairs.

References
----------
.. [1] R. A. Fisher, The use of multiple measurements in taxonomic problems, Annals of Eugenics 7, 1936.
.. [2] J. Kopf, M. F. Cohen, D. Lischinski, M. Uyttendaele, Joint bilateral upsampling, ACM Transactions on
   Graphics 26, 2007.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.easing import smooth_step
from panopipe.sphere.wrap import pad
from panopipe.studies.light.base import LEVEL_EV
from panopipe.studies.light.sight import Mask, Plane, Rows

Planes = NDArray[np.float32]
Float = NDArray[np.float64]

BORDER_PX, AROUND_PX = 2, 5
"""Pixels of the reduced frame within which the border of a view is found by light and colour, and those
around a place that tell what both sides are like."""
COLOUR_EV = 10.0
"""How much a step of 1 in red or blue, as parts of all light, weighs beside a step of 1 EV: what is warmer by
100 mired differs by about .06 in red."""
NOISE_EV = 0.4
"""Differences of light and colour that tell nothing: noise of single pixels, at full size."""
ROOM_SPREAD, VIEW_SPREAD = 1.3, 1.5
"""Standard deviations from the mean of each side from where a pixel is partly the other's."""
LEAST_STEP_EV, MOST_STEP_EV = 0.8, 5.0
"""Step over which a pixel passes from the room to the view, at least and at most: a quarter of a pixel of
view on a dark bar lies 2 EV below the view."""
APART_EV = 1.0
"""Gap between the room's light and the view's over which it tells them apart."""
OTHERS = 0.02
"""Weight of what lies on the border itself, where nothing else shows what a side is like."""
STAIRS_PX, RAMP = 2.0, 2.0
"""Standard deviation by which the zone's border is smoothed where it holds, and how much steeper it is made
again."""


def border(zone: Mask, light_ev: Plane, rows: Rows, lowest_ev: float) -> Planes:
    """Share of the view by place, as a plane over level and colour.

    Parameters
    ----------
    zone : ndarray of shape (height, width), dtype bool
        Where the frame, at reduced size, shows the outside.
    light_ev : ndarray of shape (height, width), dtype float32
        Its log2 luminance.
    rows : ndarray of shape (height, width, 3), dtype float32
        Its light, as it will be rendered.
    lowest_ev : float
        Log2 luminance of the first level.

    Returns
    -------
    ndarray of shape (height + 2, width + 2, 4), dtype float32
        As `panopipe.pixels.render.Zone` has it: far inside 1 and far outside 0, whatever the light.
    """
    margin = AROUND_PX + BORDER_PX + 1
    inside = np.ascontiguousarray(pad(zone.astype(np.float32), margin))
    near = np.ones((2 * BORDER_PX + 1,) * 2, np.uint8)
    planes = np.zeros((*inside.shape, 4), np.float32)
    planes[..., 3] = cv2.erode(inside, near)
    between = cv2.dilate(inside, near) > planes[..., 3]
    reached = np.flatnonzero(between.any(axis=1))
    part = slice(max(reached[0] - AROUND_PX, 0), reached[-1] + AROUND_PX + 1)
    seen = _features(*(np.ascontiguousarray(pad(plane, margin)[part]) for plane in (light_ev, rows)))
    view, room = (_side(seen, weight, between[part]) for weight in _weights(inside[part]))
    own = cv2.GaussianBlur(inside[part], (0, 0), STAIRS_PX)[between[part]].astype(np.float64)
    own = np.clip((own - 0.5) * RAMP + 0.5, 0, 1)
    planes[part][between[part]] = _between(view, room, own, lowest_ev)
    return np.ascontiguousarray(planes[margin - 1 : 1 - margin, margin - 1 : 1 - margin])


def _weights(inside: Plane) -> tuple[Plane, Plane]:
    """How much each pixel tells of what view and room are like: those on the border itself are of both."""
    kernel = np.ones((3, 3), np.uint8)
    view, room = cv2.erode(inside, kernel), 1 - cv2.dilate(inside, kernel)
    return view + np.float32(OTHERS) * inside, room + np.float32(OTHERS) * (1 - inside)


def _features(light_ev: Plane, rows: Rows) -> Planes:
    """Light and colour of each pixel, in units of EV: shape (3, height, width)."""
    red, green, blue = cv2.split(rows)
    per_total = np.float32(COLOUR_EV) / np.maximum(red + green + blue, np.float32(1e-30))
    return np.stack([light_ev, *(np.clip(channel * per_total, 0, COLOUR_EV) for channel in (red, blue))])


def _between(view: Side, room: Side, own: Float, lowest_ev: float) -> Float:
    """Planes at some places, by what both sides of the border are like there, or the zone's own share."""
    within = (view.spread + room.spread) / 2 + NOISE_EV**2 * np.eye(3)
    axis = np.asarray(np.linalg.solve(within, (view.mean - room.mean)[..., None])[..., 0], np.float64)
    axis /= np.maximum(np.linalg.norm(axis, axis=-1, keepdims=True), 1e-6)
    high, above = view.along(axis, -VIEW_SPREAD), room.along(axis, ROOM_SPREAD)
    low = np.maximum(above, high - MOST_STEP_EV)
    apart, length = smooth_step((high - above) / APART_EV), np.maximum(high - low, LEAST_STEP_EV)
    slopes = (apart / length)[:, None] * axis
    middle = 0.5 - (low + high) / 2 / length
    without = apart * middle + (1 - apart) * own + slopes[:, 0] * lowest_ev
    return np.column_stack([slopes * (LEVEL_EV, COLOUR_EV, COLOUR_EV), without])


@dataclass(frozen=True, slots=True)
class Side:
    """What one side of the border is like around some places.

    Attributes
    ----------
    mean : ndarray of shape (n, 3)
        Of light and colour.
    spread : ndarray of shape (n, 3, 3)
        Their covariance.
    """

    mean: Float
    spread: Float

    def along(self, axis: Float, times: float) -> Float:
        """Mean along axes (n, 3), and so many standard deviations."""
        variance = np.einsum("ni,nij,nj->n", axis, self.spread, axis)
        return np.asarray(np.sum(axis * self.mean, axis=-1) + times * np.sqrt(np.maximum(variance, 0)))


def _side(seen: Planes, weight: Plane, places: Mask) -> Side:
    """What has weight, around some places."""
    size = (2 * AROUND_PX + 1,) * 2
    first, second = np.triu_indices(3)

    def around(plane: Plane) -> Float:
        return np.asarray(cv2.blur(plane * weight, size)[places], np.float64)

    total = cv2.blur(weight, size)[places, None] + 1e-6
    mean = np.column_stack([around(plane) for plane in seen]) / total
    products = np.column_stack([around(seen[i] * seen[j]) for i, j in zip(first, second, strict=True)])
    spread = np.empty((len(mean), 3, 3))
    spread[:, first, second] = products / total - mean[:, first] * mean[:, second]
    spread[:, second, first] = spread[:, first, second]
    return Side(mean, spread)
