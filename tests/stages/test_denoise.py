"""Denoise: the same bits however a frame is cut and turned, noise gone, and neutral settings are neutral."""

from dataclasses import replace

import numpy as np
import pytest

from panopipe.frame import FrameFacts, FrameKey, NoiseFacts, Rows
from panopipe.pipeline.engine import finish_frame
from panopipe.pipeline.frame_pipeline import StageInputs
from panopipe.pipeline.steps import Step
from panopipe.stage import JobFacts, Observation, Solution
from panopipe.stages.denoise import Denoise, DenoiseSettings
from panopipe.studies.noise.measure import Gatherer, groups_of_rows
from panopipe.studies.noise.model import NoiseModel
from tests.run.fakes import HALL_1, OpenedArray, Raw, RawSettings

WIDTH = 1536
"""Wider than the reduced frame, so that both ways of working are taken."""
PHOTONS, READING = 6e-4, 3.6e-5
"""Six times the base sensitivity of a sensor of 10,000 electrons and a read noise of 10."""
SETTINGS = DenoiseSettings()


def clean(width: int = WIDTH) -> Rows:
    """A grey wall in soft light with a red board in it."""
    columns = np.arange(width) * 2 * np.pi / width
    light = 0.25 + 0.2 * np.cos(columns)[None] * np.sin(np.linspace(0, np.pi, width // 2))[:, None]
    rows = np.repeat(light[..., None], 3, axis=-1)
    rows[width // 5 : width // 4, width // 8 : width // 6] *= [1.2, 0.3, 0.2]
    return rows.astype(np.float32)


def noisy(rows: Rows, seed: int = 3) -> Rows:
    sd = np.sqrt(PHOTONS * rows + READING)
    return (rows + sd * np.random.default_rng(seed).standard_normal(rows.shape)).astype(np.float32)


def reader(rows: Rows) -> OpenedArray:
    gatherer = Gatherer(len(rows), np.eye(3))
    for first, last in groups_of_rows(len(rows)):
        gatherer.take(rows[first:last], first, np.zeros((last - first, rows.shape[1]), bool))
    opened = OpenedArray(rows)
    opened.facts = replace(opened.facts, noise=gatherer.result())
    return opened


def solution(facts: FrameFacts) -> Solution:
    return Denoise().solve({HALL_1: Observation(facts.noise, SETTINGS, facts)}, JobFacts({}))[HALL_1]


def denoised(opened: OpenedArray, settings: DenoiseSettings = SETTINGS, **options: object) -> Rows:
    steps = [Step(Denoise(), settings), Step(Raw(), RawSettings())]
    inputs = StageInputs({"denoise": solution(opened.facts)})
    finished = finish_frame(opened, steps, inputs=inputs, **options)
    return np.frombuffer(finished.outputs[0].data, np.float32).reshape(opened.rows.shape)


@pytest.fixture(scope="module")
def opened() -> OpenedArray:
    return reader(noisy(clean()))


def test_any_cut_gives_the_same_bits(opened: OpenedArray) -> None:
    whole = denoised(opened, whole=True)
    assert np.array_equal(denoised(opened, rows_at_once=7), whole)


def test_turning_the_frame_turns_what_is_done_at_full_size(opened: OpenedArray) -> None:
    """By a multiple of what a reduced pixel covers; any other turn is decode's, by the anchor column."""
    turned = OpenedArray(np.ascontiguousarray(np.roll(opened.rows, 768, axis=1)))
    turned.facts = opened.facts
    assert np.array_equal(np.roll(denoised(opened), 768, axis=1), denoised(turned))


def test_noise_goes_and_colours_stay(opened: OpenedArray) -> None:
    truth, done = clean(), denoised(opened)
    before, after = (np.square(rows - truth).mean() for rows in (opened.rows, done))
    assert after < 0.1 * before
    board = (slice(WIDTH // 5 + 4, WIDTH // 4 - 4), slice(WIDTH // 8 + 4, WIDTH // 6 - 4))
    assert done[board].mean(axis=(0, 1)) == pytest.approx(truth[board].mean(axis=(0, 1)), abs=0.002)


def test_what_is_told_of_the_noise(opened: OpenedArray) -> None:
    steps = [Step(Denoise(), SETTINGS), Step(Raw(), RawSettings())]
    found = finish_frame(opened, steps, inputs=StageInputs({"denoise": solution(opened.facts)}))
    true = 100 * np.sqrt(PHOTONS * 0.18 + READING) / 0.18
    assert found.notes["denoise"]["noise_at_grey_percent"] == pytest.approx(true, rel=0.145)


def test_neutral_settings_and_unknown_noise_change_nothing(opened: OpenedArray) -> None:
    assert np.array_equal(denoised(opened, DenoiseSettings(100, 100)), opened.rows)
    unknown = OpenedArray(opened.rows)
    assert np.array_equal(denoised(unknown), opened.rows)


def test_a_clean_frame_is_left_alone() -> None:
    truth = clean()
    assert np.abs(denoised(reader(truth)) - truth).max() < 1e-3


def test_frames_of_one_camera_share_a_model(opened: OpenedArray) -> None:
    facts = opened.facts
    other = replace(facts, capture=replace(facts.capture, iso=800.0))
    silent = replace(facts, noise=None)
    frames = {FrameKey("a", str(n)): each for n, each in enumerate((facts, facts, other, silent))}
    observed = {key: Observation(each.noise, SETTINGS, each) for key, each in frames.items()}
    solved = Denoise().solve(observed, JobFacts({}))
    models = [solved[key].data for key in frames]
    assert all(isinstance(model, NoiseModel) for model in models)
    assert models[0] is models[1] is models[3]
    assert isinstance(opened.facts.noise, NoiseFacts)
