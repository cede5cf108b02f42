"""Where the floor ends is found, kept out of the fill, and said; whole floors raise no alarm."""

import math

import numpy as np
import pytest

from panopipe.frame import Band, FrameFacts, FrameKey
from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame
from panopipe.stages.nadir import Nadir, NadirSettings, _Plan
from panopipe.studies.floor.extent import floor_extent
from panopipe.studies.floor.fill import fill_floor
from panopipe.studies.floor.outline import circle
from tests.scenes.ends import lawn, medallion, plinth, pool, step_down, walled
from tests.scenes.floors import FLOORS, Foot, Stand, planks, see, square_tiles
from tests.scenes.laid_floors import LAID

WIDTH = 1024
FOOT, COVER_DEG = Foot(8), 12.0


def drawn(floor, heading_deg=0.0, gloss=0.0):
    stand = Stand(0, 0, 1.5, heading_deg=heading_deg, gloss=gloss)
    return see(floor, stand, FOOT, width=WIDTH, top_pitch_deg=-38)


def rebuilt(seen):
    """The stage's own fill of a disc of known size: rows, notes, sentences."""
    facts = FrameFacts(FrameKey("terrace", "one"), WIDTH, WIDTH // 2)
    plan = _Plan(circle(COVER_DEG), circle(8))
    band = Band(seen.rows.copy(), seen.first, facts)
    return Nadir().apply(band, NadirSettings(), plan)


def view_of(seen):
    focal_px = frame_focal_px(WIDTH)
    view = straight_down(2 * int(3.2 * math.tan(math.radians(COVER_DEG)) * focal_px), focal_px)
    hole = np.hypot(*view.plane()) < math.tan(math.radians(COVER_DEG))
    return view, view_from_frame(seen.rows, seen.first, view), hole


@pytest.mark.parametrize("name", list(FLOORS))
def test_a_whole_floor_raises_no_alarm(name):
    applied = rebuilt(drawn(FLOORS[name](), heading_deg=37, gloss=0.12 if name == "polished" else 0))
    assert applied.review_reasons == ()
    assert applied.notes["fill_method"] == "floor"


@pytest.mark.parametrize(
    ("floor", "says"),
    [
        (walled(planks(), 0.5), "Something other"),
        (medallion(square_tiles()), "nowhere else"),
    ],
    ids=["wall", "rosette"],
)
def test_an_end_of_the_floor_is_said(floor, says):
    assert any(says in sentence for sentence in rebuilt(drawn(floor)).review_reasons)


def test_a_wall_close_by_is_not_copied_from():
    seen = drawn(walled(planks(), 0.5))
    view, light, hole = view_of(seen)
    extent = floor_extent(light, hole)
    _, up = view.plane()
    wall, floor = (np.broadcast_to(up, hole.shape) * 1.5 > far for far in (0.62, -9.0))
    assert not extent.floor[wall].any()
    assert extent.floor[floor & (np.broadcast_to(up, hole.shape) * 1.5 < 0.3)].mean() > 0.95


@pytest.mark.parametrize(
    "floor",
    [walled(square_tiles(), 0.22), step_down(planks(), 0.29), LAID["plain rug"](), LAID["round rug"]()],
    ids=["wall", "step", "rug", "round rug"],
)
def test_each_side_of_an_edge_goes_on(floor):
    seen = drawn(floor)
    applied = rebuilt(seen)
    view, before, hole = view_of(seen)
    shown, true = (view_from_frame(rows, seen.first, view) for rows in (applied.rows, seen.bare))
    # Two of these floors differ by a tenth of full light or more: a fifth of the hole of the wrong one stays
    # under 27 dB.
    decibels = -10 * np.log10(np.square(shown - true)[hole].mean())
    assert decibels > 28 > -10 * np.log10(np.square(before - true)[hole].mean())


@pytest.mark.parametrize(
    "floor", [lawn(square_tiles()), pool(square_tiles(side_m=0.4))], ids=["lawn", "pool"]
)
def test_an_edge_across_the_disc_goes_on(floor):
    seen = drawn(floor)
    applied = rebuilt(seen)
    view, _, hole = view_of(seen)
    shown = view_from_frame(applied.rows, seen.first, view)
    true = view_from_frame(seen.bare, seen.first, view)
    # Paving is grey, grass green and water blue: which of them lies where.
    kind, wanted = (light[..., 0] > 0.8 * light[..., 1] for light in (shown, true))
    assert (kind == wanted)[hole].mean() > 0.93
    assert 0.1 < wanted[hole].mean() < 0.9


def test_where_too_little_floor_is_left_the_fill_is_soft_and_says_so():
    applied = rebuilt(drawn(plinth(square_tiles(), 0.5)))
    assert applied.notes["fill_method"] == "soft"
    assert "Too little floor" in applied.review_reasons[0]


def test_a_floor_without_any_known_pixel_to_copy_is_refused():
    hole = np.hypot(*np.mgrid[-39.5:40, -39.5:40]) < 12
    light = np.full((80, 80, 3), 0.3, np.float32)
    near = np.hypot(*np.mgrid[-39.5:40, -39.5:40]) < 14
    assert fill_floor(light, near, hole) is None
