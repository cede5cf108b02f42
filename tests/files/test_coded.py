"""Coded strips and tiles decoded row by row: the same samples as decoded whole."""

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from panopipe.files import coded
from panopipe.files.coded import CodedSegments
from panopipe.files.picture import open_picture
from panopipe.files.samples import TabledSamples
from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode, DecodeSettings
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


@pytest.fixture
def decoded(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Tiles as they are decoded."""
    numbers: list[int] = []
    decode_segment = coded.decode_segment

    def counted(file: object, form: object, index: int) -> object:
        numbers.append(index)
        return decode_segment(file, form, index)

    monkeypatch.setattr(coded, "decode_segment", counted)
    return numbers


@pytest.mark.parametrize("start", [0, 16, 29, 33])
def test_each_tile_is_decoded_once_where_the_floor_comes_first(
    tmp_path: Path, decoded: list[int], start: int
) -> None:
    """As a frame is finished: its bottom rows, then from the top down to them, by bands off the tiles."""
    path = write_linear_dng(tmp_path / "a.dng", SAMPLES, compression="ljpeg", tile=(16, 48))
    samples = open_picture(path, streamed=True).samples
    for first in range(start, 64, 7):
        samples.rows(first, min(first + 7, 64))
    for first in range(0, start, 7):
        samples.rows(first, min(first + 7, start))
    samples.close()
    assert sorted(decoded) == list(range(4 * 3))


def test_little_more_than_a_row_of_tiles_is_held(tmp_path: Path) -> None:
    """Of several files that are open at once, each holds as much."""
    path = write_linear_dng(tmp_path / "a.dng", SAMPLES, compression="ljpeg", tile=(16, 48))
    samples, row_of_tiles, began = open_picture(path, streamed=True).samples, 16 * SAMPLES[0].nbytes, 36
    samples.rows(began, 48)  # one row of tiles is held
    tracemalloc.start()
    samples.rows(48, 64)
    for first in range(0, began, 4):
        samples.rows(first, first + 4)
    more, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    samples.close()
    assert 4 * SAMPLES[0].nbytes <= more < row_of_tiles / 2


def test_who_has_looked_at_a_frame_decodes_the_rows_that_are_wanted(
    tmp_path: Path, decoded: list[int]
) -> None:
    path = write_linear_dng(tmp_path / "a.dng", SAMPLES, compression="ljpeg", tile=(16, 48))
    key, settings = FrameKey("", "a"), DecodeSettings(clipped="as-recorded")
    with Decode().open([path], key, settings) as looked:
        whole, probed = looked.read(0, 64), looked.probed
    assert decoded == []  # all at once: it takes several passes
    with Decode().open([path], key, settings, probed) as frame:
        rows = frame.read(56, 64)
    assert sorted(decoded) == [9, 10, 11]
    assert rows.tobytes() == whole[56:].tobytes()
