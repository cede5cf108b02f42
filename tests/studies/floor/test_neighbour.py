"""Two frames of one floor are laid on each other to a fraction of a pixel; two floors are told apart."""

import cv2
import numpy as np
import pytest

from panopipe.frame import FrameKey
from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame
from panopipe.studies.floor.floor_map import Place, Ready, floor_map, place_of
from panopipe.studies.floor.graft import sharpness
from panopipe.studies.floor.neighbours import best_neighbours
from panopipe.studies.floor.register import homography_of, lay
from tests.scenes.floors import FLOORS, Foot, Stand, see

WIDTH = 1536
ONE = Stand(0.3, 0.2, heading_deg=33, seed=1, light_yaw_deg=100)
TWO = Stand(1.9, 1.2, heading_deg=170, seed=2, light_yaw_deg=100)


def truth():
    """Where the first camera stands on the second one's floor, from the stands."""
    dx, dy = (ONE.x_m - TWO.x_m) / TWO.height_m, (ONE.y_m - TWO.y_m) / TWO.height_m
    heading = np.radians(TWO.heading_deg)
    right = np.cos(heading) * dx - np.sin(heading) * dy
    forward = np.sin(heading) * dx + np.cos(heading) * dy
    return Place((ONE.heading_deg - TWO.heading_deg) % 360, right, forward, 1.0)


@pytest.fixture(scope="module")
def pair():
    floor = FLOORS["hexagonal tiles"]()
    return [see(floor, stand, Foot(8), width=WIDTH, top_pitch_deg=-24) for stand in (ONE, TWO)]


def whole(seen):
    frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
    frame[seen.first :] = seen.rows
    return cv2.resize(frame, (1024, 512), interpolation=cv2.INTER_AREA)


def test_the_survey_finds_the_place(pair):
    found, true = place_of(*(Ready(floor_map(whole(seen))) for seen in pair)), truth()
    assert abs((found.turn_deg - true.turn_deg + 180) % 360 - 180) < 0.5
    # A pixel of the map is 1.75 / 80 = .022 camera heights.
    assert found.right == pytest.approx(true.right, abs=0.022)
    assert found.forward == pytest.approx(true.forward, abs=0.022)


def test_the_inverse_place_is_the_other_way_round():
    place = Place(37.0, 0.4, -0.9, 0.8)
    there_and_back = homography_of(place.inverse()) @ homography_of(place)
    assert np.allclose(there_and_back, np.eye(3), atol=1e-12)


def laid(pair, place, rows=None):
    view = straight_down(300, frame_focal_px(WIDTH))
    own = view_from_frame(pair[0].rows, pair[0].first, view)
    far = np.hypot(*view.plane())
    hole = far < np.tan(np.radians(11))
    ring = (far > np.tan(np.radians(11.5))) & (far < 0.42)
    found = lay(own, hole, ring, view, pair[1].rows if rows is None else rows, pair[1].first, place)
    return found, view_from_frame(pair[0].bare, pair[0].first, view), hole


def test_a_rough_place_is_refined_to_the_pixel(pair):
    true = truth()
    rough = Place(true.turn_deg + 0.4, true.right + 0.012, true.forward - 0.01, 1.0)
    found, bare, _ = laid(pair, rough)
    assert found.agreement > 0.9
    box = np.s_[110:190, 110:190]
    shown, wanted = (np.log(light.mean(-1)[box]).astype(np.float32) for light in (found.light, bare))
    (dx, dy), _ = cv2.phaseCorrelate(wanted, shown, cv2.createHanningWindow((80, 80), cv2.CV_32F))
    assert np.hypot(dx, dy) < 0.5


@pytest.mark.parametrize("name", ["deck", "carpet"])
def test_a_millionth_of_the_light_does_not_move_the_floor(name):
    # Once seen: boards all of one direction wandered along themselves, another way with each rounding.
    true = truth()
    rough = Place(true.turn_deg + 0.4, true.right + 0.012, true.forward - 0.01, 1.0)
    seen = [see(FLOORS[name](), stand, Foot(8), width=WIDTH, top_pitch_deg=-24) for stand in (ONE, TWO)]
    noise = 1e-6 * np.random.default_rng(1).standard_normal(seen[1].rows.shape)
    nudged = (seen[1].rows * (1 + noise)).astype(np.float32)
    (one, _, hole), (other, _, _) = laid(seen, rough), laid(seen, rough, rows=nudged)
    # A code of 255 is 2.4 / 255 of the light at white, and more below (IEC 61966-2-1).
    assert np.abs(np.log(other.light[hole] / one.light[hole])).max() < 2.4 / 255


def test_another_floor_does_not_agree(pair):
    other = see(FLOORS["planks"](), TWO, Foot(8), width=WIDTH, top_pitch_deg=-24)
    found, _, _ = laid(pair, truth(), rows=other.rows)
    assert found is None or found.agreement < 0.6


def test_a_neighbour_too_far_shows_nothing(pair):
    assert laid(pair, Place(0.0, 6.0, 0.0, 1.0))[0] is None


def test_frames_of_other_rooms_are_no_neighbours(pair):
    maps = {FrameKey(room, "1"): floor_map(whole(seen)) for room, seen in zip("ab", pair, strict=True)}
    assert best_neighbours(maps, {key.room: (key,) for key in maps}) == {}
    together = best_neighbours(maps, {"": tuple(maps)})
    one, two = maps
    assert set(together[one]) == {two}
    assert set(together[two]) == {one}


def test_a_blurred_view_of_the_same_floor_is_less_sharp(pair):
    view = straight_down(200, frame_focal_px(WIDTH))
    own = view_from_frame(pair[0].bare, pair[0].first, view)
    ring = np.ones(own.shape[:2], bool)
    assert sharpness(own, own, ring) == pytest.approx(1, abs=1e-6)
    # A Gaussian of 1.5 px takes most of what is 1 to 3 px wide.
    assert sharpness(own, cv2.GaussianBlur(own, (0, 0), 1.5), ring) < 0.6


def test_sharp_is_as_sharp_as_in_the_direction_that_is_smeared_most(pair):
    view = straight_down(200, frame_focal_px(WIDTH))
    own = view_from_frame(pair[0].bare, pair[0].first, view)
    ring = np.ones(own.shape[:2], bool)
    smears = [cv2.GaussianBlur(own, (0, 0), sigmaX=x, sigmaY=y) for x, y in ((1.5, 0.01), (0.01, 1.5))]
    # Six-cornered tiles have joints in three directions: a mean over all stays at .57 to .62.
    assert all(sharpness(own, smeared, ring) < 0.5 for smeared in smears)
