"""Figures of the chart come from the notes alone."""

import numpy as np
import pytest

from panopipe.frame import FrameKey
from panopipe.studies.white.chart import chart_uv, loci, neutrals

NOTES = {
    "white_before_x": 0.3127, "white_before_y": 0.3290, "white_after_x": 0.3127, "white_after_y": 0.3290,
    "cct_before_kelvin": 6504.0, "cct_after_kelvin": 6504.0, "duv_before": 0.003, "duv_after": 0.003,
    "confidence": 0.2, "set_by_hand": "no", "open_sky": 0.0,
}  # fmt: skip


def test_d65_stands_where_cie_15_puts_it() -> None:
    # u' 0.1978, v' 0.4683 (CIE 15:2018, for the D65 of four decimals).
    assert chart_uv((0.3127, 0.3290)) == pytest.approx((0.1978, 0.4683), abs=5e-5)
    assert neutrals({FrameKey("a", "b"): NOTES})[0].before_uv == pytest.approx((0.1978, 0.4683), abs=5e-5)


def test_a_weak_frame_is_called_weak_unless_set_by_hand() -> None:
    weak, hand = neutrals({FrameKey("a", "1"): NOTES, FrameKey("a", "2"): NOTES | {"set_by_hand": "yes"}})
    assert weak.weak
    assert not hand.weak


def test_frames_without_a_white_are_left_out() -> None:
    assert neutrals({FrameKey("a", "1"): {"exposure_ev": 0.1}}) == []


def test_daylight_lies_on_the_green_side_of_the_black_body() -> None:
    lines = loci()
    near = np.argmin(np.abs(lines.planckian_kelvin - 6250))
    same = np.argmin(np.abs(lines.daylight_kelvin - 6250))
    assert lines.daylight_uv[same, 1] > lines.planckian_uv[near, 1]
