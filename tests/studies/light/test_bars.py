"""Bars between the panes of a window get the light of the room, and nothing else does."""

import numpy as np
import pytest

from panopipe.studies.light.bars import bars_relit

LAMPS, DAY = np.array([1.0, 1.0, 1.0]), np.array([1.5, 1.0, 0.5])
ZONE = np.zeros((256, 512), bool)
ZONE[100:140, 200:225] = ZONE[100:140, 228:253] = True
"""Two panes, and a bar of 2 degrees between them."""


def evened() -> np.ndarray:
    """Gains by place: those of daylight in the window and on its reveals, those of lamps all around."""
    gains = np.tile(LAMPS, (258, 514, 1))
    gains[97:145, 197:258] = DAY
    return gains.astype(np.float32)


def test_bars_get_the_light_around_the_window() -> None:
    relit = bars_relit(evened(), ZONE)[1:-1, 1:-1]
    assert relit[120, 226] * DAY == pytest.approx(LAMPS, abs=0.02)


def test_nothing_else_is_changed() -> None:
    # Frame, reveals and sill have the day's light.
    relit, window = bars_relit(evened(), ZONE)[1:-1, 1:-1], np.zeros(ZONE.shape, bool)
    window[100:140, 200:253] = True
    assert np.all(relit[~window] == 1)


def test_a_frame_that_is_all_view_keeps_its_light() -> None:
    relit = bars_relit(evened(), np.ones(ZONE.shape, bool))
    assert np.isfinite(relit).all()
