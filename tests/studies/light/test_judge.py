import numpy as np
import pytest

from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import D65_XY, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import StageContext
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.studies.light.base import find_base
from panopipe.studies.light.curve import MIDDLE_GREY_EV, MOST_EXPOSURE_EV, Moves, moved_base
from panopipe.studies.light.judge import BINS, VIEW_TARGET_EV, joined, lit, percentile, suited
from tests.benchmarks.tone_scenes import PLACES, photographed


def lit_of(light_ev: np.ndarray):
    return lit(find_base(light_ev.astype(np.float32)), light_ev.astype(np.float32))


def room_ev(*, window_ev: float = 6.0, floor_ev: float = -2.0) -> np.ndarray:
    light = np.full((128, 256), -4.0)
    light[80:] += floor_ev
    light[50:70, 60:110] += window_ev
    return light


def test_shares_are_counted_by_solid_angle() -> None:
    # The rows above 30 degrees of pitch are a third of the picture and a quarter of the sphere.
    light = np.where(np.arange(120) < 40, -2.0, -6.0)[:, None] * np.ones((1, 240))
    counted = lit_of(light)
    assert counted.light.shape == (BINS,)
    above = counted.light[128:].sum()  # bins from -4 EV up
    assert above == pytest.approx(0.25, abs=1e-3)


def test_the_median_of_two_halves_lies_between() -> None:
    light = np.where(np.arange(256) < 128, -4.0, -2.0) * np.ones((128, 1))
    assert -4.0 <= percentile(lit_of(light).light, 0.5) <= -2.0


def test_a_room_is_judged_as_one() -> None:
    one, other = lit_of(room_ev()), lit_of(room_ev(window_ev=3.0))
    assert joined([one, other]).base.sum() == pytest.approx(1)
    assert suited(joined([one, one])) == suited(one)


def test_windows_land_where_the_view_shows() -> None:
    moves = suited(lit_of(room_ev(window_ev=4.5)))
    window = float(moved_base(-4.0 + 4.5 + moves.exposure_ev, moves)) - MIDDLE_GREY_EV
    assert window == pytest.approx(VIEW_TARGET_EV, abs=0.3)
    assert moves.highlights_ev < -1


def test_a_dim_corner_is_opened_and_a_light_one_left() -> None:
    assert suited(lit_of(room_ev(floor_ev=-6.0))).shadows_ev > 0.5
    assert suited(lit_of(room_ev(floor_ev=-1.0))).shadows_ev == 0


def test_what_is_found_can_stand_in_a_recipe() -> None:
    for light in (np.full((64, 128), -20.0), np.full((64, 128), 14.0), room_ev()):
        moves = suited(lit_of(light))
        assert abs(moves.exposure_ev) <= MOST_EXPOSURE_EV
        assert isinstance(ToneSettings(**{n: getattr(moves, n) for n in Moves.__slots__}), ToneSettings)


def test_moves_of_the_base_keep_its_order() -> None:
    base = np.linspace(-14, 10, 2000)
    for highlights in (-4.0, -1.0, 2.0):
        for shadows in (-3.0, 0.0, 1.5, 3.0):
            assert np.diff(moved_base(base, Moves(highlights_ev=highlights, shadows_ev=shadows))).min() > 0


@pytest.mark.parametrize("place", list(PLACES))
def test_a_grey_card_in_the_light_of_any_room_is_grey(place: str) -> None:
    # An 18 % card at L* 50 plus or minus 8, whatever the room.
    scene = photographed(place, 256)
    height, width = scene.rows.shape[:2]
    facts = FrameFacts(FrameKey("", place), width, height)
    prepared = Tone().prepare(StageContext(Frame(scene.rows, facts)), ToneSettings()).data
    after = Tone().apply(Band(scene.rows.copy(), 0, facts), ToneSettings(), prepared)
    for mask in scene.cards:
        card = np.median(after[mask], axis=0).astype(np.float64)
        assert 42 <= lab_from_xyz(XYZ_FROM_WORKING @ card, xyz_from_xy(D65_XY))[0] <= 58
