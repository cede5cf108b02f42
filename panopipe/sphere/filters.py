"""Filters of a whole frame that close: around the sides, over the poles, with the same reach everywhere.

A window of a given angular reach is a band of rows along each meridian and, across it, a run of columns that
widens as 1/cos(pitch). Rows are averaged first, weighted by solid angle and continued over the poles by
the half-turn rule; columns after, so that near a pole, where the window goes all the way round, the result
is one value on the whole ring and the pole is a point like any other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.pixels.box import box_along, box_round
from panopipe.sphere.geometry import pitch_of_row
from panopipe.sphere.wrap import over_poles

Plane = NDArray[np.float64]


def box_mean(frame: ArrayLike, reach_deg: float) -> Plane:
    """Mean over a window of constant angular size around each pixel.

    Parameters
    ----------
    frame : array_like of shape (height, width) or (height, width, channels)
        A whole 2:1 frame of even width.
    reach_deg : float
        Half the side of the window in degrees, counted from pixel centre to window edge; a window of
        `2 r + 1` pixels at the equator has the reach ``(r + 0.5) * 360 / width``.

    Returns
    -------
    ndarray of the shape of `frame`, dtype float64
        Solid-angle weighted means. A constant frame comes back unchanged to rounding.

    Raises
    ------
    ValueError
        If the frame is not a whole 2:1 one, or the reach is negative, not finite or beyond 90 degrees.
    """
    values = _whole(frame)
    if not 0 <= reach_deg <= 90:
        raise ValueError(f"a reach of {reach_deg} degrees is not between 0 and 90")
    reach = reach_deg * values.shape[1] / 360
    return _along_rows(_along_meridians(values, reach), reach)


def smooth(frame: ArrayLike, sigma_deg: float) -> Plane:
    """Near-Gaussian mean of a whole frame: three box means whose variances add up to `sigma_deg` squared.

    References
    ----------
    .. [1] W. M. Wells, Efficient synthesis of Gaussian filters by cascaded uniform filters, IEEE Trans.
       Pattern Analysis and Machine Intelligence 8 (2), 1986.
    """
    result = _whole(frame)
    for _ in range(3):
        result = box_mean(result, sigma_deg)  # a box of half-side h has the variance h^2 / 3
    return result


def _whole(frame: ArrayLike) -> Plane:
    values = np.asarray(frame, dtype=np.float64)
    if values.ndim not in (2, 3) or values.shape[1] != 2 * values.shape[0] or values.shape[1] % 2:
        raise ValueError(f"shape {values.shape} is no whole 2:1 frame of even width")
    return values


def _along_meridians(values: Plane, reach: float) -> Plane:
    """Mean over rows within `reach` pixels, weighted by solid angle, going on over the poles."""
    height = len(values)
    margin = min(math.ceil(reach + 1), height)
    weight = np.cos(np.radians(pitch_of_row(np.arange(height), height)))
    weight = np.concatenate([weight[:margin][::-1], weight, weight[height - margin :][::-1]])
    tall = over_poles(values, margin).reshape(len(weight), -1)
    centres, half = np.arange(height) + margin + 0.5, max(reach, 0.5)
    result = np.empty_like(values)
    ends = np.stack([centres - half, centres + half])
    box_along(np.ascontiguousarray(tall), weight, ends, result.reshape(height, -1))
    return result


def _along_rows(values: Plane, reach: float) -> Plane:
    """Mean over columns within `reach` pixels at the equator, widened by 1/cos(pitch), going round."""
    height, width = values.shape[:2]
    cosine = np.cos(np.radians(pitch_of_row(np.arange(height), height)))
    half = np.minimum(np.maximum(reach, 0.5) / cosine, width / 2)
    result = np.empty_like(values)
    box_round(values.reshape(height, width, -1), half, result.reshape(height, width, -1))
    return result
