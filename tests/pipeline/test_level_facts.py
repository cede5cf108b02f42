"""What a frame's file said of its lean is gone once the frame stands upright."""

import numpy as np

from panopipe.capture import Capture
from panopipe.frame import FrameFacts, FrameKey, Rows
from panopipe.pipeline.frame_pipeline import FramePipeline, StageInputs
from panopipe.pipeline.steps import StageTimer, Step
from panopipe.stage import FrameReader
from panopipe.stages.level import Level, LevelSettings


class Room(FrameReader):
    def __init__(self) -> None:
        capture = Capture(heading_deg=90.0, pitch_deg=2.0, roll_deg=None)
        self.facts = FrameFacts(FrameKey("hall", "hall-01"), 64, 32, capture=capture)
        self.notes = {}

    def reduced(self, width: int) -> Rows:
        return self.read(0, 32)

    def read(self, first: int, last: int) -> Rows:
        return np.full((last - first, 64, 3), 0.5, np.float32)

    def close(self) -> None:
        pass


def capture_after(settings: LevelSettings) -> Capture:
    reader = Room()
    step = Step(Level(), settings)
    passage = FramePipeline(
        reader, (step,), StageInputs(), reader.read(0, 32), StageTimer(), source="decode", band_rows=8
    )
    passage.prepare(1)
    return passage.facts.capture


def test_levelled_frames_carry_no_lean() -> None:
    after = capture_after(LevelSettings(tilt_deg=2.0))
    assert (after.heading_deg, after.pitch_deg, after.roll_deg) == (90.0, 0.0, None)


def test_frames_left_alone_keep_what_their_file_said() -> None:
    assert capture_after(LevelSettings()).pitch_deg == 2.0
