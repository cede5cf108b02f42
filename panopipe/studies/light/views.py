"""Daylight seen from a room whose white is that of its lamps: what makes a view keep a part of its own white.

White balance makes the light of the room neutral. Daylight then turns blue, lawns minty and clouds lilac.
An eye in the room sees less of that, and nobody wants it in a picture. Where daylight comes from is known:
it is brighter than any surface in the room's light, and not as warm as a lamp. Its colour is known as well,
since the camera says which light it took for white.

Light that is no view stays as it is, and so does every frame whose white is daylight already.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.adaptation import adaptation_matrix, working_adaptation
from panopipe.colour.spaces import (
    D65_XY,
    LUMINANCE_OF_WORKING,
    SRGB_FROM_WORKING,
    XYZ_FROM_WORKING,
    xyz_from_xy,
)
from panopipe.colour.temperature import daylight_xy
from panopipe.pixels.easing import smooth_step
from panopipe.sphere.filters import smooth
from panopipe.studies.light.base import GRID_WIDTH, LEVEL_EV, Base
from panopipe.studies.light.curve import MIDDLE_GREY_EV, VIEW_FROM_EV, view_part
from panopipe.studies.light.local import LocalCurves

Float = NDArray[np.float64]
Rows = NDArray[np.float32]

DAYLIGHT_K = 5800.0
"""Of sun and sky together (CIE D-series); what a cloud shows. It may light the room as well."""
BESIDE_LAMPS_K = 6500.0
"""Of what a view shows beside lamps (CIE D65, average daylight): more of it lies under the sky alone,
or in a cloud's shade, than in the sun."""
BLUE_FROM, BLUE_WHOLE = 0.08, 0.2
"""Log ratio of blue to red of daylight from where it is changed, and from where by the whole share asked."""
SAME = 0.002
"""Difference of XYZ of which nobody sees anything: .2 of a step of a*."""
NEAR_DEG = 5.0
"""Window over which the colour of bright light is judged."""
WARM_OVER = 0.35
"""Log ratio of red to green, over that of daylight, from where bright light is that of a lamp. Grass, leaves
and sky lie below daylight; a lamp of 2900 K lies 0.5 above it."""
DIM_FROM_EV, DIM_OVER_EV, DIM_SHARE = -1.0, 3.0, 0.6
"""EV above middle grey from where light beside a view is taken for daylight too, and how far: trees in it and
the reveal of the window are, its frame may have light of the room."""
MUCH = 0.4
"""Share of the surroundings that a view fills, from where what is dim there belongs to it wholly."""
LEAST = 1e-3
"""A component of light below which ratios mean nothing."""
MOST_BRIGHT = 8.0
"""Display light, before highlights, to which light counts when its colour is judged: no lamp outvotes a
window."""


def daylight_in(correction: Float, white_xy: tuple[float, float], kelvin: float = DAYLIGHT_K) -> Float:
    """XYZ of daylight, luminance 1, as it looks after balance.

    Parameters
    ----------
    correction : ndarray of shape (3, 3)
        White balance to come, working space to working space.
    white_xy : tuple of float
        Chromaticity of the light that decode made neutral.
    kelvin : float
        Of the daylight.
    """
    decoded = adaptation_matrix(xyz_from_xy(white_xy), xyz_from_xy(D65_XY))
    seen = decoded @ xyz_from_xy(daylight_xy(kelvin))
    balanced = XYZ_FROM_WORKING @ correction @ np.linalg.inv(XYZ_FROM_WORKING) @ seen
    return np.asarray(balanced / balanced[1])


def whitened(daylight: Float, share: float) -> Float:
    """Daylight brought nearer to white, as far as it is blue.

    Parameters
    ----------
    daylight : ndarray of shape (3,)
        XYZ of daylight as the room's white shows it, luminance 1.
    share : float
        Part of the way to white, measured in log light.
    """
    red, _, blue = np.maximum(np.linalg.solve(XYZ_FROM_WORKING, daylight), LEAST)
    share = share * float(np.clip((np.log(blue / red) - BLUE_FROM) / (BLUE_WHOLE - BLUE_FROM), 0, 1))
    target = daylight ** (1 - share) * xyz_from_xy(D65_XY) ** share
    return np.asarray(target / target[1])


def view_change(correction: Float, shown: Float, wanted: Float) -> Float | None:
    """What must be added to light of a view, before balance, so that daylight there looks as wanted.

    Parameters
    ----------
    correction : ndarray of shape (3, 3)
        White balance to come, working space to working space.
    shown, wanted : ndarray of shape (3,)
        XYZ of daylight after balance, luminance 1: as it would look, and as it shall.

    Returns
    -------
    ndarray of shape (3, 3), or None if they are the same.
    """
    if np.allclose(shown, wanted, atol=SAME):
        return None
    balanced = working_adaptation(shown, wanted)
    return np.asarray(np.linalg.solve(correction, balanced @ correction) - np.eye(3))


def relit(evened: Rows, correction: Float, white_xy: tuple[float, float], share: float) -> Rows:
    """Gains that take back what a stage before did to the light of a view, and give it its own white.

    By place: sky and pavement lie in one daylight, whatever the stage took them for.

    Parameters
    ----------
    evened : ndarray of shape (..., 3), dtype float32
        Gains of the channels by that stage.
    correction, white_xy
        As of `daylight_in`.
    share : float
        As of `whitened`.
    """
    own = daylight_in(correction, white_xy, BESIDE_LAMPS_K)
    change = view_change(correction, own, whitened(own, share))
    white = np.ones(3) if change is None else 1 + np.diag(change)
    return np.asarray(white / evened, dtype=np.float32)


def view_shares(rows: Rows, base: Base, exposure_ev: float, daylight: Float) -> LocalCurves:
    """Share of light that is daylight from a view, by place and luminance.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        The whole frame at reduced size, balanced.
    base : Base
        Its base, whose levels the curves take.
    exposure_ev : float
        Exposure that the rendering will add.
    daylight : ndarray of shape (3,)
        XYZ of daylight after balance.
    """
    cool, near = _around(rows, exposure_ev, daylight)
    above = base.levels_ev + exposure_ev - MIDDLE_GREY_EV
    dim = smooth_step((above - DIM_FROM_EV) / DIM_OVER_EV)
    bright = view_part(base.levels_ev + exposure_ev)[None, :, None]
    share = np.maximum(bright, DIM_SHARE * near[:, None, :] * dim[None, :, None])
    return LocalCurves.over(cool[:, None, :] * share, base.lowest_ev, LEVEL_EV)


def _around(rows: Rows, exposure_ev: float, daylight: Float) -> tuple[Float, Float]:
    """How far bright light around each cell of the grid is no lamp's, and how much there is of it."""
    height, width = rows.shape[:2]
    lowest = np.float32(2.0 ** (MIDDLE_GREY_EV + VIEW_FROM_EV - exposure_ev))  # no part of a view below it
    bright = np.flatnonzero(rows @ LUMINANCE_OF_WORKING.astype(np.float32) > lowest)
    colours = rows.reshape(-1, 3)[bright].astype(np.float64)
    light = np.maximum(colours @ LUMINANCE_OF_WORKING, 1e-6) * 2.0**exposure_ev
    part = view_part(np.log2(light))
    red, green = np.maximum(colours @ SRGB_FROM_WORKING[:2].T, 0).T
    weight = part * np.minimum(1, MOST_BRIGHT / light)
    stack = _cells((weight * red, weight * green, part), bright, height, width)
    red, green, part = np.moveaxis(smooth(stack, NEAR_DEG), -1, 0)
    of_daylight = np.maximum(SRGB_FROM_WORKING @ np.linalg.solve(XYZ_FROM_WORKING, daylight), LEAST)
    tiny = 1e-9  # where nothing is bright, no share matters
    warmer = np.log((red + tiny) / (green + tiny)) - np.log(of_daylight[0] / of_daylight[1])
    return smooth_step(1 - warmer / WARM_OVER), smooth_step(part / MUCH)


def _cells(values: Iterable[Float], places: NDArray[np.intp], height: int, width: int) -> Float:
    """Means over the cells of the grid, of values at some pixels of a frame; the others are 0."""
    columns = min(GRID_WIDTH, width)
    rows = columns // 2
    row, column = np.arange(height) * rows // height, np.arange(width) * columns // width
    cell = (row[:, None] * columns + column).ravel()
    sums = [np.bincount(cell[places], plane, rows * columns) for plane in values]
    means: Float = np.stack(sums, axis=-1) / np.bincount(cell, minlength=rows * columns)[:, None]
    return means.reshape(rows, columns, -1)
