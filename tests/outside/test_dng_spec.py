"""Colour by the DNG specification 1.7.1: the formulas of its camera model, worked by hand.

The worked examples follow from the definitions (closed form); those with another source name it.
"""

import numpy as np
import pytest

from panopipe.colour.dng import Calibration, Camera
from panopipe.colour.spaces import D65_XY, SRGB_FROM_WORKING, XYZ_FROM_SRGB
from panopipe.colour.temperature import cct_duv_from_xy

pytestmark = pytest.mark.outside

PRINTED = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
"""XYZ to linear sRGB as IEC 61966-2-1 prints it."""
CM1 = np.diag([0.5, 1, 0.6]) @ PRINTED
NEUTRAL = (0.5, 1, 0.6)
CM_A = np.array([[0.90, -0.20, -0.10], [-0.40, 1.20, 0.20], [-0.05, 0.15, 0.70]])
CM_D65 = np.array([[0.80, -0.25, -0.08], [-0.45, 1.25, 0.22], [-0.05, 0.18, 0.62]])


def camera(*lights: tuple[float, np.ndarray], forward: np.ndarray | None = None) -> Camera:
    return Camera(tuple(Calibration(k, m, np.eye(3), forward) for k, m in lights), np.ones(3))


ONE = camera((6500, CM1))
TWO = camera((2850, CM_A), (6500, CM_D65))


def test_white_of_a_neutral_with_one_matrix() -> None:
    assert np.allclose(ONE.white_xy(NEUTRAL), (0.3127, 0.3290), atol=5e-5)


@pytest.mark.parametrize(
    ("sample", "srgb", "xyz_d50"),
    [
        ((0.25, 0.5, 0.3), (0.5, 0.5, 0.5), (0.48211, 0.5, 0.41260)),
        ((0.40, 0.30, 0.12), (0.8, 0.3, 0.2), (0.49297, 0.40515, 0.18309)),
    ],
)
def test_one_matrix_gives_the_surface_colour(sample: tuple, srgb: tuple, xyz_d50: tuple) -> None:
    white = ONE.white_xy(NEUTRAL)
    assert np.allclose(ONE.d50_from_camera(white) @ sample, xyz_d50, atol=5e-5)
    working = ONE.working_from_camera(white) @ sample
    assert np.allclose(SRGB_FROM_WORKING @ working, srgb, atol=2e-4)
    assert np.allclose(XYZ_FROM_SRGB @ (0.8, 0.3, 0.2), (0.47329, 0.39906, 0.24129), atol=5e-5)


def test_forward_matrix_agrees() -> None:
    forward = np.array(
        [[0.43607, 0.38506, 0.14308], [0.22250, 0.71688, 0.06062], [0.01393, 0.09710, 0.71414]]
    )
    with_forward = camera((6500, CM1), forward=forward)
    xyz = with_forward.d50_from_camera(with_forward.white_xy(NEUTRAL)) @ (0.40, 0.30, 0.12)
    # The rows sum to D50 rounded to four digits (.9642), ours to that of its chromaticity: 9e-5 apart.
    assert np.allclose(xyz, (0.49297, 0.40515, 0.18309), atol=5e-5 + 9e-5 * 0.5)


def test_white_of_a_neutral_between_two_matrices() -> None:
    """Confirmed with colour-hdri 0.2.6."""
    white = TWO.white_xy((0.75, 1, 0.45))
    kelvin = float(cct_duv_from_xy(white)[0])
    assert np.allclose(white, (0.42136, 0.40708), atol=2e-5)
    assert kelvin == pytest.approx(3303.8, abs=1)
    assert TWO.share_of_first(kelvin) == pytest.approx(0.7554, abs=3e-4)
    assert np.allclose(TWO.neutral(white), (0.75, 1, 0.45), atol=1e-8)


def test_colour_between_two_matrices() -> None:
    white = TWO.white_xy((0.75, 1, 0.45))
    xyz = TWO.d50_from_camera(white) @ (0.30, 0.25, 0.08)
    assert np.allclose(xyz, (0.3386, 0.2891, 0.1191), atol=1e-4)


PUBLISHED_A = np.array([[0.5309, -0.0229, -0.0336], [-0.6241, 1.3265, 0.3337], [-0.0817, 0.1215, 0.6664]])
PUBLISHED_D65 = np.array([[0.4716, 0.0603, -0.0830], [-0.7798, 1.5474, 0.2480], [-0.1496, 0.1937, 0.6651]])


@pytest.mark.parametrize("turned", [False, True], ids=["A first", "D65 first"])
def test_published_example_of_colour_hdri(turned: bool) -> None:
    """Documentation of colour-hdri 0.2.6: matrix at 5000 K, and a neutral with its chromaticity."""
    lights = [(2850.0, PUBLISHED_A), (6500.0, PUBLISHED_D65)]
    published = camera(*(reversed(lights) if turned else lights))
    share = published.share_of_first(5000)
    first, second = (light.camera_from_xyz for light in published.calibrations)
    mixed = share * first + (1 - share) * second
    assert np.allclose(mixed[0], (0.485491, 0.040811, -0.071428), atol=1e-6)
    neutral = (0.413070, 1, 0.646465)
    assert np.allclose(published.white_xy(neutral), (0.328162, 0.346982), atol=2e-5)
    assert np.allclose(published.neutral((0.328162, 0.346982)), neutral, atol=5e-5)


@pytest.mark.parametrize(
    ("kelvin", "share"), [(3200, 0.8052), (4000, 0.4880), (5000, 0.2342), (2000, 1.0), (9000, 0.0)]
)
def test_share_of_illuminant_a(kelvin: float, share: float) -> None:
    """Linear in 1/CCT, clamped at both ends."""
    assert TWO.share_of_first(kelvin) == pytest.approx(share, abs=5e-5)


def test_calibration_and_analog_balance_cancel_when_the_neutral_has_them() -> None:
    """XYZ to camera is AB x CC x CM; a camera that differs only there sees the same colour."""
    cc, ab = np.diag([1.05, 1.0, 0.97]), np.array([1.1, 1.0, 0.9])
    other = Camera((Calibration(6500, CM1, cc, None),), ab)
    scale = np.diag(ab) @ cc
    neutral = scale @ NEUTRAL
    white = other.white_xy(neutral)
    assert np.allclose(white, D65_XY, atol=5e-5)
    sample = scale @ np.array((0.40, 0.30, 0.12)) / neutral.max()
    assert np.allclose(other.d50_from_camera(white) @ sample, (0.49297, 0.40515, 0.18309), atol=5e-5)


@pytest.mark.parametrize("neutral", [(0, 1, 0.6), (np.nan, 1, 1), (1, 0.01, 0.01)])
def test_a_neutral_that_is_no_light_is_refused(neutral: tuple) -> None:
    with pytest.raises(ValueError, match="AsShotNeutral"):
        TWO.white_xy(neutral)
