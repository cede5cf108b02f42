import numpy as np
import pytest

from panopipe.studies.light.base import find_base, log2_luminance
from panopipe.studies.light.outlook import BRIGHTEST_EV, MEDIAN_EV, exposed, outlook
from tests.studies.light.test_zone import WHITE_EV, room, window


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
        seen = outlook(zone, light_ev, base, shown_ev)
        assert seen is not None
        return float(2 ** np.percentile((light_ev + seen.gains.nearest(light_ev))[zone], 98))

    assert sky(0.1) < 0.7  # all is dark: so is the sky, or it would glow
    assert sky(0.6) > 0.8


def test_no_view_no_outlook() -> None:
    light = np.zeros((128, 256), np.float32)
    assert outlook(np.zeros(light.shape, bool), light, find_base(light)) is None


def test_the_border_follows_the_bars() -> None:
    rows = room()
    place = window(rows)
    light_ev = np.log2(rows.mean(axis=-1)).astype(np.float32) + np.float32(WHITE_EV)
    zone = np.zeros(light_ev.shape, bool)
    zone[place] = True
    zone[:, 328:332] = False
    small = log2_luminance(np.exp2(light_ev)[..., None].repeat(3, axis=-1), np.full(3, 1 / 3))
    base = find_base(small)
    found = outlook(zone, light_ev, base)
    assert found is not None
    slope, offset = np.moveaxis(found.lines[1:-1, 1:-1], -1, 0)
    share = np.clip((light_ev - base.lowest_ev) / 0.4 * slope + offset, 0, 1)
    assert share[zone].mean() > 0.97
    assert share[230:280, 329:331].mean() < 0.02  # bars
    assert share[:200].max() == 0
    assert np.all(share[:, 400:] == 0)


def test_where_a_view_is_as_dark_as_the_frame_the_border_is_the_zones() -> None:
    zone = np.zeros((64, 128), bool)
    zone[20:40, 40:60] = True
    light_ev = np.full(zone.shape, -1.0, np.float32)
    found = outlook(zone, light_ev, find_base(light_ev))
    assert found is not None
    at = 1 + np.array([30, 30]), 1 + np.array([41, 38])  # inside and outside, beside the border
    slope, offset = found.lines[at].T
    share = np.clip(slope * (-1.0 - found.gains.lowest_ev) / found.gains.level_ev + offset, 0, 1)
    assert share[0] > 0.99
    assert share[1] < 0.01
