"""Correlated colour temperature and Duv: where a white lies along, and off, the Planckian locus.

Temperatures are in kelvin; a *mired* is a million over a kelvin, in which equal steps look about equal. Duv
is the signed distance from the Planckian locus in the CIE 1960 (u, v) diagram, positive on the green side.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from panopipe.colour.observer import WAVELENGTHS_NM, xyz_of_spectrum
from panopipe.colour.spaces import Matrix, xy_from_xyz

SECOND_RADIATION_NM_K = 1.4388e7
"""c2 of Planck's law on the ITS-90 scale, in nanometre kelvin (CIE 15:2018)."""
LOWEST_MIRED, HIGHEST_MIRED = 10.0, 1000.0
"""Reach of the locus here: 100 000 K to 1000 K."""

_SEARCH_MIRED = np.arange(LOWEST_MIRED, HIGHEST_MIRED + 1, 5.0)
_DERIVATIVE_STEP_MIRED = 0.01
_BEND_STEP_MIRED = 1.0
_SETTLED_MIRED = 1e-10


def planckian_xy(cct_kelvin: ArrayLike) -> Matrix:
    """Chromaticity of a black body.

    Parameters
    ----------
    cct_kelvin : array_like of shape (...)
        Temperature in kelvin.

    Returns
    -------
    ndarray of shape (..., 2), dtype float64
        CIE 1931 x, y, summed over the standard observer every 5 nm.

    Raises
    ------
    ValueError
        If a temperature is not positive.
    """
    kelvin = np.asarray(cct_kelvin, dtype=np.float64)
    if np.any(kelvin <= 0):
        raise ValueError(f"a temperature of {np.min(kelvin):g} K is no temperature")
    wavelength = WAVELENGTHS_NM / 560
    exponent = SECOND_RADIATION_NM_K / (WAVELENGTHS_NM * kelvin[..., None])
    return xy_from_xyz(xyz_of_spectrum(wavelength**-5 / np.expm1(exponent)))


def daylight_xy(cct_kelvin: ArrayLike) -> Matrix:
    """Chromaticity of the CIE daylight locus, shape (...) to (..., 2).

    Raises
    ------
    ValueError
        If a temperature is outside 4000 to 25000 K, where the locus is not defined.

    References
    ----------
    .. [1] CIE 15:2018, Colorimetry, clause 4.1.2, equations 4.3 to 4.5.
    """
    kelvin = np.asarray(cct_kelvin, dtype=np.float64)
    if np.any((kelvin < 4000) | (kelvin > 25000)):
        raise ValueError(f"no daylight has {kelvin}: the locus runs from 4000 to 25000 K")
    t = 1e3 / kelvin
    warm = 0.244063 + 0.09911 * t + 2.9678 * t**2 - 4.6070 * t**3
    cold = 0.237040 + 0.24748 * t + 1.9018 * t**2 - 2.0064 * t**3
    x = np.where(kelvin <= 7000, warm, cold)
    return np.stack([x, -3.000 * x**2 + 2.870 * x - 0.275], axis=-1)


def cct_duv_from_xy(xy: ArrayLike) -> tuple[Matrix, Matrix]:
    """Correlated colour temperature and Duv of a chromaticity.

    The foot of the perpendicular on the Planckian locus in the (u, v) diagram, found by a search over
    the locus and Newton's method; no table error, no seam between two approximations.

    Parameters
    ----------
    xy : array_like of shape (..., 2)
        CIE 1931 x, y.

    Returns
    -------
    cct_kelvin, duv : ndarray of shape (...), dtype float64
        Kelvin, clamped to 1000 to 100000 K, and the signed distance in (u, v).

    References
    ----------
    .. [1] Y. Ohno, Practical Use and Calculation of CCT and Duv, LEUKOS 10 (2014), 47-55.
    """
    uv = uv_from_xy(xy)
    distance = np.sum((uv[..., None, :] - _search_uv()) ** 2, axis=-1)
    mired = _SEARCH_MIRED[np.argmin(distance, axis=-1)]
    for _ in range(8):
        step = _newton_step(uv, mired)
        mired = np.clip(mired - step, LOWEST_MIRED, HIGHEST_MIRED)
        if np.all(np.abs(step) < _SETTLED_MIRED):
            break
    offset = uv - _locus_uv(mired)
    duv = np.sum(offset * _locus_normal(mired), axis=-1)
    return 1e6 / mired, duv


def xy_from_cct_duv(cct_kelvin: ArrayLike, duv: ArrayLike = 0.0) -> Matrix:
    """Chromaticity at a distance `duv` from the Planckian locus: the inverse of `cct_duv_from_xy`.

    Raises
    ------
    ValueError
        If a temperature is outside 1000 to 100000 K.
    """
    kelvin, offset = np.broadcast_arrays(
        np.asarray(cct_kelvin, dtype=np.float64), np.asarray(duv, dtype=np.float64)
    )
    if np.any((kelvin < 1e6 / HIGHEST_MIRED) | (kelvin > 1e6 / LOWEST_MIRED)):
        raise ValueError(f"{kelvin} K is outside 1000 to 100000 K")
    mired = 1e6 / kelvin
    return xy_from_uv(_locus_uv(mired) + offset[..., None] * _locus_normal(mired))


def uv_from_xy(xy: ArrayLike) -> Matrix:
    """CIE 1960 (u, v) of CIE 1931 (x, y)."""
    x, y = np.moveaxis(np.asarray(xy, dtype=np.float64), -1, 0)
    uv: Matrix = np.stack([4 * x, 6 * y], axis=-1) / (-2 * x + 12 * y + 3)[..., None]
    return uv


def xy_from_uv(uv: ArrayLike) -> Matrix:
    """CIE 1931 (x, y) of CIE 1960 (u, v)."""
    u, v = np.moveaxis(np.asarray(uv, dtype=np.float64), -1, 0)
    xy: Matrix = np.stack([3 * u, 2 * v], axis=-1) / (2 * u - 8 * v + 4)[..., None]
    return xy


def _locus_uv(mired: Matrix) -> Matrix:
    return uv_from_xy(planckian_xy(1e6 / mired))


@cache
def _search_uv() -> Matrix:
    return _locus_uv(_SEARCH_MIRED)


def _locus_tangent(mired: Matrix) -> Matrix:
    step = _DERIVATIVE_STEP_MIRED
    below, above = _locus_uv(mired + np.multiply.outer((-step, step), np.ones_like(mired)))
    tangent: Matrix = (above - below) / (2 * step)
    return tangent


def _locus_normal(mired: Matrix) -> Matrix:
    """Unit normal of the locus, on the green side."""
    u, v = np.moveaxis(_locus_tangent(mired), -1, 0)
    normal: Matrix = np.stack([-v, u], axis=-1) / np.hypot(u, v)[..., None]
    return normal


def _newton_step(uv: Matrix, mired: Matrix) -> Matrix:
    """Step in mired that brings the foot of the perpendicular nearer.

    The derivative of (p(m) - uv) . p'(m) is |p'|^2 + (p - uv) . p''; the curvature term is bounded from
    below so that a point near the centre of curvature cannot throw the step.
    """
    near, wide = _DERIVATIVE_STEP_MIRED, _BEND_STEP_MIRED
    places = mired + np.multiply.outer((0, -near, near, -wide, wide), np.ones_like(mired))
    here, below, above, far_below, far_above = _locus_uv(places)
    tangent = (above - below) / (2 * near)
    bend = (far_above - 2 * here + far_below) / wide**2
    speed = np.sum(tangent**2, axis=-1)
    slope = np.maximum(speed + np.sum((here - uv) * bend, axis=-1), 0.2 * speed)
    step: Matrix = np.sum((here - uv) * tangent, axis=-1) / slope
    return step
