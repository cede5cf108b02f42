import numpy as np
import pytest

from panopipe.colour.oklab import oklab_from_working, working_from_oklab
from panopipe.colour.spaces import WORKING_FROM_SRGB, WORKING_FROM_XYZ
from tests.measures.oklab import chroma_hue


@pytest.mark.outside
@pytest.mark.parametrize(
    ("xyz", "lab"),
    [
        ((0.950, 1.0, 1.089), (1.0, 0.0, 0.0)),
        ((1.0, 0.0, 0.0), (0.450, 1.236, -0.019)),
        ((0.0, 1.0, 0.0), (0.922, -0.671, 0.263)),
        ((0.0, 0.0, 1.0), (0.153, -1.415, -0.449)),
    ],
)
def test_table_of_its_author(xyz: tuple[float, ...], lab: tuple[float, ...]) -> None:
    # B. Ottosson, A perceptual color space for image processing, 2020: table of test values, three digits.
    assert np.allclose(oklab_from_working(WORKING_FROM_XYZ @ np.array(xyz)), lab, rtol=0, atol=1e-3)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("srgb", "lightness", "chroma", "hue_deg"),
    [
        ((1, 0, 0), 0.6279, 0.2577, 29.2),
        ((0, 1, 0), 0.8665, 0.2948, 142.5),
        ((0, 0, 1), 0.4520, 0.3133, 264.1),
    ],
)
def test_primaries_of_srgb(srgb: tuple[float, ...], lightness: float, chroma: float, hue_deg: float) -> None:
    # W3C CSS Color Module Level 4, section 9.2 and its sample code.
    lab = oklab_from_working(WORKING_FROM_SRGB @ np.array(srgb))
    found_chroma, found_hue = chroma_hue(lab)
    assert lab[0] == pytest.approx(lightness, abs=2e-4)
    assert found_chroma == pytest.approx(chroma, abs=2e-4)
    assert found_hue == pytest.approx(hue_deg, abs=0.1)


def test_grey_is_the_cube_root_and_has_no_chroma() -> None:
    lab = oklab_from_working([0.18, 0.18, 0.18])
    assert lab[0] == pytest.approx(0.18 ** (1 / 3), abs=1e-6)
    assert np.hypot(*lab[1:]) < 2e-4


def test_there_and_back_even_for_negative_light() -> None:
    light = np.random.default_rng(1).uniform(-0.2, 4, (500, 3))
    assert np.allclose(working_from_oklab(oklab_from_working(light)), light, rtol=0, atol=1e-12)


def test_twice_the_light_is_the_cube_root_of_two_in_oklab() -> None:
    light = np.random.default_rng(2).uniform(0, 1, (100, 3))
    assert np.allclose(oklab_from_working(2 * light), 2 ** (1 / 3) * oklab_from_working(light), atol=1e-12)
