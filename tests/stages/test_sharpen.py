"""Sharpen: the same bits however a frame is cut and turned, isotropic, and only where a frame is soft."""

from dataclasses import replace

import numpy as np
import pytest

from panopipe.frame import NoiseFacts, Rows
from panopipe.pipeline.engine import finish_frame
from panopipe.pipeline.steps import Step
from panopipe.sphere.geometry import direction
from panopipe.stages.sharpen import Sharpen, SharpenSettings
from tests.run.fakes import OpenedArray, Raw, RawSettings, light

WIDTH = 512
SOFT, SHARP = 0.3, 1.5
"""Ratios of energies at edges: a blur of about a pixel, and of none."""


def sharpened(
    rows: Rows,
    ratio: float = SOFT,
    settings: SharpenSettings | None = None,
    grain: float = 0.0,
    **options: object,
) -> Rows:
    opened = OpenedArray(rows)
    nothing = np.zeros((4, 2, 3, 3, 12), np.float32), np.zeros((4, 12, 3), np.float32)
    noise = NoiseFacts(*nothing, np.eye(3), rows.shape[1], None, ratio)
    opened.facts = replace(opened.facts, noise=noise, grain=grain)
    steps = [Step(Sharpen(), settings or SharpenSettings()), Step(Raw(), RawSettings())]
    finished = finish_frame(opened, steps, **options)
    return np.frombuffer(finished.outputs[0].data, np.float32).reshape(rows.shape)


def test_any_cut_and_any_turn_give_the_same_bits() -> None:
    whole = sharpened(light(WIDTH), whole=True)
    for rows in (1, 7, 100):
        assert np.array_equal(sharpened(light(WIDTH), rows_at_once=rows), whole)
    for columns in (1, 255, WIDTH // 2):
        turned = sharpened(np.ascontiguousarray(np.roll(light(WIDTH), columns, axis=1)))
        assert np.array_equal(np.roll(whole, columns, axis=1), turned)


def test_what_is_sharp_or_unknown_or_neutral_is_left() -> None:
    rows = light(WIDTH)
    assert np.array_equal(sharpened(rows, SHARP), rows)
    assert np.array_equal(sharpened(rows, 0.0), rows)
    assert np.array_equal(sharpened(rows, settings=SharpenSettings(0)), rows)


def test_noise_that_is_left_is_hardly_raised() -> None:
    """By 1.1 at most once the stage knows of it: noise of 2 % on a wall, as in a dim room."""
    random = np.random.default_rng(7)
    wall = (0.4 * (1 + 0.02 * random.standard_normal((256, WIDTH, 1)))).repeat(3, axis=2).astype(np.float32)
    unknown, known = (sharpened(wall, grain=grain)[64:192].std() for grain in (0.0, 0.02))
    assert unknown > 1.2 * wall[64:192].std()
    assert known < 1.1 * wall[64:192].std()


def disc(pitch_deg: float) -> Rows:
    """A soft disc of 8 degrees around a direction, its edge blurred by a pixel."""
    height = 1024
    yaw = ((np.arange(2 * height) + 0.5) / height - 1) * 180
    pitch = (0.5 - (np.arange(height) + 0.5) / height) * 180
    away = np.degrees(
        np.arccos(np.clip(direction(yaw[None], pitch[:, None]) @ direction(0, pitch_deg), -1, 1))
    )
    rise = 0.5 * (1 + np.tanh((8 - away) / (2 * 180 / height)))
    return np.repeat((0.1 + 0.5 * rise)[..., None], 3, axis=-1).astype(np.float32)


def test_edges_gain_alike_at_every_pitch() -> None:
    """Steepest rise along the meridian and across it, before and after: the same gain within 8 %."""
    gains = []
    for pitch_deg in (0, 30, 60):
        before = disc(pitch_deg)[..., 1]
        after = sharpened(disc(pitch_deg))[..., 1]
        row = round((0.5 - pitch_deg / 180) * 1024)
        gains.append(np.abs(np.diff(after[:, 1024])).max() / np.abs(np.diff(before[:, 1024])).max())
        gains.append(np.abs(np.diff(after[row])).max() / np.abs(np.diff(before[row])).max())
    assert min(gains) > 1.1
    assert max(gains) / min(gains) == pytest.approx(1, abs=0.08)
