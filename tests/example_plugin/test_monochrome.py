import numpy as np
import pytest
from panopipe_monochrome import Monochrome, MonochromeSettings

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import StageContext
from panopipe.testing import check_stage

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


def test_it_keeps_the_contract() -> None:
    check_stage(Monochrome(), MonochromeSettings(share=0.5), neutral=MonochromeSettings(share=0))
