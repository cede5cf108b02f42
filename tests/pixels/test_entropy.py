"""Coded pictures are read to the last code: the library's samples, and the same faults in both forms."""

import io
from typing import Any
from unittest import mock

import imagecodecs
import numpy as np
import pytest
from PIL import Image

from panopipe.files import jpeg_codes
from panopipe.files.jpeg_codes import read_jpeg
from panopipe.pixels.blocks import read_blocks
from panopipe.pixels.compiled import COMPILED
from panopipe.pixels.lossless import read_lossless

needs_kernels = pytest.mark.skipif(
    not COMPILED,
    reason="panopipe was installed without a compiler; coded pictures are checked by their markers",
)
RANDOM = np.random.default_rng(5)
ROOM = np.cumsum(RANDOM.integers(-90, 91, (12, 18, 3)), axis=1).astype(np.uint16) + 9000


def lossless(samples: np.ndarray = ROOM, **options: Any) -> bytes:
    options = {
        "predictor": 1,
        "bitspersample": 16,
        "colorspace": "UNKNOWN",
        "outcolorspace": "UNKNOWN",
    } | options
    return bytes(imagecodecs.jpeg8_encode(samples, lossless=True, **options))


def lossy(mode: str = "RGB", **options: Any) -> bytes:
    into = io.BytesIO()
    Image.fromarray((ROOM >> 6).astype(np.uint8)).convert(mode).save(into, "jpeg", **options)
    return into.getvalue()


CODED = {
    **{f"predictor {number}": lossless(predictor=number) for number in range(1, 8)},
    "one plane": lossless(ROOM[:, :, 0].copy()),
    "12 bits": lossless(ROOM >> 4, bitspersample=12),
    "restarts": lossy(restart_marker_blocks=2),
    "4:2:0": lossy(subsampling=2),
    "4:2:2": lossy(subsampling=1),
    "progressive": lossy(progressive=True, quality=95),
    "progressive 4:2:0": lossy(progressive=True, subsampling=2, restart_marker_rows=1),
    "grey": lossy("L"),
    "four planes": lossy("CMYK"),
}


@needs_kernels
@pytest.mark.parametrize("coded", CODED.values(), ids=CODED)
def test_a_sound_picture_is_read(coded: bytes) -> None:
    """Lossless samples are those that the codec library decodes."""
    samples = read_jpeg(coded)
    if coded[2:].find(b"\xff\xc3") >= 0:
        assert np.array_equal(np.squeeze(samples), imagecodecs.jpeg8_decode(coded))
    else:
        assert samples is None


def outcome(coded: bytes) -> Any:
    try:
        samples = read_jpeg(coded)
    except ValueError as error:
        return str(error)
    return None if samples is None else samples.tolist()


def damaged(coded: bytes, random: np.random.Generator) -> bytes:
    """A bit turned, a hole or noise, behind the headers."""
    held, start = bytearray(coded), coded.rfind(b"\xff\xda") + 8
    at = int(random.integers(start, len(held)))
    match random.integers(0, 3):
        case 0:
            held[at] ^= 1 << int(random.integers(0, 8))
        case 1:
            held[at : at + 9] = bytes(len(held[at : at + 9]))
        case _:
            held[at : at + 5] = random.bytes(len(held[at : at + 5]))
    return bytes(held)


@needs_kernels
@pytest.mark.parametrize("coded", CODED.values(), ids=CODED)
def test_the_compiled_form_does_as_the_definition(coded: bytes) -> None:
    """Ten damages each: the same samples, or the same fault."""
    random = np.random.default_rng(len(coded))
    for held in [coded, *(damaged(coded, random) for _ in range(10))]:
        found = outcome(held)
        with (
            mock.patch.object(jpeg_codes, "read_blocks", read_blocks.__wrapped__),
            mock.patch.object(jpeg_codes, "read_lossless", read_lossless.__wrapped__),
        ):
            assert outcome(held) == found


@needs_kernels
@pytest.mark.parametrize("coded", CODED.values(), ids=CODED)
def test_lost_codes_are_found(coded: bytes) -> None:
    """A hole takes codes away, or puts more in: the picture and its bytes no longer end together."""
    start = coded.rfind(b"\xff\xda") + 14
    assert isinstance(outcome(coded[:start] + bytes(40) + coded[start + 40 :]), str)


@pytest.mark.parametrize("coded", CODED.values(), ids=CODED)
@pytest.mark.parametrize("missing", [1, 2, 30])
def test_a_missing_end_is_found(coded: bytes, missing: int) -> None:
    """B.2.1: an end marker closes every picture. What follows it belongs to others, and is left alone."""
    assert isinstance(outcome(coded[:-missing]), str)
    assert isinstance(outcome(coded[:-missing] + bytes(missing)), str)
    assert outcome(coded + b"\0" + coded) == outcome(coded)
