"""Runs of files that may be one frame, and the sentence that says why a take is finished."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from panopipe.exposures.grouping import candidate_groups, reason
from panopipe.studies.takes.choose import Choice
from panopipe.studies.takes.take import Fault, Kind
from tests.makers.camera import shoot
from tests.makers.dng import Shot

SPOT = Fault(Kind.FLARE, 1.44, "EV", 2.4, 30.0, -10.0)
BLUR = Fault(Kind.BLUR, 3.1, "px", 1.2)
NAMES = ("deck-01", "deck-02")


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        (Choice(0, ((), ()), True, "", 0.9), "deck-01 is finished, none is worse than another"),
        (Choice(1, ((SPOT,), ()), True, "", 0.9), "deck-02 is finished; deck-01 has a flare spot of 1.4 EV"),
        (
            Choice(1, ((SPOT, BLUR), (BLUR,)), True, "", 0.9),
            "deck-02 is finished, though it has blur of 3.1 pixels; deck-01 has a flare spot of 1.4 EV",
        ),
        (
            Choice(0, ((), ()), False, "they could not be laid on each other", 0.1),
            "deck-01 is finished, but that is unsure: they could not be laid on each other",
        ),
    ],
)
def test_the_reason_is_one_sentence(choice: Choice, said: str) -> None:
    assert reason(choice, NAMES) == said


def test_runs_of_exposures_and_takes_that_touch_are_one(tmp_path: Path) -> None:
    light, files = np.ones((8, 16, 3), np.float32), []
    for number, (taken, ev) in enumerate(
        [("10:00:00", 0), ("10:00:02", 2), ("10:05:00", 0), ("15:00:00", 0)]
    ):
        shot = Shot(taken=f"2026:11:24 {taken}", exposure_s=2.0**ev / 30)
        path = tmp_path / f"deck-{number + 1}.dng"
        files.append(shoot(path, light, saturation=2, baseline_ev=0, seed=number, shot=replace(shot)))
    assert candidate_groups(files) == [(0, 1, 2)]
