from dataclasses import replace

import numpy as np
import pytest

from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.pixels.adaptation import NEARLY_CLIPPED
from panopipe.registry import loaded_stage
from panopipe.stage import StageContext
from panopipe.stages.light import Light, LightSettings
from panopipe.studies.white.cones import correction_matrix

WIDTH = 256
RANDOM = np.random.default_rng(8)
FACTS = FrameFacts(
    FrameKey("lounge", "lounge-1"),
    WIDTH,
    WIDTH // 2,
    correction=correction_matrix((0.1, -0.3), 0.9),
    light=(RANDOM.random((64, 128, 2)) * (0.2, -0.6) - (0.1, -0.3)).astype(np.float32),
    clips_at=(1.0, 1.9),
)


def frame() -> np.ndarray:
    return (2 * RANDOM.random((WIDTH // 2, WIDTH, 3))).astype(np.float32)


def evened(
    rows: np.ndarray, facts: FrameFacts = FACTS, percent: float = 100.0, cut: int = WIDTH
) -> np.ndarray:
    stage, settings = Light(), LightSettings(evened_percent=percent)
    prepared = stage.prepare(StageContext(Frame(rows, facts)), settings).data
    if prepared is None:
        return rows
    bands = [Band(rows[at : at + cut].copy(), at, facts) for at in range(0, len(rows), cut)]
    return np.concatenate([stage.apply(band, settings, prepared) for band in bands])


def test_the_contract_takes_it() -> None:
    assert isinstance(loaded_stage("light"), Light)


def test_nought_percent_is_the_frame_itself() -> None:
    rows = frame()
    assert evened(rows, percent=0) is rows


@pytest.mark.parametrize("facts", [replace(FACTS, light=None), replace(FACTS, correction=None)])
def test_a_frame_whose_light_nobody_followed_passes(facts: FrameFacts) -> None:
    rows = frame()
    assert evened(rows, facts) is rows


def test_under_one_light_only_what_clipped_changes() -> None:
    """A lamp that clipped in all planes goes the way of the white; all else keeps its bits."""
    rows, facts = frame(), replace(FACTS, light=np.zeros_like(FACTS.light))
    rows[40:50, 40:60] = 1.9
    seen, nearly = evened(rows, facts), rows.min(axis=-1) > NEARLY_CLIPPED[0] * 1.9
    assert np.array_equal(seen[~nearly], rows[~nearly])
    lamp = seen[45, 50] @ FACTS.correction.T
    assert lamp == pytest.approx(np.full(3, lamp[1]), rel=1e-4)
    assert np.array_equal(evened(rows, facts, cut=13), seen)


def test_under_a_light_that_is_white_nothing_changes() -> None:
    rows, facts = frame(), replace(FACTS, light=np.zeros_like(FACTS.light), correction=np.eye(3))
    assert evened(rows, facts) is rows


def test_bands_give_the_same_bits() -> None:
    rows = frame()
    assert np.array_equal(evened(rows, cut=13), evened(rows))


def test_it_turns_with_the_frame_and_its_light() -> None:
    rows = frame()
    turned = replace(FACTS, light=np.roll(FACTS.light, 64, axis=1))
    found = evened(np.roll(rows, WIDTH // 2, axis=1), turned)
    assert np.allclose(np.roll(evened(rows), WIDTH // 2, axis=1), found)


def test_the_sides_close_and_the_poles_are_no_edges() -> None:
    light = np.broadcast_to(FACTS.light.mean(axis=1, keepdims=True), FACTS.light.shape)
    found = evened(np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32), replace(FACTS, light=light))
    assert np.abs(found[:, 0] - found[:, -1]).max() < 1e-6
    assert np.ptp(found[0], axis=0).max() < 1e-6


def test_later_stages_hear_that_light_is_even() -> None:
    facts = Light().prepare(StageContext(Frame(frame(), FACTS)), LightSettings()).facts
    assert facts is not None
    assert facts.light is None
    assert facts.correction is FACTS.correction


def test_it_draws_a_map_of_the_light_in_the_yaw_of_the_file() -> None:
    """A frame whose warm half begins at the file's left edge says so, wherever its anchor column lies."""
    warm = np.zeros((64, 128, 2), np.float32)
    warm[:, :64] = (0.1, -0.25)
    turned = replace(FACTS, light=np.roll(warm, -32, axis=1), anchor_column=WIDTH // 4)
    notes = Light().prepare(StageContext(Frame(frame(), turned)), LightSettings()).notes
    rows = str(notes["evened_map"]).split("/")
    assert rows == ["7" * 12 + "5" * 12] * 12  # 47 mired of 0.0057 each: two steps of 20
