"""The border of a view follows what the picture shows, not the pixels of the zone."""

import numpy as np
import pytest

from panopipe.pixels.render import read_planes
from panopipe.studies.light.base import LEVEL_EV
from panopipe.studies.light.border import border
from tests.studies.light.test_zone import WHITE_EV, room, window

LOWEST_EV, LEVELS = -12.0, 64


def share_of(zone: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """How far each pixel of a frame as large as its zone is rendered as view."""
    rows = rows.astype(np.float32)
    light_ev = np.log2(rows.mean(axis=-1))
    planes = border(zone, light_ev, rows, LOWEST_EV)
    level = (light_ev - np.float32(LOWEST_EV)) / np.float32(LEVEL_EV)
    shares = [read_planes(planes[1 + at], row.T.copy(), level[at], LEVELS) for at, row in enumerate(rows)]
    return np.stack(shares)


def test_the_border_follows_the_bars() -> None:
    rows = room() * 2.0**WHITE_EV
    place = window(rows)
    zone = np.zeros(rows.shape[:2], bool)
    zone[place] = True
    zone[:, 328:332] = False
    share = share_of(zone, rows)
    assert share[zone].mean() > 0.97
    assert share[230:280, 329:331].mean() < 0.02  # bars
    assert share[:200].max() == 0
    assert np.all(share[:, 400:] == 0)


def test_where_nothing_tells_a_view_from_the_room_the_border_is_the_zones_without_its_stairs() -> None:
    across = np.arange(128)
    zone = (np.arange(64)[:, None] < 30 + across // 16) & (across >= 20) & (across < 108)
    share = share_of(zone, np.full((64, 128, 3), 0.5))
    assert share[10, 64] > 0.99
    assert share[50, 64] < 0.01
    middle = share[:, 30:98].sum(axis=0)  # where the border runs, to a part of a pixel
    assert np.abs(np.diff(middle)).max() < 0.5  # the zone's own steps are 1
    assert middle == pytest.approx(30 + (across[30:98] - 7.5) / 16, abs=0.6)


def test_of_one_brightness_with_the_room_a_view_ends_where_colours_change() -> None:
    """Deck before a floor: the zone's notched foot is a pixel off, light says nothing, colour does."""
    random = np.random.default_rng(2)
    rows = np.empty((64, 128, 3))
    rows[:36], rows[36:] = (0.28, 0.33, 0.4), (0.45, 0.32, 0.22)
    rows /= rows.mean(axis=-1, keepdims=True) * np.exp2(0.1 * random.standard_normal((64, 128, 1)))
    zone = np.zeros(rows.shape[:2], bool)
    zone[10:36, 20:108] = True
    zone[35:37, 20:108] = np.arange(88) // 6 % 2 == 0
    share = share_of(zone, rows)
    assert share[34:36, 30:98].min() > 0.9
    assert share[36:38, 30:98].max() < 0.1


def test_a_dash_in_the_zone_leaves_no_dash_in_the_picture() -> None:
    """An upright bar of which the zone lacks every other piece."""
    rows = room()
    rows[:] = (0.05, 0.12, 0.04)
    rows[:, 60:62] = (0.1, 0.08, 0.06)
    zone = np.ones(rows.shape[:2], bool)
    zone[:, 200:] = False
    zone[:, 60:62] = (np.arange(len(zone)) // 4 % 2 == 0)[:, None]
    share = share_of(zone, rows)[50:-50]
    assert share[:, 60:62].max() < 0.1
    assert share[:, 40:59].min() > 0.9
