"""The shadow of a spread leg starts where the leg stands; a joint through the same place does not."""

from __future__ import annotations

import math

import numpy as np
import pytest

from panopipe.studies.floor.leg_shadow import find_leg_shadows

WIDTH = 1024
YAW_DEG, FAR = 40.0, 0.28
UNDER_DEG = np.full(256, 8.0)


def _frame(darken) -> np.ndarray:
    """A floor with some texture, times what a function of places (right, ahead, in heights) leaves of it."""
    height = WIDTH // 2
    angle = np.radians((height - np.arange(height) - 0.5) * 180 / height)[:, None]
    yaw = np.radians((np.arange(WIDTH) + 0.5) * 360 / WIDTH - 180)
    far = np.tan(np.minimum(angle, math.radians(85)))
    light = 0.3 * (1 + 0.02 * np.random.default_rng(5).standard_normal((height, WIDTH)))
    left = darken(far * np.sin(yaw), far * np.cos(yaw))
    return np.repeat((light * left)[..., None], 3, axis=2).astype(np.float32)


def _line(x, y, towards_deg: float, *, behind: bool, beside: float = 0.0) -> np.ndarray:
    """What a line .024 heights wide through the leg's end leaves: 70 %."""
    yaw, towards = math.radians(YAW_DEG), math.radians(towards_deg)
    x, y = x - FAR * math.sin(yaw), y - FAR * math.cos(yaw)
    ahead = x * math.sin(towards) + y * math.cos(towards)
    aside = x * math.cos(towards) - y * math.sin(towards) - beside
    on = (np.abs(aside) < 0.012) & ((ahead > 0) | behind) & (np.abs(ahead) < 0.6)
    return np.where(on, 0.7, 1.0)


@pytest.mark.parametrize("towards_deg", [100.0, -20.0, 170.0])
def test_a_shadow_from_the_end_of_a_leg_is_found(towards_deg: float) -> None:
    frame = _frame(lambda x, y: _line(x, y, towards_deg, behind=False))
    (shadow,) = find_leg_shadows(frame, [(YAW_DEG, FAR)], UNDER_DEG, ())
    # A pixel of the view it is looked for in is .006 heights; the line is .4 heights long there.
    assert abs((shadow.yaw_deg - towards_deg + 180) % 360 - 180) < 2
    turn = math.radians(YAW_DEG - towards_deg)
    assert shadow.offset == pytest.approx(FAR * math.sin(turn), abs=0.02)
    assert shadow.begin == pytest.approx(FAR * math.cos(turn), abs=0.02)
    assert shadow.reach - shadow.begin == pytest.approx(0.6, abs=0.1)
    assert 0.2 < shadow.depth < 0.4  # ln(1 / .7) is .36, less what the view softens


def test_a_joint_that_runs_on_behind_the_leg_is_none() -> None:
    frame = _frame(lambda x, y: _line(x, y, 100.0, behind=True))
    assert find_leg_shadows(frame, [(YAW_DEG, FAR)], UNDER_DEG, ()) == ()


def test_one_of_many_parallel_lines_is_none() -> None:
    frame = _frame(
        lambda x, y: np.prod(
            [_line(x, y, 100.0, behind=False, beside=by) for by in (-0.2, -0.1, 0, 0.1, 0.2)], axis=0
        )
    )
    assert find_leg_shadows(frame, [(YAW_DEG, FAR)], UNDER_DEG, ()) == ()


def test_a_plain_floor_has_none() -> None:
    frame = _frame(lambda x, y: np.ones(np.broadcast(x, y).shape))
    assert find_leg_shadows(frame, [(YAW_DEG, FAR), (160.0, FAR)], UNDER_DEG, ()) == ()
