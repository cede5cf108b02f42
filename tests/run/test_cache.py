"""What a look keeps comes back as it was, or not at all."""

from pathlib import Path

import numpy as np
import pytest

from panopipe.frame import FrameKey
from panopipe.run.cache import (
    cache_name,
    cached_probe,
    cached_reduced,
    probe_bytes,
    probe_name,
    reduced_bytes,
)
from panopipe.run.tasks import FrameFiles
from panopipe.stages.decode import Decode

ROWS = np.random.default_rng(3).random((32, 64, 3), dtype=np.float32)
FOUND = ("any", 3, 0.25, ROWS[0])
SHARES = (0.0, 0.3, 0.7, 0.99999)


def damaged(data: bytes, share: float) -> bytes:
    """One bit lost, the lowest of a byte: light stays light and text stays text."""
    held = bytearray(data)
    held[int(share * len(held))] ^= 1
    return bytes(held)


def kept(folder: Path, data: bytes) -> dict[str, object]:
    """What a source is handed when these bytes lie in the job folder."""
    files = FrameFiles(str(folder), FrameKey("", "a"), (), cache_name(".", "0" * 64))
    files.at(probe_name(files.reduced)).write_bytes(data)
    return cached_probe(files, Decode())


def test_light_comes_back_and_may_be_written_on(tmp_path: Path) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(reduced_bytes(ROWS))
    back = cached_reduced(path, 64)
    assert back is not None
    assert np.array_equal(back, ROWS)
    back += 1
    assert cached_reduced(path, 32) is None
    assert cached_reduced(tmp_path / "b.raw", 64) is None


@pytest.mark.parametrize("share", SHARES)
def test_light_with_a_bit_lost_is_not_taken(tmp_path: Path, share: float) -> None:
    """A fault once seen: a frame was finished with such light as if it were its own."""
    path = tmp_path / "a.raw"
    path.write_bytes(damaged(reduced_bytes(ROWS), share))
    assert cached_reduced(path, 64) is None


def test_what_was_found_comes_back(tmp_path: Path) -> None:
    name, count, part, rows = kept(tmp_path, probe_bytes(FOUND))["probed"]  # type: ignore[misc]
    assert (name, count, part) == FOUND[:3]
    assert np.array_equal(rows, ROWS[0])


@pytest.mark.parametrize("share", SHARES)
def test_what_was_found_is_not_taken_with_a_bit_lost(tmp_path: Path, share: float) -> None:
    assert kept(tmp_path, damaged(probe_bytes(FOUND), share)) == {}


@pytest.mark.parametrize("data", [b"", b"1234", b"[]", b"\0" * 64])
def test_what_was_never_written_is_not_taken(tmp_path: Path, data: bytes) -> None:
    assert kept(tmp_path, data) == {}
