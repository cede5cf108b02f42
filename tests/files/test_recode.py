"""A second coding for a smaller file: as good as fits, the same picture and metadata."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from panopipe.files.icc import srgb_profile
from panopipe.files.jpeg import Sampling, encode_jpeg, marker_segments
from panopipe.files.recode import LOWEST_QUALITY, recoded
from tests.review.pictures import room

PICTURE = room(512, seed=3)


def metadata(data: bytes) -> list[bytes]:
    return [data[start:end] for marker, start, end in marker_segments(data) if 0xE1 <= marker <= 0xEF]


@pytest.mark.parametrize("sampling", ["4:4:4", "4:2:2", "4:2:0"])
def test_it_fits_with_metadata_and_sampling_as_they_were(sampling: Sampling) -> None:
    icc = srgb_profile()
    data = encode_jpeg(PICTURE, quality=96, sampling=sampling, exif=b"II*\0 facts", xmp=b"<x/>", icc=icc)
    small, quality = recoded(data, len(data) * 3 // 4)
    assert len(small) <= len(data) * 3 // 4
    assert metadata(small) == metadata(data)
    expected = encode_jpeg(decoded(data), quality=quality, sampling=sampling)
    assert np.array_equal(decoded(small), decoded(expected))


def test_it_is_the_best_that_fits() -> None:
    data = encode_jpeg(PICTURE, quality=96)
    small, quality = recoded(data, len(data) * 3 // 4)
    better = encode_jpeg(decoded(data), quality=quality + 1)
    assert len(small) <= len(data) * 3 // 4 < len(better)


def test_what_cannot_fit_is_said() -> None:
    data = encode_jpeg(PICTURE, quality=90)
    with pytest.raises(ValueError, match=f"even at quality {LOWEST_QUALITY}; export a smaller width"):
        recoded(data, 2000)
    with pytest.raises(ValueError, match="cut short or damaged"):
        recoded(b"no picture", 2000)


def decoded(data: bytes) -> NDArray[np.uint8]:
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), dtype=np.uint8)
