"""A pole's thin shadow is found where it starts under the camera, and goes; joints are none."""

import cv2
import numpy as np
import pytest

from panopipe.studies.floor.outline import circle
from panopipe.studies.floor.pole_shadow import PoleShadow, find_pole_shadows
from panopipe.studies.floor.shadow_fill import without_shadows
from tests.scenes.floors import FLOORS, HELD_OUT, Foot, Stand, see

WIDTH, FIRST_DEG = 2048, 64
ALL = {**FLOORS, **HELD_OUT}


def bare(name):
    seen = see(
        ALL[name](), Stand(0.4, 0.3, heading_deg=20), Foot(8), width=WIDTH, top_pitch_deg=FIRST_DEG - 90
    )
    frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
    frame[seen.first :] = seen.bare
    return frame, seen.first


def shadow_left(yaw_deg, reach, depth=0.5, half=0.01):
    """Share of light beside a pole's shadow whose edge is as soft as the sun's over a metre and a half."""
    height = WIDTH // 2
    far = np.tan(np.pi / height * (height - np.arange(height // 2, height) - 0.5))[:, None]
    yaw = np.radians((np.arange(WIDTH) + 0.5) * 360 / WIDTH - 180 - yaw_deg)
    ahead, aside = far * np.cos(yaw), far * np.sin(yaw)
    inside = np.clip((half - np.abs(aside)) / 0.006 + 0.5, 0, 1) * (ahead > 0) * (ahead < reach)
    left = np.ones((height, WIDTH, 1), np.float32)
    left[height // 2 :, :, 0] = 1 - depth * inside
    return left


def reduced(frame):
    return cv2.resize(frame, (1024, 512), interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("name", ["planks", "carpet", "square tiles", "brick"])
def test_a_shadow_goes_and_nothing_else_changes(name):
    frame, first = bare(name)
    dark = frame * shadow_left(70, 1.2)
    shadows = find_pole_shadows(reduced(dark))
    assert any(abs(one.yaw_deg - 70) < 1 and 0.9 < one.reach < 1.5 for one in shadows)
    without = dark.copy()
    without_shadows(without[first:], first, shadows, circle(8.0))
    height = WIDTH // 2
    row = height - round(np.degrees(np.arctan(1.0)) * height / 180)
    strip = (shadow_left(70, 1.2)[..., 0] < 0.6) & (np.arange(height) > row)[:, None]
    strip &= (np.arange(height) < height - 12 * height / 180)[:, None]
    # Another board's grain is no shadow: what is left of the shadow is the mean over the strip.
    left = [np.log(shown[strip] / frame[strip]).mean() for shown in (dark, without)]
    # Half of the light was gone: log 2 = .69. A loss of 3 % is what counts as shadow.
    assert left[0] < -0.55
    assert abs(left[1]) < 0.03
    # Beside the shadow the floor keeps its bits: a strip of seven half widths is looked at.
    far = shadow_left(70, 3.0, half=0.06)[..., 0] == 1
    assert np.array_equal(without[far], dark[far])


@pytest.mark.parametrize("name", [*ALL])
def test_a_floor_alone_has_no_pole_shadow(name):
    assert find_pole_shadows(reduced(bare(name)[0])) == ()


def test_the_upright_edge_of_a_door_is_no_shadow():
    """What stands upright points to the nadir: a line that is dark from the door on only."""
    frame, _ = bare("carpet")
    left = shadow_left(70, 1.7, depth=0.35)
    height = WIDTH // 2
    far = np.tan(np.pi / height * (height - np.arange(height // 2, height) - 0.5))[:, None, None]
    left[height // 2 :] = np.where(far < 0.36, 1, left[height // 2 :])
    assert find_pole_shadows(reduced(frame * left)) == ()


def along_the_floor(yaw_deg):
    """Angle from the nadir of each row, and how far each pixel lies that way, in camera heights."""
    height = WIDTH // 2
    angle = np.pi / height * (height - np.arange(height) - 0.5)
    yaw = np.radians((np.arange(WIDTH) + 0.5) * 360 / WIDTH - 180)
    return angle, np.tan(np.minimum(angle, 1.5))[:, None] * np.cos(yaw - np.radians(yaw_deg))


def test_a_soft_shadow_over_a_rugs_edge_leaves_the_edge():
    """A lamp's shadow, broad and faint, is taken off: what lies under it, an edge too, stays as it is."""
    frame, first = bare("carpet")
    angle, ahead = along_the_floor(40)
    frame[ahead > 0.55] *= np.array((0.4, 0.9, 0.7), np.float32)
    left = shadow_left(70, 1.3, depth=0.2, half=0.03)
    shadows = find_pole_shadows(reduced(frame * left))
    assert any(abs(one.yaw_deg - 70) < 1.5 for one in shadows)
    without = frame * left
    without_shadows(without[first:], first, shadows, circle(8.0))
    strip = (left[..., 0] < 0.81) & (angle > np.radians(12))[:, None] & (angle < np.radians(45))[:, None]
    lost = np.log(without[strip] / frame[strip])
    # Of the 22 % that were gone, no more is left than what counts as shadow, nor has the rug's edge moved:
    # that would show as the logarithm of .4.
    assert abs(lost.mean()) < 0.03
    assert np.percentile(np.abs(lost), 98) < 0.12


@pytest.mark.parametrize("name", ["planks", "terrazzo", "square tiles", "carpet"])
def test_two_lamps_throw_two_shadows(name):
    """The fainter one stands out of a loud floor less than a line by itself must to be believed."""
    frame, _ = bare(name)
    dark = (
        frame * shadow_left(70, 1.0, depth=0.18, half=0.018) * shadow_left(-64, 0.8, depth=0.08, half=0.018)
    )
    found = find_pole_shadows(reduced(dark))
    assert len(found) == 2
    assert abs(found[0].yaw_deg - 70) < 2
    assert abs(found[1].yaw_deg + 64) < 2


def test_a_lamps_shadow_over_coloured_stripes_is_taken_off_and_the_stripes_stay():
    """Stripes are lighter and darker than each other by far more than the shadow takes, and cross it."""
    frame, first = bare("carpet")
    angle, across = along_the_floor(25 + 90)
    frame[np.floor(across / 0.13) % 2 == 1] *= np.array((0.8, 0.5, 0.55), np.float32)
    left = shadow_left(70, 0.8, depth=0.14, half=0.02)
    shadows = find_pole_shadows(reduced(frame * left))
    assert any(one.by_colour and abs(one.yaw_deg - 70) < 3 for one in shadows)
    without = frame * left
    without_shadows(without[first:], first, shadows, circle(8.0))
    strip = (left[..., 0] < 0.87) & (angle > np.radians(12))[:, None] & (angle < np.radians(30))[:, None]
    lost = [np.log(shown[strip] / frame[strip]) for shown in (frame * left, without)]
    # Half of the 15 % at least is given back, and no stripe has moved (.6 in the logarithm).
    assert abs(lost[1].mean()) < 0.5 * abs(lost[0].mean())
    assert np.percentile(np.abs(lost[1]), 98) < 0.15


def test_a_shadow_lies_over_what_is_ahead_of_the_foot_and_beside_its_line() -> None:
    shadow = PoleShadow(90.0, 0.05, 1.0, half=0.01, widening=0.02, depth=0.2, begin=0.1)
    # Seen along yaw 90 the right is behind the nadir.
    right, ahead = np.array([0.5, 0.5, 0.5, -0.5, 0.05]), np.array([-0.05, 0.05, -0.1, -0.05, -0.05])
    assert shadow.over(right, ahead, 0.005).tolist() == [True, False, False, False, False]
    assert shadow.over(right, ahead, 0.02).tolist() == [True, False, True, False, False]
