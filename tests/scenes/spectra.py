"""Lights and surfaces of the test scenes as spectra, 360 to 780 nm every 5 nm.

A light is scaled so that a perfect white under it has luminance 1. A surface is made of three smooth bands
that add up to a flat grey, so that one number for each of red, green and blue says what it looks like.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.colour.observer import MATCHING_FUNCTIONS, WAVELENGTHS_NM
from panopipe.colour.spaces import WORKING_FROM_XYZ, xyz_from_xy
from panopipe.colour.temperature import SECOND_RADIATION_NM_K, daylight_xy, xy_from_cct_duv

Spectrum = NDArray[np.float64]

# CIE 15:2018, table 6: components of daylight every 20 nm from 360 to 780 nm.
_S0 = (61.5, 65.8, 94.8, 105.9, 113.9, 125.5, 121.3, 113.5, 110.8, 108.8, 104.4, 96.0, 89.1, 90.3, 84.0)
_S0 += (81.9, 84.9, 71.9, 76.4, 71.2, 63.3, 73.5)
_S1 = (38.0, 35.0, 43.4, 43.9, 36.7, 32.6, 24.3, 16.2, 8.6, 4.2, 0.0, -3.5, -5.8, -8.6, -10.9)
_S1 += (-12.0, -13.6, -12.0, -14.0, -12.5, -10.8, -12.6)


def unit(power: ArrayLike) -> Spectrum:
    """Scale a light so that a perfect white under it has luminance 1."""
    spectrum = np.asarray(power, dtype=np.float64)
    scaled: Spectrum = spectrum / (spectrum @ MATCHING_FUNCTIONS[:, 1])
    return scaled


def halogen(cct_kelvin: float) -> Spectrum:
    """A lamp with a glowing wire: Planck's law."""
    nm = WAVELENGTHS_NM
    return unit((nm / 560) ** -5 / np.expm1(SECOND_RADIATION_NM_K / (nm * cct_kelvin)))


def led(cct_kelvin: float, duv: float = 0.0) -> Spectrum:
    """A white light-emitting diode: a blue peak and two broad phosphors that meet the chromaticity."""
    parts = np.stack([_bell(452, 11), _bell(545, 42), _bell(625, 45)])
    target = xyz_from_xy(xy_from_cct_duv(cct_kelvin, duv))
    return unit(np.linalg.solve((parts @ MATCHING_FUNCTIONS).T, target) @ parts)


def daylight(cct_kelvin: float) -> Spectrum:
    """CIE daylight of 4000 to 25000 K, from its first two components, corrected to the exact locus."""
    nm = np.arange(360, 781, 20)
    mean, blue_yellow = np.interp(WAVELENGTHS_NM, nm, _S0), np.interp(WAVELENGTHS_NM, nm, _S1)
    x, y = daylight_xy(cct_kelvin)
    weight = (-1.3515 - 1.7703 * x + 5.9114 * y) / (0.0241 + 0.2562 * x - 0.7341 * y)
    parts = np.stack([mean + weight * blue_yellow, _bell(470, 60), _bell(600, 60)])
    mix = np.linalg.solve((parts @ MATCHING_FUNCTIONS).T, xyz_from_xy((x, y)))
    return unit(mix @ parts)


def surface(red: float, green: float, blue: float) -> Spectrum:
    """Reflectance of a matt surface from its reflectance in the three thirds of the spectrum."""
    short = 1 / (1 + np.exp((WAVELENGTHS_NM - 492) / 14))
    long = 1 / (1 + np.exp(-(WAVELENGTHS_NM - 588) / 12))
    reflectance: Spectrum = red * long + green * (1 - short - long) + blue * short
    return reflectance


def colour(light: Spectrum, reflectance: ArrayLike = 1.0) -> NDArray[np.float64]:
    """Working-space colour of surfaces (..., 85) under a light; white of luminance 1 is the unit."""
    xyz = (np.asarray(reflectance) * light) @ MATCHING_FUNCTIONS
    rgb: NDArray[np.float64] = xyz @ WORKING_FROM_XYZ.T
    return rgb


def _bell(centre_nm: float, sigma_nm: float) -> Spectrum:
    bell: Spectrum = np.exp(-0.5 * ((WAVELENGTHS_NM - centre_nm) / sigma_nm) ** 2)
    return bell
