"""Whites against published values and reference libraries."""

import warnings

import numpy as np
import pytest

from panopipe.colour.adaptation import BRADFORD, CAT16, adaptation_matrix
from panopipe.colour.difference import delta_e_2000
from panopipe.colour.spaces import D65_XY, WORKING_FROM_XYZ, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.colour.temperature import cct_duv_from_xy, daylight_xy, planckian_xy, xy_from_cct_duv
from panopipe.white.cones import correction_matrix, place_from_working, place_from_xy
from tests.benchmarks.balance import angle_deg, lab_of_white

pytestmark = pytest.mark.outside

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

# CIE 15:2018, equations 4.3 to 4.5, printed to six digits by a reference library (colour-science 0.4.7).
DAYLIGHT = {
    4000: (0.382344, 0.383766),
    4500: (0.362089, 0.370870),
    5000: (0.345741, 0.358666),
    5500: (0.332502, 0.347608),
    6500: (0.312779, 0.329183),
    7500: (0.299091, 0.315025),
}
# Ohno 2013: Planck's law over the CIE 1931 observer.
PLANCKIAN = {
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
# Ohno 2013 by colour-science 0.4.7, for the whites of ISO 3664 and CIE 15.
CCT_DUV = {
    D65_XY: (6504.3, 0.0032),
    (0.3457, 0.3585): (5000.7, 0.0032),
    (0.44758, 0.40745): (2855.5, 0.0000),
}


@pytest.mark.parametrize(("kelvin", "xy"), DAYLIGHT.items())
def test_daylight_locus(kelvin: float, xy: tuple[float, float]) -> None:
    np.testing.assert_allclose(daylight_xy(kelvin), xy, atol=1e-6)


@pytest.mark.parametrize(("kelvin", "xy"), PLANCKIAN.items())
def test_planckian_locus(kelvin: float, xy: tuple[float, float]) -> None:
    np.testing.assert_allclose(planckian_xy(kelvin), xy, atol=2e-6)


@pytest.mark.parametrize("kelvin", [1700, 2500, 4000, 8000, 25000])
def test_planckian_locus_against_kang_2002(kelvin: float) -> None:
    # Kang, Moon, Hong, Lee, Cho & Kim 2002 is a fit, good to 7e-4.
    np.testing.assert_allclose(planckian_xy(kelvin), colour.temperature.CCT_to_xy_Kang2002(kelvin), atol=7e-4)


@pytest.mark.parametrize(("xy", "expected"), CCT_DUV.items())
def test_kelvin_and_duv(xy: tuple[float, float], expected: tuple[float, float]) -> None:
    kelvin, duv = cct_duv_from_xy(xy)
    assert kelvin == pytest.approx(expected[0], abs=1)
    assert duv == pytest.approx(expected[1], abs=1e-4)


@pytest.mark.parametrize("name", ["FL2", "FL11", "A", "D50"])
def test_kelvin_and_duv_against_a_library(name: str) -> None:
    xy = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]
    expected = colour.temperature.uv_to_CCT_Ohno2013(colour.xy_to_UCS_uv(xy))
    kelvin, duv = cct_duv_from_xy(xy)
    assert kelvin == pytest.approx(expected[0], abs=1)
    assert duv == pytest.approx(expected[1], abs=1e-4)


def test_duv_of_a_named_point() -> None:
    # 4000 K with Duv +0.006 (Ohno 2013, by colour-science 0.4.7).
    np.testing.assert_allclose(xy_from_cct_duv(4000, 0.006), (0.384730, 0.392562), atol=2e-6)


@pytest.mark.parametrize(
    ("cone", "expected"),
    [(BRADFORD, (0.381485, 0.302425, 0.630182)), (CAT16, (0.376635, 0.297113, 0.588917))],
)
def test_adaptation_worked_example(cone: np.ndarray, expected: tuple[float, float, float]) -> None:
    # XYZ (.4 .3 .2) from illuminant A to D65 (Lam 1985; Li et al. 2017; by colour-science 0.4.7).
    matrix = adaptation_matrix(xyz_from_xy((0.44758, 0.40745)), xyz_from_xy(D65_XY), cone)
    np.testing.assert_allclose(matrix @ (0.4, 0.3, 0.2), expected, atol=1e-5)


def test_correction_is_the_library_s_bradford() -> None:
    white = np.array([0.9, 0.7, 0.35])
    xyz = XYZ_FROM_WORKING @ white
    expected = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        xyz / xyz[1], xyz_from_xy(D65_XY), transform="Bradford"
    )
    found = XYZ_FROM_WORKING @ correction_matrix(place_from_working(white), 1.0) @ WORKING_FROM_XYZ
    np.testing.assert_allclose(found, expected, atol=1e-4)  # the library rounds the inverse of its matrix


@pytest.mark.parametrize(
    ("other", "degrees"), [((1, 1, 0.9), 2.792), ((1, 0.8, 0.5), 15.004), ((1, 1.01, 1), 0.269)]
)
def test_angular_error(other: tuple[float, float, float], degrees: float) -> None:
    # Hordley & Finlayson 2004; closed form.
    assert angle_deg(np.ones(3), np.array(other, dtype=float)) == pytest.approx(degrees, abs=1e-3)


@pytest.mark.parametrize(("kelvin", "expected"), [(2700, 5.1), (4000, 2.4), (6500, 0.84)])
def test_what_100_kelvin_are_worth(kelvin: float, expected: float) -> None:
    # A white taken 100 K wrong, on a light grey (by colour-science 0.4.7); here a grey of Y = 0.8, 20 % low.
    light = WORKING_FROM_XYZ @ xyz_from_xy(planckian_xy(kelvin))
    corrected = correction_matrix(place_from_xy(planckian_xy(kelvin + 100)), 1.0) @ light
    assert delta_e_2000(lab_of_white(corrected), lab_of_white(np.ones(3))) == pytest.approx(expected, rel=0.2)
