"""Size and reduced decoding of JPEG, against Pillow as a second reader."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from panopipe.files.reduced import jpeg_size, read_reduced


def coded(width: int, height: int, **options: object) -> bytes:
    ramp = np.linspace(0, 255, width)[np.newaxis, :, np.newaxis] * np.ones((height, 1, 3))
    file = io.BytesIO()
    Image.fromarray(ramp.astype(np.uint8)).save(file, "JPEG", quality=95, **options)  # type: ignore[arg-type]
    return file.getvalue()


@pytest.mark.outside
@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"exif": b"Exif\0\0" + b"\0" * 4000}])
def test_the_size_is_the_one_another_library_wrote(options: dict[str, object]) -> None:
    assert jpeg_size(coded(320, 160, **options)) == (320, 160)


@pytest.mark.parametrize(
    ("enough", "width"), [(10, 40), (40, 40), (41, 80), (160, 160), (161, 320), (999, 320)]
)
def test_the_smallest_reduction_that_is_wide_enough(enough: int, width: int) -> None:
    assert read_reduced(coded(320, 160), enough).shape == (width // 2, width, 3)


def test_a_reduced_picture_is_the_mean_of_the_full_one() -> None:
    data = coded(320, 160)
    full, half = read_reduced(data, 320).astype(float), read_reduced(data, 160).astype(float)
    assert np.abs(full.reshape(80, 2, 160, 2, 3).mean(axis=(1, 3)) - half).max() <= 2


@pytest.mark.parametrize("data", [b"", b"\x89PNG", b"\xff\xd8", b"\xff\xd8\xff\xc0\x00\x11\x08"])
def test_what_is_no_jpeg_is_said_so(data: bytes) -> None:
    with pytest.raises(ValueError, match="JPEG"):
        jpeg_size(data)


def test_a_cut_picture_is_said_so() -> None:
    data = coded(320, 160)
    with pytest.raises(ValueError, match="cut short"):
        read_reduced(data[:400], 320)
