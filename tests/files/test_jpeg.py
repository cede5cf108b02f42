import io

import cv2
import numpy as np
import pytest
from PIL import Image

from panopipe.files.icc import srgb_profile
from panopipe.files.jpeg import (
    JpegStream,
    encode_jpeg,
    metadata_segments,
    preview_jpeg,
    relabelled,
    width_of,
)

SAMPLINGS = ("4:4:4", "4:2:2", "4:2:0")


def picture(height: int, width: int) -> np.ndarray:
    noise = np.random.default_rng(1).integers(0, 256, (height // 4 + 1, width // 4 + 1, 3), dtype=np.uint8)
    return cv2.resize(noise, (width, height), interpolation=cv2.INTER_CUBIC)


def streamed(rgb8: np.ndarray, cuts: list[int], **options: object) -> bytes:
    stream = JpegStream(rgb8.shape[1], rgb8.shape[0], **options)  # type: ignore[arg-type]
    first = 0
    while first < len(rgb8):
        count = cuts[first % len(cuts)]
        stream.take(rgb8[first : first + count])
        first += count
    return bytes(stream.finish())


@pytest.mark.parametrize("sampling", SAMPLINGS)
@pytest.mark.parametrize("shape", [(128, 256), (125, 250), (17, 34), (1, 2)])
def test_same_bytes_however_cut(sampling: str, shape: tuple[int, int]) -> None:
    rgb8 = picture(*shape)
    whole = streamed(rgb8, [shape[0]], quality=92, sampling=sampling)
    for cuts in ([1], [7, 5], [8], [16], [33]):
        assert streamed(rgb8, cuts, quality=92, sampling=sampling) == whole


@pytest.mark.parametrize("sampling", SAMPLINGS)
def test_pixels_are_those_of_coding_at_once(sampling: str) -> None:
    """The strips add restart markers and nothing else: two decoders see what one call would have given."""
    rgb8 = picture(122, 250)
    factor = {"4:4:4": 0x111111, "4:2:2": 0x211111, "4:2:0": 0x221111}[sampling]
    options = [cv2.IMWRITE_JPEG_QUALITY, 92, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, factor]
    at_once = cv2.imencode(".jpg", rgb8[..., ::-1], options)[1]
    ours = streamed(rgb8, [9], quality=92, sampling=sampling)
    assert np.array_equal(cv2.imdecode(np.frombuffer(ours, np.uint8), 1), cv2.imdecode(at_once, 1))
    pillow = [np.asarray(Image.open(io.BytesIO(data))) for data in (ours, at_once.tobytes())]
    assert np.array_equal(*pillow)


def test_channels_stand_where_they_should() -> None:
    red = np.zeros((16, 32, 3), np.uint8)
    red[..., 0] = 255
    pixel = np.asarray(Image.open(io.BytesIO(encode_jpeg(red, quality=95))))[8, 8]
    assert pixel[0] > 250
    assert pixel[1:].max() < 5


def test_preview_is_small_and_readable() -> None:
    data = preview_jpeg(picture(64, 128), 80)
    assert Image.open(io.BytesIO(data)).size == (128, 64)
    assert len(data) < len(encode_jpeg(picture(64, 128), quality=95))


def test_too_wide_is_said() -> None:
    with pytest.raises(ValueError, match="70000x35000 does not fit a JPEG"):
        JpegStream(70000, 35000, quality=90)


def test_rows_must_fit() -> None:
    stream = JpegStream(32, 16, quality=90)
    with pytest.raises(ValueError, match="do not fit 32x16"):
        stream.take(np.zeros((4, 30, 3), np.uint8))
    stream.take(np.zeros((12, 32, 3), np.uint8))
    with pytest.raises(ValueError, match="only 12 of 16 rows"):
        stream.finish()
    with pytest.raises(ValueError, match="do not fit 32x16"):
        stream.take(np.zeros((5, 32, 3), np.uint8))


def test_metadata_too_long_is_said() -> None:
    with pytest.raises(ValueError, match="XMP of 70029 bytes is too long"):
        metadata_segments(xmp=b"x" * 70000)
    with pytest.raises(ValueError, match="EXIF of"):
        metadata_segments(exif=b"x" * 65530)


def test_a_long_profile_goes_into_several_segments() -> None:
    profile = np.random.default_rng(2).bytes(150_000)
    data = encode_jpeg(picture(16, 32), quality=90, icc=profile)
    assert Image.open(io.BytesIO(data)).info["icc_profile"] == profile


def test_profile_is_carried_whole() -> None:
    data = encode_jpeg(picture(16, 32), quality=90, icc=srgb_profile())
    assert Image.open(io.BytesIO(data)).info["icc_profile"] == srgb_profile()


def test_metadata_is_exchanged_and_nothing_else() -> None:
    """What stands behind the JFIF header is another; all else is byte for byte what coding anew gives."""
    rgb8 = picture(33, 70)
    first = encode_jpeg(rgb8, quality=90, exif=b"II*\0", xmp=b"<x/>", icc=srgb_profile())
    second = encode_jpeg(rgb8, quality=90, xmp=b"<other/>")
    assert relabelled(first, metadata_segments(xmp=b"<other/>")) == second
    assert width_of(first) == 70
    for cut in (b"", first[:300], first[:3]):
        with pytest.raises(ValueError, match="cut short"):
            relabelled(cut, [])
