"""Coded strips and tiles decoded row by row: the same samples as decoded whole."""

from pathlib import Path

import numpy as np
import pytest

from panopipe.files.coded import CodedSegments
from panopipe.files.picture import open_picture
from panopipe.files.samples import TabledSamples
from tests.makers.dng import write_linear_dng

SAMPLES = np.random.default_rng(4).integers(0, 60_000, (64, 128, 3)).astype(np.uint16)


@pytest.mark.parametrize(
    "form",
    [
        {"compression": "ljpeg", "tile": (16, 48)},
        {"compression": "deflate", "rows_per_strip": 24},
        {"compression": "deflate", "rows_per_strip": 16, "linearization": list(range(65536))[::-1]},
    ],
)
def test_rows_are_those_of_the_whole(tmp_path: Path, form: dict) -> None:
    path = write_linear_dng(tmp_path / "a.dng", SAMPLES, **form)
    whole, streamed = open_picture(path).samples, open_picture(path, streamed=True).samples
    inner = streamed.inner if isinstance(streamed, TabledSamples) else streamed
    assert isinstance(inner, CodedSegments)
    for first, last in ((0, 64), (5, 9), (10, 40), (60, 64), (0, 1)):
        np.testing.assert_array_equal(streamed.rows(first, last), whole.rows(first, last))
    streamed.close()
