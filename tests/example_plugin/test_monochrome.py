import numpy as np
import pytest
from panopipe_monochrome import Monochrome, MonochromeSettings

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import StageContext

FACTS = FrameFacts(FrameKey("hall", "hall-01"), width=32, height=16)


def finished(rows: np.ndarray, share: float) -> np.ndarray:
    settings = MonochromeSettings(share=share)
    stage = Monochrome()
    prepared = stage.prepare(StageContext(Frame(rows, FACTS)), settings)
    if prepared.data is None:
        return rows
    return stage.apply(Band(rows.copy(), 0, FACTS), settings, prepared.data)


@pytest.fixture
def rows() -> np.ndarray:
    return np.random.default_rng(5).random((16, 32, 3), dtype=np.float32)


def test_all_colour_taken_leaves_the_luminance(rows: np.ndarray) -> None:
    grey = finished(rows, 1.0)
    assert np.allclose(grey, (rows @ LUMINANCE_OF_WORKING)[..., None], atol=1e-6)


def test_neutral_settings_change_nothing(rows: np.ndarray) -> None:
    assert finished(rows, 0.0) is rows


def test_turning_the_frame_turns_the_result(rows: np.ndarray) -> None:
    turned = finished(np.roll(rows, 7, axis=1), 0.5)
    assert np.array_equal(turned, np.roll(finished(rows, 0.5), 7, axis=1))
