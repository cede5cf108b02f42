"""A flaw in a filled floor is found and placed; whole floors have none."""

import math

import cv2
import numpy as np
import pytest

from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame
from panopipe.studies.floor.flaws import gravest_flaw
from tests.scenes.floors import FLOORS, Foot, Stand, see
from tests.scenes.laid_floors import LAID

WIDTH, RADIUS_DEG = 1024, 11.0
FLOOR = {**FLOORS, **LAID}


@pytest.fixture(scope="module")
def whole():
    """Floors as they are, seen straight down, and a hole that nothing was done to."""
    focal_px = frame_focal_px(WIDTH)
    view = straight_down(2 * int(2.8 * math.tan(math.radians(RADIUS_DEG)) * focal_px), focal_px)
    hole = np.hypot(*view.plane()) < math.tan(math.radians(RADIUS_DEG))
    seen = {}
    for name in ("planks", "hexagonal tiles", "carpet", "deck", "grey boards"):
        drawn = see(FLOOR[name](), Stand(heading_deg=20), Foot(5), width=WIDTH, top_pitch_deg=-38)
        seen[name] = view_from_frame(drawn.bare, drawn.first, view)
    return seen, hole


def places(hole):
    middle = (len(hole) - 1) / 2
    rows, columns = np.indices(hole.shape)
    return rows - middle, columns - middle, math.sqrt(hole.sum() / math.pi)


@pytest.mark.parametrize("name", ["planks", "hexagonal tiles", "carpet", "deck", "grey boards"])
def test_a_whole_floor_has_none(whole, name):
    seen, hole = whole
    assert gravest_flaw(seen[name], hole, None).size < 1


@pytest.mark.parametrize("name", ["planks", "hexagonal tiles", "carpet", "grey boards"])
def test_an_arc_of_the_foot_is_found_where_it_lies(whole, name):
    seen, hole = whole
    down, across, radius = places(hole)
    far, turn = np.hypot(down, across), np.arctan2(down, across)
    left = (np.abs(far - 1.05 * radius) < 0.05 * radius) & (np.abs(turn) < 0.5)
    flaw = gravest_flaw(seen[name] * (1 - 0.5 * left[..., None]).astype(np.float32), hole, None)
    assert flaw.size > 1
    assert flaw.beside
    middle = (len(hole) - 1) / 2
    assert np.hypot(flaw.row - middle, flaw.column - middle - 1.05 * radius) < 0.6 * radius


@pytest.mark.parametrize("name", ["planks", "hexagonal tiles", "carpet", "grey boards"])
def test_the_poles_shadow_is_found(whole, name):
    seen, hole = whole
    down, across, radius = places(hole)
    along, aside = 0.8 * across + 0.6 * down, 0.8 * down - 0.6 * across
    loss = 0.25 * np.exp(-np.square(aside / (0.08 * radius))) * (along > radius) * (along < 2.5 * radius)
    assert gravest_flaw(seen[name] * (1 - loss[..., None]).astype(np.float32), hole, None).size > 1


@pytest.mark.parametrize("name", ["hexagonal tiles", "deck"])
def test_a_half_moved_aside_is_found(whole, name):
    seen, hole = whole
    _, across, radius = places(hole)
    moved = np.roll(seen[name], (round(0.3 * radius), round(0.2 * radius)), (0, 1))
    torn = np.where((hole & (across < 0))[..., None], moved, seen[name])
    flaw = gravest_flaw(torn, hole, None)
    assert flaw.kind in ("pattern", "joint")
    assert flaw.size > 1


@pytest.mark.parametrize("name", ["planks", "hexagonal tiles", "carpet"])
def test_a_smear_is_found(whole, name):
    seen, hole = whole
    down, across, radius = places(hole)
    soft = cv2.GaussianBlur(seen[name], (0, 0), 5)
    smeared = np.where((np.hypot(down, across) < 0.6 * radius)[..., None], soft, seen[name])
    flaw = gravest_flaw(smeared, hole, None)
    assert (flaw.kind, flaw.beside) == ("blur", False)
    assert flaw.size > 1


def test_a_joint_of_large_tiles_is_no_line_and_half_of_it_is():
    """The joint nearest to the middle has no like within a hole's radius, but goes on behind the hole."""
    size, radius = 400, 70.0
    hole = np.hypot(*(np.indices((size, size)) - size / 2)) < radius
    down, across, _ = places(hole)
    rng = np.random.default_rng(2)
    even = 0.4 * (1 + 0.02 * rng.standard_normal((size, size)))
    spacing = 1.6 * radius
    off = np.abs((down - 0.08 * radius + spacing / 2) % spacing - spacing / 2)
    joint = np.where(off < 3, 0.85, 1.0)
    tiles, shadow = even * joint, even * np.where(across < radius, 1.0, joint)
    drawn = [np.repeat(one[..., None], 3, -1).astype(np.float32) for one in (tiles, shadow)]
    assert gravest_flaw(drawn[0], hole, None).size < 1
    assert gravest_flaw(drawn[1], hole, None).kind == "line"
    assert gravest_flaw(drawn[1], hole, None).size > 1


def test_the_shade_beside_a_mat_is_no_line():
    """Darker than the floor on one side, and than the mat that comes in aslant on the other, in part."""
    size, radius, turn = 400, 70.0, math.radians(12)
    hole = np.hypot(*(np.indices((size, size)) - size / 2)) < radius
    down, across, _ = places(hole)
    onto = math.sin(turn) * (across / radius - 1.9) + math.cos(turn) * down / radius
    light = 0.3 * (1 + 0.01 * np.random.default_rng(3).standard_normal((size, size)))
    light *= 1 - 0.12 * np.exp(np.minimum(onto, 0) / 0.3)
    light = np.where((onto > 0) & (across > 0), 1.6 * light, light)
    assert gravest_flaw(np.repeat(light[..., None], 3, -1).astype(np.float32), hole, None).size < 1
