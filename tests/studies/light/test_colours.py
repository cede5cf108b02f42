import numpy as np
import pytest

from panopipe.colour.adaptation import working_adaptation
from panopipe.colour.spaces import D65_XY, WORKING_FROM_XYZ, xyz_from_xy
from panopipe.colour.temperature import daylight_xy, planckian_xy
from panopipe.studies.light.colours import open_sky, vivid_ev

CAMERA_XY = tuple(map(float, daylight_xy(5000.0)))


def decoded(xy: np.ndarray) -> np.ndarray:
    """Light of luminance 1 as decode hands it on when the camera's white is 5000 K."""
    seen = working_adaptation(xyz_from_xy(CAMERA_XY), xyz_from_xy(D65_XY))
    return seen @ WORKING_FROM_XYZ @ xyz_from_xy((float(xy[0]), float(xy[1])))


def room(light: np.ndarray, ceiling: np.ndarray) -> np.ndarray:
    """Grey below, and above whatever has the colour and brightness of `ceiling`."""
    rows = np.full((64, 128, 3), 0.1)
    rows[:32] = ceiling
    return (rows * light).astype(np.float32)


@pytest.mark.parametrize("kelvin", [2700.0, 4000.0])
def test_white_paint_is_not_vivid_whatever_the_lamp(kelvin: float) -> None:
    assert vivid_ev(room(decoded(planckian_xy(kelvin)), np.full(3, 0.8)), CAMERA_XY) < 0.06


def test_a_coloured_ceiling_is_vivid_by_its_brightest_channel() -> None:
    # Reflectance .1 .4 .35 has the luminance .318: its green lies 0.33 EV above it. Some of its colour is
    # taken for that of the light, never more than half.
    teal = vivid_ev(room(decoded(planckian_xy(2700.0)), np.array([0.1, 0.4, 0.35])), CAMERA_XY)
    assert 0.16 < teal < 0.4


def test_sky_is_known_and_no_ceiling_is_taken_for_it() -> None:
    day, sky, lamp = (decoded(xy) for xy in (daylight_xy(5500.0), daylight_xy(9000.0), planckian_xy(3000.0)))
    rows = room(day, np.full(3, 0.8))
    assert open_sky(rows, CAMERA_XY) == 0
    assert open_sky(room(lamp, np.full(3, 0.8)), CAMERA_XY) == 0
    rows[:32] = sky
    assert open_sky(rows, CAMERA_XY) == 1


def test_black_has_no_colour() -> None:
    assert np.isfinite(vivid_ev(np.zeros((32, 64, 3), np.float32), None))
    assert open_sky(np.zeros((32, 64, 3), np.float32), None) == 0
