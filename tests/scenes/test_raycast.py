"""The ray-caster's own truth: what it says of light and surface is what it draws."""

import numpy as np
import pytest

from panopipe.colour.observer import MATCHING_FUNCTIONS
from panopipe.colour.spaces import xy_from_xyz
from panopipe.colour.temperature import daylight_xy, xy_from_cct_duv
from tests.scenes.house import small_room
from tests.scenes.raycast import Picture, render
from tests.scenes.spectra import colour, daylight, halogen, led, surface


@pytest.fixture(scope="module")
def picture() -> Picture:
    return render(small_room(), (2.5, 1.5, 2.0), 256)


def test_a_grey_card_shows_its_light(picture: Picture) -> None:
    assert set(picture.cards) == {"back", "left"}
    for mask in picture.cards.values():
        share = picture.rows[mask] / picture.illuminant[mask]
        assert share.mean() == pytest.approx(0.5, abs=0.01)
        assert np.ptp(share.mean(axis=0)) < 1e-3  # grey under any light


def test_the_window_is_stops_above_the_room(picture: Picture) -> None:
    seen = picture.rows[..., 1]
    assert np.percentile(seen, 99) > 8 * np.median(seen)


def test_it_closes_left_to_right(picture: Picture) -> None:
    floor = picture.rows[-4:]
    assert np.abs(floor[:, 0] - floor[:, -1]).mean() < 0.2 * floor.mean()


def test_the_same_every_time(picture: Picture) -> None:
    again = render(small_room(), (2.5, 1.5, 2.0), 256)
    np.testing.assert_array_equal(picture.rows, again.rows)


@pytest.mark.parametrize(
    ("light", "xy"),
    [
        (halogen(2700), xy_from_cct_duv(2700)),
        (led(4000, 0.002), xy_from_cct_duv(4000, 0.002)),
        (daylight(6500), daylight_xy(6500)),
    ],
)
def test_lights_have_the_chromaticity_they_are_asked_for(light: np.ndarray, xy: np.ndarray) -> None:
    np.testing.assert_allclose(xy_from_xyz(light @ MATCHING_FUNCTIONS), xy, atol=1e-5)


def test_a_flat_surface_is_grey_under_every_light() -> None:
    for light in (halogen(2500), led(3000), daylight(6500)):
        np.testing.assert_allclose(colour(light, surface(0.4, 0.4, 0.4)), 0.4 * colour(light), rtol=1e-9)
