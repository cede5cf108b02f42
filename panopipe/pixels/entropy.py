"""Huffman codes of JPEG (ITU-T T.81): intervals between markers, and what is wrong with one that is damaged.

`lossless` and `blocks` read scans by it. Every symbol that a picture needs is read, and the bytes must end
with the last of them: where codes were lost, changed or put in, readers that only count symbols make up the
rest.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from functools import wraps
from typing import ParamSpec

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
P = ParamSpec("P")

TABLE_BYTES = 272
"""A table of codes: how many there are of each length from 1 to 16, then 256 symbols (B.2.4.2)."""


class Fault(IntEnum):
    """What is wrong with entropy-coded data; places in a file are 0 and up."""

    RAN_OUT = -1
    LEFT_OVER = -2
    NO_SUCH_CODE = -3
    NO_RESTART = -4
    BEYOND = -5

    @property
    def words(self) -> str:
        """For an error line."""
        return _WORDS[self]


_WORDS = {
    Fault.RAN_OUT: "its codes end before the picture does",
    Fault.LEFT_OVER: "codes are left over behind the picture",
    Fault.NO_SUCH_CODE: "it holds bits that are no code",
    Fault.NO_RESTART: "a restart marker is missing",
    Fault.BEYOND: "it holds values that no picture has",
}


class DamagedError(Exception):
    """Raised within the definitions, which return its fault; see `place_or_fault`."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault)
        self.fault = fault


def place_or_fault(read: Callable[P, int]) -> Callable[P, int]:
    """Let the definition of a reader return its fault in the place of a place, as the compiled form does."""

    @wraps(read)
    def reader(*args: P.args, **kwargs: P.kwargs) -> int:
        try:
            return read(*args, **kwargs)
        except DamagedError as damaged:
            return int(damaged.fault)

    return reader


class Bits:
    """Bits of an interval, most significant first; behind its end there are zeros."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.at = 0

    def peek(self, count: int) -> int:
        """Return the next bits, at most 48, and stay."""
        byte, bit = divmod(self.at, 8)
        word = int.from_bytes(self._data[byte : byte + 7].ljust(7, b"\0"))
        return word >> (56 - bit - count) & ((1 << count) - 1)

    def take(self, count: int) -> int:
        """Return the next bits."""
        value = self.peek(count)
        self.at += count
        return value

    def signed(self, count: int) -> int:
        """Return the next bits as F.1.2.1 extends them: half of the values are below zero."""
        value = self.take(count)
        return value if value >= 1 << count >> 1 else value - (1 << count) + 1

    def check(self) -> None:
        """Raise if bits were taken that are not there."""
        if self.at > 8 * len(self._data):
            raise DamagedError(Fault.RAN_OUT)

    def wrong(self, fault: Fault) -> DamagedError:
        """What to raise: that the bits ran out, if they did, or the fault."""
        self.check()
        return DamagedError(fault)

    def end(self) -> None:
        """Raise if more is left than fills up a byte, or four, with ones (F.1.2.3) or zeros."""
        self.check()
        left = 8 * len(self._data) - self.at
        if left > 31 or self.peek(left) not in (0, (1 << left) - 1):
            raise DamagedError(Fault.LEFT_OVER)


class Codes:
    """Symbols by length and bits (annex C)."""

    def __init__(self, table: Bytes) -> None:
        self._symbols: dict[tuple[int, int], int] = {}
        code = place = 0
        for length in range(1, 17):
            for _ in range(int(table[length - 1])):
                if place == 256 or code >= 1 << length:
                    raise DamagedError(Fault.NO_SUCH_CODE)
                self._symbols[length, code] = int(table[16 + place])
                code, place = code + 1, place + 1
            code <<= 1

    def read(self, bits: Bits) -> int:
        """Return the next symbol."""
        for length in range(1, 17):
            symbol = self._symbols.get((length, bits.peek(length)))
            if symbol is not None:
                bits.at += length
                return symbol
        raise bits.wrong(Fault.NO_SUCH_CODE)


def interval(data: bytes, at: int) -> tuple[Bits, int]:
    """Bits from `at` to the next marker, and its place; the end of the data if there is none."""
    codes = bytearray()
    while at < len(data):
        if data[at] != 0xFF:
            codes.append(data[at])
            at += 1
            continue
        while data[at + 1 : at + 2] == b"\xff":  # fill bytes, B.1.1.2
            at += 1
        if data[at + 1 : at + 2] != b"\0":
            break
        codes.append(0xFF)
        at += 2
    return Bits(bytes(codes)), at if at + 1 < len(data) else len(data)


def behind_restart(data: bytes, at: int, number: int) -> int:
    """Place behind the restart marker of that number at `at`."""
    if data[at + 1 : at + 2] != bytes([0xD0 + number % 8]):
        raise DamagedError(Fault.NO_RESTART)
    return at + 2
