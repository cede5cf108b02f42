import numpy as np
import pytest

from panopipe.studies.light.base import find_base
from panopipe.studies.light.outlook import BRIGHTEST_EV, MEDIAN_EV, exposed, outlook


def test_a_view_is_exposed_by_its_own_median() -> None:
    light = np.random.default_rng(1).normal(3.0, 0.2, 5000).astype(np.float32)
    assert exposed(np.array([3.0]), light)[0] + 3.0 == pytest.approx(MEDIAN_EV, abs=0.05)


def test_a_bright_sky_is_held_below_white_and_the_land_stays_readable() -> None:
    light = np.concatenate([np.full(700, 2.0), np.full(300, 7.0)]).astype(np.float32)
    shown = np.array([2.0, 7.0]) + exposed(np.array([2.0, 7.0]), light)
    assert shown[1] == pytest.approx(BRIGHTEST_EV, abs=0.01)
    assert shown[0] > MEDIAN_EV - 0.5


def test_what_is_brighter_in_a_view_stays_brighter() -> None:
    light = np.concatenate([np.full(700, 2.0), np.full(300, 7.0)]).astype(np.float32)
    levels = np.linspace(-5, 14, 400)
    assert np.diff(levels + exposed(levels, light)).min() > 0


def test_a_sky_beside_a_dark_wall_is_held_to_the_rooms_paint() -> None:
    """Beside a plum wall under a white ceiling skies had turned grey: L* 77, darker than the sash."""
    zone = np.zeros((128, 256), bool)
    zone[55:75, 100:140] = True
    light_ev = np.full(zone.shape, -2.0, np.float32)
    light_ev[zone] = np.linspace(3, 9, zone.sum(), dtype=np.float32)
    base = find_base(light_ev)

    def sky(ceiling: float) -> float:
        shown_ev = np.full(zone.shape, np.log2(0.1), np.float32)
        shown_ev[:56] = np.log2(ceiling)
        seen = outlook(zone, light_ev, np.exp2(light_ev)[..., None].repeat(3, axis=-1), base, shown_ev)
        assert seen is not None
        return float(2 ** np.percentile((light_ev + seen.gains.nearest(light_ev))[zone], 98))

    assert sky(0.1) < 0.7  # all is dark: so is the sky, or it would glow
    assert sky(0.6) > 0.8


def test_no_view_no_outlook() -> None:
    light = np.zeros((128, 256), np.float32)
    assert (
        outlook(np.zeros(light.shape, bool), light, light[..., None].repeat(3, axis=-1), find_base(light))
        is None
    )
