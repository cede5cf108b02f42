"""Bytes with a checksum behind them: a disk that lost some must not change a picture."""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

CHECKSUM_BYTES = 4
"""Length of the CRC-32 behind the data."""


def checksummed(data: bytes | memoryview) -> bytes:
    """Return the data with their checksum behind them."""
    return b"".join((data, zlib.crc32(data).to_bytes(CHECKSUM_BYTES, "little")))


def verified(data: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
    """Return the data without their checksum, or None if it is not theirs."""
    body, checksum = data[:-CHECKSUM_BYTES], data[-CHECKSUM_BYTES:]
    sound = len(body) > 0 and zlib.crc32(body.data) == int.from_bytes(checksum.tobytes(), "little")
    return body if sound else None


def sound_text(data: object) -> str | None:
    """Text that was kept with a checksum, as a database gives it back; None if it is not that any longer."""
    body = verified(np.frombuffer(data, np.uint8)) if isinstance(data, bytes) else None
    return None if body is None else body.tobytes().decode(errors="replace")
