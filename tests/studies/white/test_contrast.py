"""What stands out from the surfaces around it as white things do."""

import numpy as np
import pytest

from panopipe.studies.white.contrast import BRIGHT_EV, BRIGHT_OVER_EV, TIMES, stands_out

RAIL, SOCKET = np.s_[128:130, :], np.s_[100:104, 200:204]


def walls(over_ev: float) -> np.ndarray:
    """A rail and a socket that much brighter than the walls around them."""
    light = np.full((256, 512), -3.0)
    light[RAIL] += over_ev * np.log(2)
    light[SOCKET] = -3.0 + over_ev * np.log(2)
    return light


def test_what_is_surely_bright_enough_stands_out_and_the_wall_does_not() -> None:
    found = stands_out(walls(BRIGHT_EV + BRIGHT_OVER_EV + 0.01))
    assert found[RAIL].min() == pytest.approx(1)
    assert found[SOCKET].min() == pytest.approx(1)
    found[RAIL] = found[SOCKET] = 0
    assert found.max() == 0


def test_a_wall_of_light_colour_does_not_stand_out() -> None:
    assert stands_out(walls(BRIGHT_EV - 0.01)).max() == 0


@pytest.mark.parametrize("cells", [7, 64])
def test_it_turns_with_the_frame_and_closes_over_the_poles(cells: int) -> None:
    light = np.random.default_rng(3).normal(-2, 1, (256, 512))
    turned = stands_out(np.roll(light, cells * TIMES, axis=1))
    np.testing.assert_allclose(turned, np.roll(stands_out(light), cells * TIMES, axis=1), atol=1e-6)
