"""A frame at a small width lies on the file's own grid."""

from dataclasses import replace

import numpy as np
import pytest

from panopipe.frame import FrameFacts
from panopipe.pipeline.engine import reduce_rows
from panopipe.run.small_frame import SmallFrame
from tests.run.fakes import HALL_1, light


@pytest.mark.parametrize("anchor", [0, 1, 37, 95])
@pytest.mark.parametrize("width", [48, 64, 96])
def test_its_pixels_are_those_of_the_file_reduced_whatever_the_anchor(anchor: int, width: int) -> None:
    """Once seen: up to half a pixel beside the finished file, so that every edge differed from it."""
    file = light(96)
    facts = replace(FrameFacts(HALL_1, 96, 48), anchor_column=anchor)
    small = SmallFrame(np.roll(file, -anchor, axis=1), facts, width)
    as_file = np.roll(small.read(0, width // 2), small.facts.anchor_column, axis=1)
    assert np.allclose(as_file, reduce_rows(file, width), atol=1e-5)
