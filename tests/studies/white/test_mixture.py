import numpy as np
import pytest

from panopipe.colour.spaces import WORKING_FROM_XYZ, xyz_from_xy
from panopipe.colour.temperature import xy_from_cct_duv
from panopipe.studies.white.cones import camera_log_chromaticity, log_chromaticity_from_working
from panopipe.studies.white.mixture import BESIDE, DAYLIGHT_DUV, LAMP_DUV, mixture

CAMERA = camera_log_chromaticity(None)
CURVE = mixture(154.0, 345.0, CAMERA)


def light(mired: float, duv: float) -> np.ndarray:
    xyz = xyz_from_xy(xy_from_cct_duv(1e6 / mired, duv))
    return np.asarray(WORKING_FROM_XYZ @ (xyz / xyz[1]))


@pytest.mark.parametrize("share", [0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0])
def test_mixtures_of_two_lights_lie_on_the_curve(share: float) -> None:
    mixed = share * light(345.0, LAMP_DUV) + (1 - share) * light(154.0, DAYLIGHT_DUV)
    length, across = CURVE.nearest(log_chromaticity_from_working(mixed)[None])
    assert abs(across[0]) < 1e-3  # the chord of a step of the table
    assert -0.01 <= length[0] <= CURVE.length + 0.01


def test_the_ends_are_the_lights() -> None:
    ends = CURVE.at(np.array([0.0, CURVE.length]))
    true = [log_chromaticity_from_working(light(*end)) for end in ((154.0, DAYLIGHT_DUV), (345.0, LAMP_DUV))]
    assert np.allclose(ends, true, atol=2e-3)


def test_a_length_is_found_again() -> None:
    lengths = np.linspace(-0.3, CURVE.length + 0.3, 50)
    found, across = CURVE.nearest(CURVE.at(lengths))
    assert np.allclose(found, lengths, atol=2e-3)
    assert np.abs(across).max() < 2e-3


def test_it_may_be_moved_across_itself_as_far_as_lights_lie_beside_it() -> None:
    place = CURVE.at(np.array(0.5))
    for across in (0.05, -0.05, 0.2):
        _, off = CURVE.moved(across, 0.5).nearest(place[None])
        assert off[0] == pytest.approx(-min(across, BESIDE), abs=2e-3)
    assert CURVE.moved(0.05, 0.5).at(np.array(0.5))[0] < place[0]  # a greener light has less red
