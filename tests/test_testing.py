"""The checks for plugins' authors: sound stages pass, each kind of fault is found."""

import re
from dataclasses import dataclass

import numpy as np
import pytest

from panopipe.setting import number
from panopipe.stage import Prepared, RowStage
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.stages.vibrance import Vibrance, VibranceSettings
from panopipe.testing import check_stage, noise_frame


@dataclass(frozen=True)
class Share:
    """How much a faulty stage does."""

    share: float = number(0.5, "share", low=0, high=1)


class Faulty(RowStage[Share, float]):
    """Base of stages with one fault each."""

    name, version, summary, Settings = "faulty", 1, "has a fault", Share

    def prepare(self, context, settings):
        return Prepared(settings.share)


class ByBand(Faulty):
    def apply(self, band, settings, prepared):
        return band.rows - prepared * band.rows.mean()


class ByColumn(Faulty):
    def apply(self, band, settings, prepared):
        column = np.arange(band.rows.shape[1]) + band.facts.anchor_column
        return band.rows * (1 + prepared * (column % 7)).astype(np.float32)[:, None]


class NeverNeutral(Faulty):
    def apply(self, band, settings, prepared):
        return band.rows * np.float32(1 + prepared / 2 + 0.01)


@pytest.mark.parametrize(
    ("stage", "settings", "neutral"),
    [
        (Vibrance(), VibranceSettings(), VibranceSettings(dull_chroma_percent=0)),
        (Tone(), ToneSettings(exposure_ev=1.0, highlights_ev=-2.0, shadows_ev=1.0), None),
    ],
    ids=lambda value: getattr(value, "name", ""),
)
def test_our_own_stages_pass(stage, settings, neutral) -> None:
    check_stage(stage, settings, neutral=neutral, rows=noise_frame(256))


@pytest.mark.parametrize(
    ("stage", "says"),
    [
        (ByBand(), "give other bits than the whole"),
        (ByColumn(), "does more than turn it"),
        (NeverNeutral(), "neutral settings change the frame (first at row 0"),
    ],
)
def test_a_fault_is_found_and_named(stage: Faulty, says: str) -> None:
    with pytest.raises(AssertionError, match=re.escape(says)):
        check_stage(stage, Share(), neutral=Share(share=0), rows=noise_frame(64))
