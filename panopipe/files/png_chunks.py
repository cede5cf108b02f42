"""Whether a PNG is whole, by the checksum of each chunk (ISO/IEC 15948:2004, 5.3)."""

from __future__ import annotations

import zlib

_SIGNATURE_BYTES = 8
_CRITICAL = 0x20
"""The bit that is 0 in the first letter of chunks that a picture cannot do without."""


def check_png(data: bytes) -> None:
    """Compare the checksum of every chunk that the picture needs, up to its end.

    Raises
    ------
    ValueError
        If one is damaged or missing.
    """
    at = _SIGNATURE_BYTES
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4])
        name = data[at + 4 : at + 8]
        end = at + 8 + length
        if end + 4 > len(data):
            break
        is_needed = not name[0] & _CRITICAL
        if is_needed and zlib.crc32(memoryview(data)[at + 4 : end]) != int.from_bytes(data[end : end + 4]):
            raise ValueError(f"the checksum of its chunk at byte {at} is wrong")
        if name == b"IEND":
            return
        at = end + 4
    raise ValueError("it ends before its last chunk")
