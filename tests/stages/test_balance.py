"""The balance stage through its contract: a small house of known truth."""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np
import pytest

from panopipe.capture import Capture
from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.colour.temperature import xy_from_cct_duv
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.registry import loaded_stage
from panopipe.stage import JobFacts, Observation, Solution, StageContext
from panopipe.stages.balance import Balance, BalanceSettings, Seen
from panopipe.stages.light import Light, LightSettings
from panopipe.studies.white.cones import log_chromaticity_from_working
from tests.scenes.camera import expose
from tests.scenes.house import small_room
from tests.scenes.raycast import Picture, render
from tests.scenes.spectra import halogen, led

CAMERA = tuple(float(v) for v in xy_from_cct_duv(4000.0))
WIDTH = 384
LIGHTS = {"lounge": halogen(2700), "bath": led(4000, 0.001), "study": led(6000, 0.002)}
PLACES = ((2.3, 1.5, 1.8), (2.9, 1.5, 2.6))
FULL = BalanceSettings(strength=1.0)


@lru_cache
def house() -> MappingProxyType[FrameKey, tuple[np.ndarray, Picture]]:
    """Three lamp-lit rooms, two frames in the first."""
    frames = {}
    for name, light in LIGHTS.items():
        scene = small_room(lamp=light, window=False, lamp_intensity=2.0)
        for number, at in enumerate(PLACES[: 2 if name == "lounge" else 1], start=1):
            truth = render(scene, at, WIDTH)
            rows = expose(truth.rows, exposure_ev=-2.2, white_xy=CAMERA, seed=number)
            frames[FrameKey(name, f"{name}-{number}")] = (rows, truth)
    return MappingProxyType(frames)


@lru_cache
def seen(key: FrameKey, settings: BalanceSettings, turn: int = 0) -> Observation[BalanceSettings]:
    facts = FrameFacts(key, WIDTH, WIDTH // 2, anchor_column=turn, white_xy=CAMERA)
    return Observation(Balance().survey(Frame(house()[key][0], facts), settings), settings, facts)


def solve(
    hand: dict[FrameKey, BalanceSettings] | None = None, reference: FrameKey | None = None
) -> dict[FrameKey, Solution]:
    observed = {key: seen(key, (hand or {}).get(key, FULL)) for key in house()}
    rooms: dict[str, list[FrameKey]] = {}
    for key in observed:
        rooms.setdefault(key.room, []).append(key)
    return dict(Balance().solve(observed, JobFacts(rooms, reference)))


def finish(key: FrameKey, solution: Solution, settings: BalanceSettings = FULL) -> np.ndarray:
    facts = replace(seen(key, FULL).facts, correction=solution.correction, light=solution.light)
    rows, balance, light = house()[key][0], Balance(), Light()
    even = light.prepare(StageContext(Frame(rows, facts)), LightSettings())
    if even.data is not None and settings.strength > 0:
        rows = light.apply(Band(rows.copy(), 0, facts), LightSettings(), even.data)
    prepared = balance.prepare(StageContext(Frame(rows, facts), solution.data), settings)
    if prepared.data is None:
        return rows
    return balance.apply(Band(rows.copy(), 0, facts), settings, prepared.data)


def card_of(key: FrameKey, rows: np.ndarray) -> np.ndarray:
    masks = [mask for mask in house()[key][1].cards.values() if mask.sum() >= 4]
    return np.mean([rows[mask].mean(axis=0) for mask in masks], axis=0)


def spot(key: FrameKey) -> tuple[float, float]:
    line, column = (int(np.mean(at)) for at in np.nonzero(house()[key][1].cards["back"]))
    return ((column + 0.5) / WIDTH - 0.5) * 360, (0.5 - (line + 0.5) / (WIDTH / 2)) * 180


def test_the_contract_takes_it() -> None:
    assert isinstance(loaded_stage("balance"), Balance)


def test_cards_of_all_rooms_become_one_neutral() -> None:
    solutions = solve()
    before = [log_chromaticity_from_working(card_of(key, rows)) for key, (rows, _) in house().items()]
    after = [log_chromaticity_from_working(card_of(key, finish(key, solutions[key]))) for key in house()]
    assert np.ptp(before, axis=0).max() > 0.8
    assert np.ptp(after, axis=0).max() < 0.08
    assert np.abs(after).max() < 0.1


def test_order_of_frames_does_not_matter() -> None:
    forward = {key: seen(key, FULL) for key in house()}
    backward = dict(reversed(forward.items()))
    first, second = (Balance().solve(observed, JobFacts({})) for observed in (forward, backward))
    for key in house():
        assert pickle.dumps(first[key].data) == pickle.dumps(second[key].data)
        np.testing.assert_array_equal(first[key].correction, second[key].correction)


def test_what_the_survey_keeps_is_small_and_survives_the_way_between_processes() -> None:
    observed = seen(next(iter(house())), FULL).seen
    assert isinstance(observed, Seen)
    packed = pickle.dumps(observed)
    assert len(packed) < 200_000
    assert pickle.dumps(pickle.loads(packed)) == packed


def test_a_file_that_holds_more_light_above_white_shows_the_same_whites() -> None:
    key = FrameKey("study", "study-1")
    facts, rows = seen(key, FULL).facts, house()[key][0]
    five, eight = (Balance().survey(Frame(rows * np.float32(2.0**-ev), facts), FULL) for ev in (5, 8))
    assert five.evidence.paints
    assert five.evidence == eight.evidence
    np.testing.assert_array_equal(five.surfaces.trust, eight.surfaces.trust)


def test_strength_keeps_a_share_of_the_mood() -> None:
    key = next(iter(house()))
    half = BalanceSettings(strength=0.5)
    full, kept = solve()[key], solve(dict.fromkeys(house(), half))[key]
    white = np.linalg.solve(full.correction, np.ones(3))
    np.testing.assert_allclose(
        log_chromaticity_from_working(kept.correction @ white),
        0.5 * log_chromaticity_from_working(white),
        atol=1e-9,
    )
    assert (kept.correction @ white) @ LUMINANCE_OF_WORKING == pytest.approx(white @ LUMINANCE_OF_WORKING)


def test_strength_nought_passes_the_frame() -> None:
    key, none = next(iter(house())), BalanceSettings(strength=0.0)
    solution = solve({key: none})[key]
    np.testing.assert_allclose(finish(key, solution, none), house()[key][0], atol=1e-6)


def test_bands_give_the_same_bits() -> None:
    key, balance = next(iter(house())), Balance()
    for settings in (FULL, replace(FULL, strength=0.4)):
        solution = solve()[key]
        facts = replace(seen(key, FULL).facts, correction=solution.correction)
        rows = house()[key][0]
        prepared = balance.prepare(StageContext(Frame(rows, facts), solution.data), settings).data
        whole = balance.apply(Band(rows.copy(), 0, facts), settings, prepared)
        parts = [
            balance.apply(Band(rows[at : at + 13].copy(), at, facts), settings, prepared)
            for at in range(0, len(rows), 13)
        ]
        np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_a_fixed_kelvin_is_a_hard_constraint() -> None:
    key = next(iter(house()))
    notes = solve({key: BalanceSettings(strength=1.0, kelvin=3200.0, duv=0.002)})[key].notes
    assert notes["light_cct_kelvin"] == pytest.approx(3200, abs=1)
    assert notes["light_duv"] == pytest.approx(0.002, abs=1e-4)
    assert notes["set_by_hand"] == "yes"


def test_a_named_neutral_becomes_neutral_and_its_room_follows() -> None:
    first, second = list(house())[:2]
    yaw, pitch = spot(first)
    hand = BalanceSettings(strength=1.0, neutral_yaw_deg=yaw, neutral_pitch_deg=pitch, neutral_size_deg=3.0)
    free, solutions = solve(), solve({first: hand})
    rows = finish(first, solutions[first])
    mask = house()[first][1].cards["back"]
    assert np.abs(log_chromaticity_from_working(rows[mask].mean(axis=0))).max() < 0.03
    moved = [log_chromaticity_from_working(s[second].correction @ np.ones(3)) for s in (free, solutions)]
    assert np.abs(moved[1] - moved[0]).max() > 1e-4


def test_a_direction_is_one_in_the_file() -> None:
    key = next(iter(house()))
    yaw, pitch = spot(key)
    plain = BalanceSettings(neutral_yaw_deg=yaw, neutral_pitch_deg=pitch, neutral_size_deg=1.0)
    turned = replace(plain, neutral_yaw_deg=(yaw + 360 * 100 / WIDTH + 180) % 360 - 180)
    assert seen(key, plain).seen.hand == pytest.approx(seen(key, turned, 100).seen.hand, abs=1e-9)


def test_an_unreadable_spot_asks_for_a_look() -> None:
    key, balance = next(iter(house())), Balance()
    settings = replace(FULL, neutral_yaw_deg=0.0, neutral_pitch_deg=80.0)
    clipped = np.ones((WIDTH // 2, WIDTH, 3), np.float32)
    facts = FrameFacts(key, WIDTH, WIDTH // 2, white_xy=CAMERA)
    observed = {key: Observation(balance.survey(Frame(clipped, facts), settings), settings, facts)}
    solution = balance.solve(observed, JobFacts({}))[key]
    look = StageContext(Frame(clipped, replace(facts, correction=solution.correction)), solution.data)
    assert any("clipped or black" in words for words in balance.prepare(look, settings).review_reasons)


def test_the_reference_frame_keeps_the_camera_s_white() -> None:
    key = FrameKey("bath", "bath-1")
    np.testing.assert_allclose(solve(reference=key)[key].correction, np.eye(3), atol=1e-4)


def test_a_frame_may_stand_alone() -> None:
    key = FrameKey("bath", "bath-1")
    alone = replace(FULL, together=False)
    one = Balance().solve({key: seen(key, alone)}, JobFacts({}))[key]
    np.testing.assert_array_equal(solve({key: alone})[key].correction, one.correction)


def test_an_indoor_exposure_speaks_against_a_sky_and_never_decides_alone() -> None:
    key = next(iter(house()))
    facts = FrameFacts(key, WIDTH, WIDTH // 2, capture=Capture(exposure_s=0.5, f_number=5.6, iso=200.0))
    bright = np.full((WIDTH // 2, WIDTH, 3), 0.2, np.float32)
    bright[: WIDTH // 6] = 3.0
    blue = bright * np.array((0.4, 0.9, 2.0), np.float32)
    blue[: WIDTH // 6] *= 0.15
    unknown = replace(facts, capture=Capture(), white_xy=CAMERA)
    skies = [
        Balance().survey(Frame(rows, told), FULL).evidence.open_sky
        for rows, told in ((bright, facts), (bright, unknown), (blue, replace(facts, white_xy=CAMERA)))
    ]
    assert skies[0] < 0.5
    assert min(skies[1:]) > 0.8


def test_without_a_solution_nothing_happens() -> None:
    rows = np.full((64, 128, 3), 0.4, np.float32)
    frame = Frame(rows, FrameFacts(FrameKey("a", "b"), 128, 64))
    assert Balance().prepare(StageContext(frame), FULL).data is None
