"""Colour temperature against published loci and formulas."""

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import SRGB_FROM_XYZ, xyz_from_xy
from panopipe.colour.temperature import cct_duv_from_xy, daylight_xy, planckian_xy, xy_from_cct_duv

pytestmark = pytest.mark.outside

DAYLIGHT = {
    4000: (0.382344, 0.383766),
    4500: (0.362089, 0.370870),
    5000: (0.345741, 0.358666),
    5500: (0.332502, 0.347608),
    6500: (0.312779, 0.329183),
    7500: (0.299091, 0.315025),
}
"""CIE 15, formula of the daylight locus; values computed with colour-science 0.4.7."""

PLANCK = {
    2000: (0.526677, 0.413299),
    2700: (0.459860, 0.410601),
    2856: (0.447537, 0.407430),
    2900: (0.444220, 0.406443),
    3500: (0.405305, 0.390718),
    4000: (0.380441, 0.376749),
    4500: (0.360789, 0.363547),
    5000: (0.345103, 0.351610),
    6500: (0.313527, 0.323630),
}
"""Integrated over the CIE 1931 observer as in Y. Ohno, Practical use and calculation of CCT and Duv, LEUKOS
10, 2013; values computed with colour-science 0.4.7."""

OHNO = {
    (0.3127, 0.3290): (6504.3, 0.0032),
    (0.3457, 0.3585): (5000.7, 0.0032),
    (0.44758, 0.40745): (2855.5, 0.0000),
}
"""D65, D50 and A by Ohno 2013; values computed with colour-science 0.4.7."""


@pytest.mark.parametrize("kelvin", DAYLIGHT)
def test_daylight_locus(kelvin: int) -> None:
    assert np.allclose(daylight_xy(kelvin), DAYLIGHT[kelvin], rtol=0, atol=1e-6)


@pytest.mark.parametrize("kelvin", PLANCK)
def test_planckian_locus(kelvin: int) -> None:
    assert np.allclose(planckian_xy(kelvin), PLANCK[kelvin], rtol=0, atol=2e-6)


@pytest.mark.parametrize("kelvin", PLANCK)
def test_planckian_locus_against_krystek(kelvin: int) -> None:
    """M. Krystek, An algorithm to calculate correlated colour temperature, Color Res. Appl. 10, 1985.

    A rational fit in CIE 1960 uv; 4e-4 in xy.
    """
    t = float(kelvin)
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t**2) / (
        1 + 8.42420235e-4 * t + 7.08145163e-7 * t**2
    )
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t**2) / (
        1 - 2.89741816e-5 * t + 1.61456053e-7 * t**2
    )
    below = 2 * u - 8 * v + 4
    assert np.allclose(planckian_xy(kelvin), (3 * u / below, 2 * v / below), atol=4e-4)


@pytest.mark.parametrize("xy", OHNO)
def test_temperature_and_duv(xy: tuple[float, float]) -> None:
    kelvin, duv = cct_duv_from_xy(xy)
    assert kelvin == pytest.approx(OHNO[xy][0], abs=1)
    assert duv == pytest.approx(OHNO[xy][1], abs=1e-4)


@pytest.mark.parametrize(
    ("xy", "kelvin"), [((0.3127, 0.3290), 6505.1), ((0.3457, 0.3585), 5001.0), ((0.44758, 0.40745), 2857.1)]
)
def test_temperature_against_mccamy(xy: tuple[float, float], kelvin: float) -> None:
    """C. S. McCamy, Correlated color temperature as an explicit function of chromaticity coordinates, 1992.

    Color Res. Appl. 17; a cubic in (x - .3320) / (.1858 - y), within 2 K of the exact value here.
    """
    n = (xy[0] - 0.3320) / (0.1858 - xy[1])
    assert 449 * n**3 + 3525 * n**2 + 6823.3 * n + 5520.33 == pytest.approx(kelvin, abs=0.1)
    assert cct_duv_from_xy(xy)[0] == pytest.approx(kelvin, abs=2)


def test_round_trip() -> None:
    """Value computed with colour-science 0.4.7 (Ohno 2013)."""
    xy = xy_from_cct_duv(4000, 0.006)
    assert np.allclose(xy, (0.384730, 0.392562), rtol=0, atol=2e-6)
    kelvin, duv = cct_duv_from_xy(xy)
    assert kelvin == pytest.approx(4000, abs=0.01)
    assert duv == pytest.approx(0.006, abs=1e-6)


@pytest.mark.parametrize(("kelvin", "rgb"), [(2700, (1.935, 0.804, 0.192)), (4000, (1.414, 0.924, 0.534))])
def test_colours_of_lamps_in_linear_srgb(kelvin: float, rgb: tuple) -> None:
    """Follows from the locus and IEC 61966-2-1; computed with colour-science 0.4.7."""
    assert np.allclose(SRGB_FROM_XYZ @ xyz_from_xy(planckian_xy(kelvin)), rgb, atol=1e-3)


@pytest.mark.parametrize(("kelvin", "difference"), [(2700, 5.1), (4000, 2.4), (6500, 0.84)])
def test_what_a_hundred_kelvin_are_worth(kelvin: float, difference: float) -> None:
    """On a light grey (Y .8) seen under a white 100 K off; computed with colour-science 0.4.7, to 10 %.

    White is better stated in mired or in delta E than in kelvin.
    """
    here, there = (xyz_from_xy(planckian_xy(k)) for k in (kelvin, kelvin + 100))
    labs = [lab_from_xyz(0.8 * light, here) for light in (here, there)]
    assert delta_e_2000(*labs) == pytest.approx(difference, rel=0.1)
