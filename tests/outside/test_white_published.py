"""Whites against published values and reference libraries."""

import warnings

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.spaces import D65_XY, WORKING_FROM_XYZ, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.colour.temperature import cct_duv_from_xy, planckian_xy
from panopipe.studies.white.cones import (
    correction_matrix,
    log_chromaticity_from_working,
    log_chromaticity_from_xy,
)
from tests.benchmarks.balance import angle_deg, lab_of_white

pytestmark = pytest.mark.outside

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour


@pytest.mark.parametrize("kelvin", [1700, 2500, 4000, 8000, 25000])
def test_planckian_locus_against_kang_2002(kelvin: float) -> None:
    # Kang, Moon, Hong, Lee, Cho & Kim 2002 is a fit, good to 7e-4.
    np.testing.assert_allclose(planckian_xy(kelvin), colour.temperature.CCT_to_xy_Kang2002(kelvin), atol=7e-4)


@pytest.mark.parametrize("name", ["FL2", "FL11", "A", "D50"])
def test_kelvin_and_duv_against_a_library(name: str) -> None:
    xy = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]
    expected = colour.temperature.uv_to_CCT_Ohno2013(colour.xy_to_UCS_uv(xy))
    kelvin, duv = cct_duv_from_xy(xy)
    assert kelvin == pytest.approx(expected[0], abs=1)
    assert duv == pytest.approx(expected[1], abs=1e-4)


def test_correction_scales_the_channels_of_the_library_s_bt2020() -> None:
    white = np.array([0.9, 0.7, 0.35])
    xyz = XYZ_FROM_WORKING @ white
    space = colour.RGB_COLOURSPACES["ITU-R BT.2020"]
    gains = space.matrix_XYZ_to_RGB @ xyz_from_xy(D65_XY) / (space.matrix_XYZ_to_RGB @ (xyz / xyz[1]))
    expected = space.matrix_RGB_to_XYZ @ np.diag(gains) @ space.matrix_XYZ_to_RGB
    found = XYZ_FROM_WORKING @ correction_matrix(log_chromaticity_from_working(white), 1.0) @ WORKING_FROM_XYZ
    np.testing.assert_allclose(found, expected, atol=1e-3)  # the library rounds its matrices


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
    corrected = correction_matrix(log_chromaticity_from_xy(planckian_xy(kelvin + 100)), 1.0) @ light
    assert delta_e_2000(lab_of_white(corrected), lab_of_white(np.ones(3))) == pytest.approx(expected, rel=0.2)
