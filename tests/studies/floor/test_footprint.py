"""The foot is found on floors it was not told about, whatever way the frames are turned."""

import cv2
import numpy as np
import pytest

from panopipe.sphere.views import straight_down
from panopipe.studies.floor.footprint import _with_all_legs, _without_edges, find_footprint, ring_map
from panopipe.studies.floor.outline import circle, outline_of_picture
from tests.scenes.floors import FLOORS, HELD_OUT, Foot, Stand, see
from tests.scenes.laid_floors import LAID

WIDTH = 1024
ALL = {**FLOORS, **HELD_OUT, **LAID}


def maps(foot, floors=("planks", "square tiles", "carpet", "deck")):
    made, frames = [], []
    for at, name in enumerate(floors):
        stand = Stand(0.3 * at, 0.7, heading_deg=70 * at, light_yaw_deg=100 * at, seed=at)
        seen = see(FLOORS[name](), stand, foot, width=WIDTH, top_pitch_deg=-50)
        frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
        frame[seen.first :] = seen.rows
        made.append(ring_map(frame))
        frames.append((frame, seen))
    return made, frames


def mask_errors(footprint, seen):
    """Share of foot and shadow that is not covered, and floor covered over their area, by solid angle."""
    height = WIDTH // 2
    angle = (height - np.arange(seen.first, height) - 0.5) * 180 / height
    yaw = (np.arange(WIDTH) + 0.5) * 360 / WIDTH
    reach = np.interp(yaw, np.arange(360) + 0.5, footprint.outline.grown(0.5).radius_deg, period=360)
    covered, true = angle[:, None] < reach, seen.foot | seen.shadow
    weight = np.sin(np.radians(angle))[:, None]
    area = (weight * true).sum()
    return (weight * (true & ~covered)).sum() / area, (weight * (covered & ~true)).sum() / area


@pytest.mark.parametrize("radius_deg", [6, 10, 14])
def test_the_foot_is_covered_and_not_much_else(radius_deg):
    made, frames = maps(Foot(radius_deg))
    for footprint, (_, seen) in zip(find_footprint(made), frames, strict=True):
        assert footprint.certainty > 0.5
        missed, taken = mask_errors(footprint, seen)
        # The bars of the job: under 1 % missed, needless cover under 60 % of the true area.
        assert missed < 0.01
        assert taken < 0.6


@pytest.mark.parametrize("name", ["deck", "herringbone", "square tiles", "rug edge"])
def test_a_shadow_across_a_pattern_is_covered_whatever_its_direction(name):
    # Boards, blocks and tiles are darker and lighter than their neighbours by as much as a shadow.
    made, _ = maps(Foot(10, toes=3), ("planks", "square tiles", "carpet", "hexagonal tiles"))
    for light_yaw_deg in (20, 110, 200, 290):
        stand = Stand(0.9, 0.4, heading_deg=65, light_yaw_deg=light_yaw_deg, seed=9)
        seen = see(ALL[name](), stand, Foot(10, toes=3), width=WIDTH, top_pitch_deg=-50)
        frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
        frame[seen.first :] = seen.rows
        missed, taken = mask_errors(find_footprint([ring_map(frame), *made])[0], seen)
        assert missed < 0.01
        # The worst that the job allows: rather some floor beside the toes than a sliver of one.
        assert taken < 1.2


def test_a_turned_frame_has_a_turned_outline():
    made, frames = maps(Foot(10, toes=3))
    straight = find_footprint(made)
    again = find_footprint([made[0], ring_map(np.roll(frames[1][0], 256, axis=1)), *made[2:]])
    # The outline is known in steps of .35 degrees and 1.4 of direction: at a toe's edge a step is all of it.
    apart = np.abs(again[1].foot.radius_deg - np.roll(straight[1].foot.radius_deg, 90))
    assert np.mean(apart < 0.75) > 0.9


def test_bare_floors_have_no_foot():
    frames = []
    for at, name in enumerate(("planks", "carpet", "square tiles")):
        seen = see(FLOORS[name](), Stand(0.3 * at, seed=at), Foot(8), width=WIDTH, top_pitch_deg=-50)
        frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
        frame[seen.first :] = seen.bare
        frames.append(ring_map(frame))
    assert all(footprint.certainty < 0.3 for footprint in find_footprint(frames))


def butts_under_the_camera(x, y):
    """Pale boards whose ends meet in one dark line near the camera."""
    gap = (np.abs(np.mod(x + 0.05, 0.14) - 0.07) > 0.066) | ((np.abs(y - 0.05) < 0.006) & (np.abs(x) < 0.4))
    board = 0.45 + 0.05 * np.sin(37 * np.floor((x + 0.05) / 0.14)) + 0.01 * np.sin(300 * x + 2 * y)
    return (np.where(gap, 0.03, board)[..., None] * np.array((1.0, 0.85, 0.66))).astype(np.float32)


@pytest.mark.parametrize("name", ["butts", "planks", "carpet", "speckled lino", "herringbone"])
@pytest.mark.parametrize("shaded", [False, True])
def test_joints_and_the_hard_shade_of_a_chair_are_no_support(name, shaded):
    floor = {**ALL, "butts": lambda: butts_under_the_camera}[name]()
    seen = see(floor, Stand(0.02, 0.01, heading_deg=25), Foot(8), width=WIDTH, top_pitch_deg=-50)
    frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
    frame[seen.first :] = seen.bare
    if shaded:
        far = np.tan((np.arange(WIDTH // 2, seen.first, -1) - 0.5) * 2 * np.pi / WIDTH)[:, None]
        yaw = (np.arange(WIDTH) + 0.5) * 2 * np.pi / WIDTH
        seat = (np.abs(far * np.sin(yaw) - 0.04) < 0.16) & (np.abs(far * np.cos(yaw)) < 0.15)
        # The sky alone gives a third of what sun and sky give, a little bluer.
        frame[seen.first :] *= np.where(seat[..., None], np.array((0.33, 0.37, 0.45), np.float32), 1)
    assert find_footprint([ring_map(frame)])[0].certainty < 0.3


def test_legs_that_look_like_the_floor_are_found_from_another_leg():
    line = np.full(256, 6)
    line[48:58] = 24
    unlike = np.full((2, 63, 256), 0.5, np.float16)
    unlike[:, 5:24, 134:143] = 1.5  # a little unlike, near a third of a turn on
    unlike[:, 5:24, 138] = 2.0
    whole = _with_all_legs(line, unlike[0], 0)
    assert np.all(whole[134:142] == 24)
    assert np.all(whole[70:125] == 6)
    assert np.all(whole[150:] == 6)


def test_an_outline_follows_legs_but_no_edge_of_a_rug():
    line = np.full(256, 16)
    line[40:46] = line[250:] = line[:4] = 62
    floor, rug = np.zeros((64, 128, 3), np.float32), np.zeros((64, 128, 3), np.float32)
    floor[..., 0] = 3.0  # a leg's own shade takes light, not colour
    assert np.array_equal(_without_edges(line, floor), line)
    rug[:, :21, 1:] = 5.0  # a rug from the seam round the back of the frame to the leg at column 42
    assert np.all(_without_edges(line, rug) == 16)
    toe = line.copy()
    toe[46:52] = 30
    assert np.array_equal(_without_edges(toe, rug)[46:52], toe[46:52])
    # A leg may stand at a rug's edge; it ends.
    shorter = np.minimum(line, 50)
    assert np.array_equal(_without_edges(shorter, rug), shorter)


def test_the_edge_of_a_rug_is_not_taken_for_a_leg():
    seen = see(ALL["rug on parquet"](), Stand(0.03, 0.04, seed=2), Foot(9), width=WIDTH, top_pitch_deg=-50)
    frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
    frame[seen.first :] = seen.rows
    foot = find_footprint([ring_map(frame)])[0].foot
    # Its contact shadow is dark to two degrees beside it.
    assert 8 < foot.largest_deg < 11


def test_a_plate_grows_no_legs():
    unlike = np.full((63, 256), 3.0, np.float16)
    assert np.all(_with_all_legs(np.full(256, 20), unlike, 0) == 20)


def test_distance_to_a_circle_is_in_view_pixels():
    view = straight_down(201, 300.0)
    distance = circle(10).distance(view)
    far = np.tan(np.radians(10)) * 300
    assert distance[100, 100] == pytest.approx(-far, abs=1e-3)
    assert distance[100, 180] == pytest.approx(80 - far, abs=0.01)


def test_an_outline_turns_with_its_view():
    lopsided = circle(8)
    lopsided.radius_deg[100:130] += 4
    still = lopsided.distance(straight_down(101, 200.0, 0))
    turned = lopsided.turned(40).distance(straight_down(101, 200.0, 40))
    assert np.allclose(still, turned, atol=0.2 * 200 * np.radians(1))


def test_a_drawn_mask_without_white_is_refused():
    with pytest.raises(ValueError, match="no white"):
        outline_of_picture(np.zeros((10, 10, 4), np.float32), field_deg=60)


def test_a_ring_map_does_not_care_for_brightness():
    frame = np.random.default_rng(1).uniform(0.1, 0.9, (256, 512, 3)).astype(np.float32)
    one, two = (ring_map(frame * scale).logs.astype(np.float32) for scale in (1, 4))
    assert np.allclose(two - one, np.log(4), atol=0.01)


@pytest.mark.parametrize("name", ["hexagonal tiles", "square tiles", "carpet"])
def test_an_even_head_is_found_that_is_dark_as_shade_but_shade_is_not(name: str) -> None:
    """Close below the lens the head of a pole is an even spot, in the light of a tile in deep shade."""
    seen = see(ALL[name](), Stand(seed=3), Foot(8), width=WIDTH, top_pitch_deg=-50)
    frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
    frame[seen.first :] = seen.bare
    angle = (WIDTH // 2 - np.arange(WIDTH // 2) - 0.5)[:, None, None] * 360 / WIDTH
    head = np.where(angle < 6.2, 0.35 * np.median(seen.bare, (0, 1)), frame).astype(np.float32)
    shade = frame * (1 - 0.65 / (1 + np.exp(2 * (angle - 6.2)))).astype(np.float32)
    head, shade = (find_footprint([ring_map(light)])[0] for light in (head, shade))
    assert head.certainty > 0.5
    assert np.all(head.outline.radius_deg > 6.2 - 0.35)
    assert shade.certainty < 0.5


@pytest.mark.parametrize("name", ["gravel", "brick", "rug edge"])
def test_a_plain_plate_is_found_on_a_lively_floor(name: str) -> None:
    """In its middle it could be such a floor in shade; that it ends all around no shade explains."""
    with_plate, without = certainties(name, Stand(0.03, -0.02, heading_deg=40, seed=7), Foot(9))
    assert with_plate > 0.5
    assert without < 0.5


def certainties(name, stand, foot, finer=1):
    """How surely something is found on a floor, with a foot and without, in a frame once so much finer."""
    width = finer * WIDTH
    seen = see(ALL[name](), stand, foot, width=width, top_pitch_deg=-50)
    frames = np.full((2, width // 2, width, 3), 0.3, np.float32)
    frames[:, seen.first :] = seen.rows, seen.bare
    small = [cv2.resize(frame, (WIDTH, WIDTH // 2), interpolation=cv2.INTER_AREA) for frame in frames]
    return [find_footprint([ring_map(frame)])[0].certainty for frame in small]


@pytest.mark.parametrize(
    ("name", "stand", "foot"),
    [
        # In deep shade slate looks like the plate: but not on the runner's side of its rim.
        ("runner on slate", Stand(-0.02, 0.03, heading_deg=150, seed=5), Foot(9)),
        # A toe over a dark square could be that square in shade.
        ("chequered", Stand(0.825, -0.068, 1.5, 49.2, 246, seed=8810), Foot(11, toes=3)),
    ],
)
def test_a_support_is_found_where_shade_would_explain_part_of_it(name, stand, foot):
    with_foot, without = certainties(name, stand, foot, finer=2)
    assert with_foot > 0.5
    assert without < 0.5


def test_a_dark_tile_under_the_camera_is_no_support():
    """An even spot of one light with a sharp edge, as a plate's head is; but the floor is full of them."""
    assert certainties("chequered", Stand(-0.34, -0.64, heading_deg=279, seed=3), Foot(6))[1] < 0.3
