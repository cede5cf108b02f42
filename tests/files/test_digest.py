"""The checksum that a DNG carries of its samples, made here by the rules in other words than the reader's."""

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from panopipe.files.picture import open_picture
from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode, DecodeSettings
from tests.makers.dng import BYTE, Tag, write_linear_dng

SAMPLES = np.random.default_rng(3).integers(0, 60000, (300, 600, 3), dtype=np.uint16)


def md5(data: bytes) -> bytes:
    return hashlib.md5(data, usedforsecurity=False).digest()


def older(samples: np.ndarray) -> bytes:
    """DNG 1.7.1, tag 50972: row by row, 16 bits each, little-endian."""
    return md5(samples.astype("<u2").tobytes())


def newer(samples: np.ndarray) -> bytes:
    """Tag 51111, as the reference library computes it: areas of 256x256, each plane by plane."""
    areas = [samples[y : y + 256, x : x + 256] for y in (0, 256) for x in (0, 256, 512)]
    return md5(b"".join(md5(b"".join(area[:, :, plane].tobytes() for plane in range(3))) for area in areas))


FORMS: dict[str, dict[str, Any]] = {
    "plain": {}, "tiles": {"tile": (128, 128)}, "big-endian": {"big_endian": True},
    "lossless JPEG": {"compression": "ljpeg"},
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
@pytest.mark.parametrize(("code", "digest"), [(50972, older), (51111, newer)])
def test_a_checksum_is_compared(tmp_path: Path, form: dict, code: int, digest: Any) -> None:
    value = digest(SAMPLES)
    for wrong in (False, True):
        value = value[:-1] + bytes([value[-1] ^ wrong])
        path = write_linear_dng(tmp_path / "a.dng", SAMPLES, extra=[Tag(code, BYTE, value)], **form)
        with Decode().open([path], FrameKey("a", "b"), DecodeSettings()) as frame:
            assert any("its own checksum" in reason for reason in frame.review_reasons) == wrong


def test_the_newer_checksum_of_lossy_samples_is_that_of_their_codes(tmp_path: Path) -> None:
    eight = (SAMPLES >> 8).astype(np.uint8)
    path = write_linear_dng(tmp_path / "a.dng", eight, compression="jpeg", rows_per_strip=160)
    data, form = path.read_bytes(), open_picture(path).stored.form
    strips = [md5(data[at : at + count]) for at, count in zip(form.offsets, form.counts, strict=True)]
    tag = Tag(51111, BYTE, md5(b"".join(strips)))
    path = write_linear_dng(path, eight, compression="jpeg", rows_per_strip=160, extra=[tag])
    picture = open_picture(path)
    assert picture.stored.digest_fits()
    picture.samples.close()


def test_a_checksum_whose_head_a_writer_spoiled_is_none_of_the_samples_fault(tmp_path: Path) -> None:
    """The reference library knows of a writer that spoiled the first four bytes of the older one."""
    tag = Tag(50972, BYTE, b"\x08\0\0\0" + older(SAMPLES)[4:])
    path = write_linear_dng(tmp_path / "a.dng", SAMPLES, extra=[tag])
    picture = open_picture(path)
    assert picture.stored.digest_fits()
    picture.samples.close()
