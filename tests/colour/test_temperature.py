"""Colour temperature and Duv: invariants and refusals; published values lie in tests/outside."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from panopipe.colour.temperature import (
    cct_duv_from_xy,
    daylight_xy,
    planckian_xy,
    uv_from_xy,
    xy_from_cct_duv,
)
from panopipe.colour.temperature import xy_from_uv as xy_back


@given(kelvin=st.floats(1600, 30000), duv=st.floats(-0.02, 0.02))
def test_kelvin_and_duv_come_back(kelvin: float, duv: float) -> None:
    found_kelvin, found_duv = cct_duv_from_xy(xy_from_cct_duv(kelvin, duv))
    assert found_kelvin == pytest.approx(kelvin, rel=1e-6)
    assert found_duv == pytest.approx(duv, abs=1e-9)


def test_duv_is_the_distance_in_uv() -> None:
    on, beside = xy_from_cct_duv(3000), xy_from_cct_duv(3000, 0.01)
    assert np.hypot(*(uv_from_xy(beside) - uv_from_xy(on))) == pytest.approx(0.01, abs=1e-12)


def test_green_side_is_positive() -> None:
    x, y = planckian_xy(4000.0)
    assert cct_duv_from_xy((x, y + 0.01))[1] > 0 > cct_duv_from_xy((x, y - 0.01))[1]


def test_arrays_keep_their_shape() -> None:
    kelvin = np.full((2, 3), 5000.0)
    assert xy_from_cct_duv(kelvin, 0.001).shape == (2, 3, 2)
    assert cct_duv_from_xy(xy_from_cct_duv(kelvin))[0].shape == (2, 3)


def test_uv_comes_back() -> None:
    xy = np.array([[0.3127, 0.3290], [0.45, 0.41]])
    np.testing.assert_allclose(xy_back(uv_from_xy(xy)), xy, atol=1e-15)


@pytest.mark.parametrize("kelvin", [3999.0, 25001.0])
def test_daylight_ends(kelvin: float) -> None:
    with pytest.raises(ValueError, match="4000 to 25000"):
        daylight_xy(kelvin)


def test_no_light_is_colder_than_nothing() -> None:
    with pytest.raises(ValueError, match="no temperature"):
        planckian_xy([-3.0, 5000.0])
    with pytest.raises(ValueError, match="outside 1000"):
        xy_from_cct_duv(500.0)
