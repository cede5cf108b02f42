"""Exposure evened over a room, against the closed form of gain compensation."""

import numpy as np
import pytest

from panopipe.studies.white.evenness import even_gains
from panopipe.studies.white.matches import Pair, Shared


def pair(first: int, second: int, ev: float) -> Pair:
    return Pair(first, second, Shared(40, (0.0, 0.0, ev * float(np.log(2))), 0.001))


def test_two_frames_meet_in_the_middle() -> None:
    first, second = even_gains(["a", "a"], [pair(0, 1, 0.4)], [1.0, 1.0])
    assert first == pytest.approx(-0.2, abs=0.005)
    assert second == pytest.approx(0.2, abs=0.005)


def test_closed_form() -> None:
    # Minimum of (g/s)^2 + (h/s)^2 + ((g - h + d)/m)^2: g = -h = -d / (2 + (m/s)^2).
    first, _ = even_gains(["a", "a"], [pair(0, 1, 0.4)], [1.0, 1.0])
    assert first == pytest.approx(-0.4 / (2 + (0.05 / 0.5) ** 2), rel=1e-9)


def test_off_by_default_and_never_past_the_limit() -> None:
    assert even_gains(["a", "a"], [pair(0, 1, 1.0)], [0.0, 0.0]) == [0.0, 0.0]
    assert max(np.abs(even_gains(["a", "a"], [pair(0, 1, 1.0)], [0.1, 0.1]))) <= 0.1


def test_a_frame_that_may_not_move_is_met() -> None:
    first, second = even_gains(["a", "a"], [pair(0, 1, 0.4)], [0.0, 1.0])
    assert first == pytest.approx(0, abs=1e-5)
    assert second == pytest.approx(0.4, abs=0.01)


def test_rooms_keep_their_exposures() -> None:
    assert even_gains(["a", "b"], [pair(0, 1, 1.0)], [1.0, 1.0]) == [0.0, 0.0]
