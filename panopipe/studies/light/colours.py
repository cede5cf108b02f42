"""What the colours of a frame tell of its light before any white is solved: vivid surfaces, and open sky."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.adaptation import adaptation_matrix
from panopipe.colour.spaces import D65_XY, LUMINANCE_OF_WORKING, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.colour.temperature import daylight_xy, planckian_xy
from panopipe.pixels.planes import highest_plane
from panopipe.sphere.filters import smooth
from panopipe.sphere.geometry import pitch_of_row, pixel_solid_angle

Float = NDArray[np.float64]
Rows = NDArray[np.float32]

WIDTH = 128
"""Columns at which colours are looked at."""
LAMPS_K = (2500.0, 2800.0, 3200.0, 3700.0, 4300.0, 5000.0, 5800.0, 6800.0, 8000.0)
"""Lights that a room may have; Planckian below 4500 K, of the CIE D-series above."""
LIGHT_DEG = 20.0
"""Standard deviation of the window over which colour is taken for that of the light."""
LEAST = 1e-6
"""A component of light below which ratios mean nothing."""
BRIGHT = (0.60, 0.90)
"""Shares of the sphere darker than the surfaces that are taken for the room's white."""
SKY_FROM_DEG, SKY_BLUE = 15.0, 0.12
"""Pitch from where there is sky, if there is any, and log ratio of blue to red over that of sun and sky
together (5800 K) from where light comes from the sky."""


def _seen_light(kelvin: float, white_xy: tuple[float, float] | None) -> Float:
    """Light of a temperature as decode hands it on, luminance 1."""
    xy = planckian_xy(kelvin) if kelvin < 4500 else daylight_xy(kelvin)
    xyz = xyz_from_xy((float(xy[0]), float(xy[1])))
    if white_xy is not None:
        xyz = adaptation_matrix(xyz_from_xy(white_xy), xyz_from_xy(D65_XY)) @ xyz
    return np.maximum(np.linalg.solve(XYZ_FROM_WORKING, xyz / xyz[1]), LEAST)


@lru_cache(maxsize=64)
def _lamps(white_xy: tuple[float, float] | None) -> Float:
    """Logarithms of the light of lamps; most frames of a job have the camera set alike."""
    return np.log(np.stack([_seen_light(kelvin, white_xy) for kelvin in LAMPS_K]))


def _small(rows: Rows) -> Float:
    """A frame at `WIDTH`, or as it is if smaller; no component is black."""
    if rows.shape[1] > WIDTH:
        rows = cv2.resize(rows, (WIDTH, WIDTH // 2), interpolation=cv2.INTER_AREA)
    return np.maximum(rows.astype(np.float64), LEAST)


def vivid_ev(rows: Rows, white_xy: tuple[float, float] | None) -> float:
    """How far the brightest channel of a room's bright surfaces lies above their luminance, in EV.

    No surface reflects more than all of any part of the spectrum. So coloured paint or wood is not as bright
    as white paint beside it, by about as much as its brightest channel lies above its luminance.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        The whole frame as decoded, at reduced size.
    white_xy : tuple of float or None
        Chromaticity of the light that decode made neutral.
    """
    light = _small(rows)
    luminance = light @ LUMINANCE_OF_WORKING
    red, green, blue = np.moveaxis(np.log(smooth(light / luminance[..., None], LIGHT_DEG)), -1, 0)[..., None]
    lamps = _lamps(white_xy)
    of_red, of_green, of_blue = lamps.T
    away = np.square((red - of_red) - (green - of_green)) + np.square((blue - of_blue) - (green - of_green))
    lamp = np.exp(lamps)[np.argmin(away, axis=-1)]
    neutral = light / lamp
    excess = np.log2(highest_plane(neutral) / (neutral @ LUMINANCE_OF_WORKING))
    weight = np.broadcast_to(pixel_solid_angle(len(light))[:, None], luminance.shape)
    order = np.argsort(luminance, axis=None)
    heaped = np.cumsum(weight.ravel()[order]) / weight.sum()
    bright = order[(heaped > BRIGHT[0]) & (heaped < BRIGHT[1])]
    return float(np.average(excess.ravel()[bright], weights=weight.ravel()[bright]))


def open_sky(rows: Rows, white_xy: tuple[float, float] | None) -> float:
    """Share of what lies above the horizon that has the colour of the sky, 0 to 1."""
    light = _small(rows)
    lit = highest_plane(light) > LEAST
    upper = pitch_of_row(np.arange(len(light)), len(light)) > SKY_FROM_DEG
    day = _seen_light(5800.0, white_xy)
    blue = np.log(light[..., 2] / light[..., 0]) - np.log(day[2] / day[0]) > SKY_BLUE
    blue &= lit
    weight = pixel_solid_angle(len(light))[upper]
    return float((blue[upper].mean(axis=1) * weight).sum() / weight.sum())
