import itertools
from dataclasses import replace

import numpy as np
import pytest

from panopipe.colour.adaptation import working_adaptation
from panopipe.colour.spaces import D65_XY, LUMINANCE_OF_WORKING, SRGB_FROM_WORKING, xyz_from_xy
from panopipe.colour.temperature import planckian_xy
from panopipe.colour.transfer import srgb_encode
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import JobFacts, Observation, StageContext
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.studies.light.curve import KNEE, NO_TOE_EV, Moves, moved_base
from panopipe.studies.light.render import HEADROOM
from tests.measures.halo import overshoot, step_frame

NEUTRAL = ToneSettings(
    exposure_ev=0.0,
    highlights_ev=0.0,
    shadows_ev=0.0,
    slope_percent=0.0,
    shoulder_ev=0.0,
    toe_ev=NO_TOE_EV,
    detail_percent=0.0,
)
WINDOWS = replace(NEUTRAL, highlights_ev=-3.0, shadows_ev=1.0, shoulder_ev=2.0)
KEY = FrameKey("lounge", "lounge-01")


def facts_of(rows: np.ndarray, correction: np.ndarray | None = None) -> FrameFacts:
    return FrameFacts(KEY, rows.shape[1], rows.shape[1] // 2, correction=correction)


def toned(
    rows: np.ndarray, settings: ToneSettings, *, correction: np.ndarray | None = None, solution: object = None
) -> np.ndarray:
    stage, facts = Tone(), facts_of(rows, correction)
    prepared = stage.prepare(StageContext(Frame(rows.copy(), facts), solution), settings)
    return (
        rows if prepared.data is None else stage.apply(Band(rows.copy(), 0, facts), settings, prepared.data)
    )


def room(width: int = 256, *, window_ev: float = 6.0, seed: int = 1) -> np.ndarray:
    """Walls, a dark floor, a window and a lamp, with texture and a little noise; far below diffuse white."""
    random = np.random.default_rng(seed)
    height = width // 2
    light = np.full((height, width), 0.02)
    light[height * 5 // 8 :] = 0.006
    light[height * 3 // 8 : height // 2, width // 3 : width // 2] = 0.02 * 2**window_ev
    light[height // 4 : height // 4 + 3, 10:14] = 4.0
    light *= 2 ** (0.2 * random.standard_normal((height, width)))
    tint = 1 + 0.1 * random.standard_normal((height, width, 3))
    return (light[..., None] * tint).astype(np.float32)


def luminance(rows: np.ndarray) -> np.ndarray:
    return rows.astype(np.float64) @ LUMINANCE_OF_WORKING


def grey(*levels: float, width: int = 64) -> np.ndarray:
    """Frame of vertical stripes, each a plain grey."""
    line = np.repeat(np.array(levels, dtype=np.float32), width // len(levels))
    return np.broadcast_to(line[None, :, None], (width // 2, width, 3)).copy()


def test_neutral_settings_leave_the_frame_untouched() -> None:
    prepared = Tone().prepare(StageContext(Frame(room(), facts_of(room()))), NEUTRAL)
    assert prepared.data is None
    assert prepared.notes["exposure_ev"] == 0


@pytest.mark.outside
@pytest.mark.parametrize(("stops", "factor"), [(1 / 3, 1.259921), (0.5, 1.414214), (-1.0, 0.5), (2.0, 4.0)])
def test_exposure_is_counted_in_stops(stops: float, factor: float) -> None:
    # ISO 12232 and common usage: a stop is a factor of two.
    rows = grey(0.05, 0.2)
    assert np.allclose(toned(rows, replace(NEUTRAL, exposure_ev=stops)), rows * factor, rtol=2e-3)


def test_more_light_with_less_exposure_is_the_same_picture() -> None:
    one = toned(room(), replace(WINDOWS, exposure_ev=2.0))
    other = toned(room() * 4, replace(WINDOWS, exposure_ev=0.0))  # 2 EV are whole levels of the grid
    assert np.allclose(one, other, rtol=5e-3)


def test_exposure_found_follows_the_light() -> None:
    bright = Tone().prepare(StageContext(Frame(room() * 4, facts_of(room()))), ToneSettings()).notes
    dark = Tone().prepare(StageContext(Frame(room(), facts_of(room()))), ToneSettings()).notes
    assert dark["exposure_ev"] - bright["exposure_ev"] == pytest.approx(2.0, abs=0.02)
    assert dark["highlights_ev"] == pytest.approx(bright["highlights_ev"], abs=0.05)


def test_highlights_bring_back_the_view_and_spare_the_room() -> None:
    rows = room()
    before, after = (
        luminance(rows),
        luminance(toned(rows, replace(NEUTRAL, highlights_ev=-3.0, exposure_ev=3.0))),
    )
    gain = np.log2(after / before) - 3
    window, wall = gain[50:62, 90:125], gain[66:78, 140:250]
    assert np.median(window) < -1.2
    assert abs(np.median(wall)) < 0.3


def test_shadows_open_the_dark_and_leave_the_bright() -> None:
    rows = grey(0.18, 0.0056)
    gain = np.log2(luminance(toned(rows, replace(NEUTRAL, shadows_ev=1.5))) / luminance(rows))
    assert np.median(gain[:, 4:28]) == pytest.approx(0, abs=0.02)
    assert np.median(gain[:, 36:60]) == pytest.approx(1.5, abs=0.05)


def test_what_is_brighter_is_not_rendered_darker() -> None:
    ramp = np.geomspace(1e-4, 8, 512).astype(np.float32)
    rows = np.broadcast_to(ramp[None, :, None], (256, 512, 3)).copy()
    light = luminance(toned(rows, WINDOWS))[100:150]
    assert np.diff(light, axis=1).min() > -1e-3 * light.max()


def test_detail_keeps_its_contrast_where_the_base_moves() -> None:
    random = np.random.default_rng(2)
    texture = 2 ** (0.1 * random.standard_normal((128, 256)))
    light = np.where(np.arange(256) < 128, 0.03, 1.0) * texture
    rows = np.repeat(light[..., None], 3, axis=2).astype(np.float32)
    after = np.log2(luminance(toned(rows, replace(NEUTRAL, highlights_ev=-3.0))))
    for side in (slice(10, 118), slice(138, 246)):
        assert after[30:98, side].std() == pytest.approx(0.1, rel=0.1)


@pytest.mark.parametrize("height_ev", [6.0, 4.0, 2.0, 1.0])
def test_no_halo_beside_a_step(height_ev: float) -> None:
    frame = step_frame(512, dark=0.04, height_ev=height_ev)
    codes = srgb_encode(np.clip(toned(frame, WINDOWS)[..., 1].astype(np.float64), 0, 1))
    dark, bright = overshoot(codes)
    assert dark < 0.02
    assert bright < 0.02


def test_the_glow_around_a_lamp_falls_from_the_lamp_outwards() -> None:
    # A lamp of 8 degrees on a ceiling whose light falls by three stops over 40 degrees, no texture anywhere.
    away = np.hypot(*(np.indices((256, 512)) - np.array([128, 256])[:, None, None])) * 360 / 512
    glow_ev = np.where(away < 8, 3.0, 1.2 - 3.0 * np.clip((away - 8) / 40, 0, 1))
    rows = np.repeat(2.0 ** glow_ev[..., None], 3, axis=2).astype(np.float32)
    shown = srgb_encode(np.clip(luminance(toned(rows, WINDOWS))[128, 256 + 12 : 256 + 64], 0, 1)) * 255
    assert shown[0] > shown[-1] + 10
    assert np.diff(shown).max() < 0.5


def test_hardly_anything_reaches_clip_and_the_room_is_bright() -> None:
    rendered = toned(room(), ToneSettings())
    srgb = rendered.astype(np.float64) @ SRGB_FROM_WORKING.T
    assert (srgb.max(axis=-1) >= 1).mean() < 1e-3
    assert 0.15 < np.median(luminance(rendered)) < 0.8


def test_an_explicit_number_overrides_just_that_one() -> None:
    look = StageContext(Frame(room(), facts_of(room())))
    every, one = (Tone().prepare(look, s).notes for s in (ToneSettings(), ToneSettings(shadows_ev=2.0)))
    assert one["shadows_ev"] == 2.0
    assert {k: v for k, v in one.items() if k != "shadows_ev"} == {
        k: v for k, v in every.items() if k != "shadows_ev"
    }


def test_frames_of_one_room_get_one_look_whatever_their_order() -> None:
    stage, settings = Tone(), ToneSettings()
    frames = {FrameKey("lounge", "a"): room(), FrameKey("lounge", "b"): room(seed=2) * 2}
    frames[FrameKey("hall", "a")] = room(window_ev=2.0) * 3
    observed = {
        key: Observation(stage.survey(Frame(rows, facts_of(rows)), settings), settings, facts_of(rows))
        for key, rows in frames.items()
    }
    job = JobFacts(rooms={"lounge": [], "hall": []})
    solved = stage.solve(observed, job)
    again = stage.solve(dict(reversed(observed.items())), job)
    assert solved[FrameKey("lounge", "a")].data == solved[FrameKey("lounge", "b")].data
    assert solved[FrameKey("hall", "a")].data != solved[FrameKey("lounge", "a")].data
    assert {key: found.data for key, found in again.items()} == {key: s.data for key, s in solved.items()}


def test_frames_without_a_room_are_judged_each_by_itself() -> None:
    stage, settings = Tone(), ToneSettings()
    frames = {FrameKey("", "a"): room(), FrameKey("", "b"): room() * 16}
    observed = {
        key: Observation(stage.survey(Frame(rows, facts_of(rows)), settings), settings, facts_of(rows))
        for key, rows in frames.items()
    }
    solved = stage.solve(observed, JobFacts(rooms={"": list(frames)}))
    exposures = [solved[key].data.exposure_ev for key in frames]
    assert exposures[0] - exposures[1] == pytest.approx(4, abs=0.02)


def test_the_rooms_look_is_used() -> None:
    look = StageContext(Frame(room(), facts_of(room())), Moves(exposure_ev=1.25))
    assert Tone().prepare(look, ToneSettings()).notes["exposure_ev"] == 1.25


def test_colour_keeps_its_ratios_below_the_glow() -> None:
    rows = room()
    after = toned(rows, WINDOWS)
    strongest = (after.astype(np.float64) @ SRGB_FROM_WORKING.T).max(axis=-1)
    calm = strongest + HEADROOM * (strongest - luminance(after)) < KNEE
    ratio, before = after[calm] / after[calm].sum(axis=-1, keepdims=True), rows[calm]
    assert np.allclose(ratio, before / before.sum(axis=-1, keepdims=True), atol=1e-5)


def lit_panes() -> np.ndarray:
    """Ever brighter panes side by side, by turns neutral, blue, orange and red."""
    tints = np.array([[1, 1, 1], [0.5, 0.8, 2.5], [1.6, 0.9, 0.3], [2.2, 0.6, 0.3]])
    tints /= (tints @ LUMINANCE_OF_WORKING)[:, None]
    light = 0.5 * 2.0 ** (0.25 * np.arange(16))
    line = np.repeat(light[:, None] * np.tile(tints, (4, 1)), 16, axis=0)
    return np.broadcast_to(line[None], (128, 256, 3)).astype(np.float32)


def test_what_is_brighter_stays_brighter_whatever_its_colour() -> None:
    # A saturated pane brighter than the curtain beside it must not come out darker.
    after = luminance(toned(lit_panes(), replace(NEUTRAL, shoulder_ev=5.0)))[64, 8::16]
    assert np.diff(after).min() > 0


def test_no_channel_leaves_the_screen_and_colour_shrinks_smoothly() -> None:
    rows = grey(*np.geomspace(0.2, 30, 64)) * np.array([0.6, 0.9, 2.2], dtype=np.float32)
    srgb = toned(rows, replace(NEUTRAL, shoulder_ev=5.0))[16].astype(np.float64) @ SRGB_FROM_WORKING.T
    assert srgb.max() <= 1 + 1e-3
    share = 1 - srgb.min(axis=-1) / srgb.max(axis=-1)
    assert np.diff(share).max() < 1e-3
    assert np.abs(np.diff(share, 2)).max() < 0.03


def test_detail_is_raised_where_there_is_light_enough_and_not_in_noise() -> None:
    noise = np.random.default_rng(2).standard_normal((128, 256))
    for light, spread_ev, gain in ((0.1, 0.12, 1.5), (2.0**-13, 0.12, 1.0), (0.1, 0.02, 1.0)):
        texture = 2 ** (spread_ev * noise)
        rows = np.repeat((light * texture)[..., None], 3, axis=2).astype(np.float32)
        before, after = (
            np.log2(luminance(part)) for part in (rows, toned(rows, replace(NEUTRAL, detail_percent=50.0)))
        )
        assert after[30:98].std() / before[30:98].std() == pytest.approx(gain, rel=0.06)


def test_a_view_keeps_its_contrast_where_highlights_bring_it_down() -> None:
    # Trees before sky, a stop and a half apart, five stops and more over the room.
    rows = grey(0.1)
    rows[12:20, 8:24], rows[12:20, 8:24:2] = 3.2, 9.6
    light = luminance(toned(rows, replace(NEUTRAL, highlights_ev=-3.5)))
    moved = moved_base(np.log2([3.2, 9.6]), Moves(highlights_ev=-3.5))
    assert np.log2(light[16, 16] / light[16, 17]) > 1.5 * np.diff(moved)[0]


def test_what_glows_goes_towards_the_white_of_the_room() -> None:
    lamp = planckian_xy(2700)
    correction = working_adaptation(xyz_from_xy(lamp), xyz_from_xy(D65_XY))
    rows = grey(0.05, 0.05, 0.05, 60.0) @ np.linalg.inv(correction).T.astype(np.float32)
    before = np.array([1.0, 0.6, 0.8])
    rows[:, 48:] *= before.astype(np.float32)
    seen = (rows @ correction.T)[20, 60]
    balanced = (toned(rows, WINDOWS, correction=correction) @ correction.T)[20, 60]
    assert np.ptp(balanced) / balanced.max() < 0.4 * np.ptp(seen) / seen.max()


def test_tone_does_not_mind_balance_coming_later() -> None:
    correction = working_adaptation(xyz_from_xy(planckian_xy(3000)), xyz_from_xy(D65_XY))
    scene = room()
    seen = (scene @ np.linalg.inv(correction).T).astype(np.float32)
    later = toned(seen, WINDOWS, correction=correction) @ correction.T
    assert np.allclose(later, toned(scene, WINDOWS), rtol=5e-3, atol=1e-4)


@pytest.mark.parametrize("width", [64, 250, 640, 1500])
def test_the_same_bits_however_cut(width: int) -> None:
    rows, stage, settings = room(width), Tone(), ToneSettings()
    facts = facts_of(rows)
    prepared = stage.prepare(StageContext(Frame(rows, facts)), settings).data
    height = width // 2
    whole = stage.apply(Band(rows.copy(), 0, facts), settings, prepared)
    cuts = sorted({0, 1, 7, 8, 24, height // 2 + 3, height})
    parts = [
        stage.apply(Band(rows[a:b].copy(), a, facts), settings, prepared) for a, b in itertools.pairwise(cuts)
    ]
    assert np.array_equal(whole, np.concatenate(parts))


def test_no_seam_where_the_frame_is_cut_open() -> None:
    # Smooth noise round the sphere: steps across the cut are steps like any other.
    random = np.random.default_rng(5).standard_normal((64, 128))
    rows = np.repeat((0.1 * 2 ** (1.5 * random))[..., None], 3, axis=2).astype(np.float32)
    after = np.log2(luminance(toned(rows, WINDOWS)))
    steps = np.abs(np.diff(after, axis=1, append=after[:, :1]))
    elsewhere = steps[:, :-1].mean()
    spread = steps[:, :-1].mean(axis=0).std()
    assert steps[:, -1].mean() == pytest.approx(elsewhere, abs=3 * spread)


@pytest.mark.parametrize("columns", [1, 100, 128])
def test_a_turn_of_the_grid_turns_the_picture(columns: int) -> None:
    # The anchor column makes a turn exact; the method itself turns with the scene by whole grid cells.
    width = 256
    cell = width // 64
    rows = room(width)
    turned = toned(np.roll(rows, columns * cell, axis=1), WINDOWS)
    assert np.allclose(turned, np.roll(toned(rows, WINDOWS), columns * cell, axis=1), rtol=2e-3, atol=1e-5)


def test_a_frame_exposed_far_too_dark_wants_a_look() -> None:
    def sentences(rows: np.ndarray) -> tuple[str, ...]:
        context = StageContext(Frame(rows, facts_of(rows)))
        return Tone().prepare(context, ToneSettings()).review_reasons

    assert "noise" in sentences(room() / 16)[0]
    assert not sentences(room())


def test_a_merged_bracket_is_dark_and_has_no_noise() -> None:
    # Seven stops are left free over the room, and each of its pixels is the mean of several exposures.
    rows = room() / 16
    plain = np.median(rows.reshape(64, 2, 128, 2, 3), axis=(1, 3)).repeat(16, axis=0).repeat(16, axis=1)
    context = StageContext(Frame(plain[:128, :256].astype(np.float32), facts_of(rows)))
    assert not Tone().prepare(context, ToneSettings()).review_reasons


def test_black_and_negative_light_survive() -> None:
    rows = room()
    rows[40] = 0
    rows[41] = -0.01
    rows[42, :, 2] = -0.005
    assert np.isfinite(toned(rows, ToneSettings())).all()


def test_a_black_frame_is_no_error() -> None:
    rows = np.zeros((32, 64, 3), dtype=np.float32)
    assert np.array_equal(toned(rows, ToneSettings()), rows)


def test_contrast_turns_about_middle_grey() -> None:
    rows = grey(0.18, 0.045, 0.36, 0.72)
    gain = np.log2(luminance(toned(rows, replace(NEUTRAL, slope_percent=20.0))) / luminance(rows))
    middle, dark, bright, brightest = (np.median(gain[:, at : at + 8]) for at in (4, 20, 36, 52))
    assert middle == pytest.approx(0, abs=0.01)
    assert dark < -0.2 < 0 < bright < brightest


def test_vivid_light_leaves_room_for_more_chroma() -> None:
    rows = grey(0.05, 0.2, 0.6, 2.0) * np.array([0.3, 0.5, 1.0], dtype=np.float32)
    srgb = toned(rows, WINDOWS).astype(np.float64) @ SRGB_FROM_WORKING.T
    assert srgb.max() < 0.99
