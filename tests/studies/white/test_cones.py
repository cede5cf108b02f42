"""The plane of whites: adaptations are shifts, whites come back, strength is a share."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from panopipe.colour.spaces import D65_XY, LUMINANCE_OF_WORKING, WORKING_FROM_XYZ, xy_from_xyz
from panopipe.colour.temperature import cct_duv_from_xy, xy_from_cct_duv
from panopipe.studies.white.cones import (
    PLACE_PER_MIRED,
    camera_log_chromaticity,
    change_of_light,
    correction_matrix,
    light_of_place,
    light_xy,
    locus,
    log_chromaticity_from_working,
    place_of_light,
    xy_from_log_chromaticity,
    xyz_from_log_chromaticity,
)

log_chromaticities = st.tuples(st.floats(-0.4, 0.6), st.floats(-1.3, 0.6))
lights = st.tuples(st.floats(-0.15, 0.4), st.floats(-1.2, 0.6))
"""Places of lights from 2000 K to a blue sky, and a good way to either side of the locus."""


@given(log_chromaticity=log_chromaticities)
def test_a_place_comes_back(log_chromaticity: tuple[float, float]) -> None:
    np.testing.assert_allclose(
        log_chromaticity_from_working(WORKING_FROM_XYZ @ xyz_from_log_chromaticity(log_chromaticity)),
        log_chromaticity,
        atol=1e-12,
    )


@given(log_chromaticity=lights, strength=st.floats(0, 1))
def test_strength_is_the_share_taken_away(log_chromaticity: tuple[float, float], strength: float) -> None:
    white = WORKING_FROM_XYZ @ xyz_from_log_chromaticity(log_chromaticity)
    corrected = correction_matrix(log_chromaticity, strength) @ white
    np.testing.assert_allclose(
        log_chromaticity_from_working(corrected), (1 - strength) * np.array(log_chromaticity), atol=1e-9
    )
    assert corrected @ LUMINANCE_OF_WORKING == pytest.approx(white @ LUMINANCE_OF_WORKING)


def test_full_strength_makes_the_white_neutral() -> None:
    white = WORKING_FROM_XYZ @ xyz_from_log_chromaticity((0.2, -0.6))
    np.testing.assert_allclose(correction_matrix((0.2, -0.6), 1.0) @ white, np.ones(3), atol=1e-12)


def test_strength_nought_changes_nothing() -> None:
    np.testing.assert_allclose(correction_matrix((0.2, -0.6), 0.0), np.eye(3), atol=1e-14)


@given(first=lights, second=lights, third=lights)
def test_changes_of_light_follow_one_another(
    first: tuple[float, float], second: tuple[float, float], third: tuple[float, float]
) -> None:
    there = change_of_light(second, third) @ change_of_light(first, second)
    np.testing.assert_allclose(there, change_of_light(first, third), rtol=1e-9)
    np.testing.assert_allclose(there @ light_of_place(first), light_of_place(third), rtol=1e-9)


def test_no_light_is_without_red_or_blue() -> None:
    assert light_of_place((-0.4, -6.0)).min() > 0


def test_half_strength_is_half_way_in_mired() -> None:
    kelvin, _ = cct_duv_from_xy(xy_from_log_chromaticity(0.5 * locus(1e6 / 3000)))
    middle = (1e6 / 3000 + 1e6 / 6504) / 2
    assert 1e6 / float(kelvin) == pytest.approx(middle, abs=4)


def test_a_mired_has_its_length() -> None:
    steps = np.hypot(*np.diff(locus(np.arange(155.0, 450.0)), axis=0).T)
    np.testing.assert_allclose(steps, PLACE_PER_MIRED, rtol=0.03)


@pytest.mark.parametrize("camera", [None, D65_XY, (0.38, 0.377)])
def test_a_real_light_comes_back(camera: tuple[float, float] | None) -> None:
    light = xy_from_cct_duv(2700, 0.002)
    log_chromaticity = place_of_light(light, camera)
    np.testing.assert_allclose(light_xy(log_chromaticity, camera), light, atol=1e-12)
    np.testing.assert_allclose(
        log_chromaticity + camera_log_chromaticity(camera), place_of_light(light, D65_XY), atol=1e-12
    )


def test_the_camera_s_own_light_is_neutral() -> None:
    camera = (0.38, 0.377)
    np.testing.assert_allclose(place_of_light(camera, camera), (0, 0), atol=1e-12)
    np.testing.assert_allclose(xy_from_xyz(xyz_from_log_chromaticity((0, 0))), D65_XY, atol=1e-12)
