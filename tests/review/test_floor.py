"""A flaw in the rebuilt floor keeps a frame from being fine, says what to set, and where to look."""

import pytest

from panopipe.frame import FrameKey
from panopipe.registry import DEFAULT_ORDER
from panopipe.review.case import Case
from panopipe.review.floor import patch
from panopipe.review.measure import measure
from panopipe.state.record import Effective, FrameRecord
from tests.review.pictures import room

KEY = FrameKey("deck", "deck-01")


def case_of(notes):
    """A finished frame of which the nadir stage noted this."""
    record = FrameRecord(
        KEY,
        "finished",
        order=DEFAULT_ORDER,
        settings={"nadir": {"margin_deg": Effective(0.5, "built-in")}},
        notes={"nadir": notes},
    )
    measures = measure(room(256, seed=1), 256, 128)
    return Case(record, measures, {KEY: measures}, {KEY: measures})


@pytest.mark.parametrize("kind", ["pattern", "joint", "dark spot", "line", "blur"])
def test_a_flaw_is_said_with_its_place_and_a_command(kind):
    notes = {
        "fill_method": "floor",
        "flaw": kind,
        "flaw_size": 1.6,
        "flaw_place": "inside",
        "flaw_yaw_deg": 40.0,
        "flaw_pitch_deg": -81.0,
    }
    finding = patch(case_of(notes))
    assert finding.crossed
    assert finding.look == (40.0, -81.0)
    assert finding.command[:3] == ("panopipe", "set", "JOB")
    assert finding.command[-1].startswith("nadir.")


def test_below_its_bar_it_is_only_measured():
    finding = patch(case_of({"fill_method": "floor", "flaw": "line", "flaw_size": 0.8}))
    assert not finding.crossed
    assert finding.value == 0.8


def test_where_nothing_was_rebuilt_there_is_nothing_to_judge():
    assert patch(case_of({"fill_method": "left as it is"})).value is None
