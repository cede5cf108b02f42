"""Cosine-coded JPEG (ITU-T T.81, annexes F and G): reads the codes of a scan, to see that they are whole."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled
from panopipe.pixels.entropy import (
    Bits,
    Bytes,
    Codes,
    DamagedError,
    Fault,
    behind_restart,
    interval,
    place_or_fault,
)

Whole = NDArray[np.int32]


@compiled("blocks")
@place_or_fault
def read_blocks(data: Bytes, start: int, tables: Bytes, components: Whole, form: Whole, seen: Whole) -> int:
    """Read all codes of a sequential or progressive scan; no picture is made of them.

    Parameters
    ----------
    data : ndarray of shape (n,), dtype uint8
        The coded picture.
    start : int
        Where the scan's codes begin.
    tables : ndarray of shape (tables, 272), dtype uint8
        Codes, as `entropy` has them.
    components : ndarray of shape (k, 7), dtype int32
        For each: table of the first coefficient and of the others; blocks across and down in a unit; blocks
        in a row of `seen`, and the place of the first; largest size of a first coefficient, 0 for any.
    form : ndarray of shape (7,), dtype int32
        Units in a row, rows of them, units from one restart marker to the next; first and last coefficient
        of the scan; whether it refines an earlier one; how many low bits it leaves out.
    seen : ndarray of shape (blocks, 2), dtype int32
        64 bits of each block in memory order, for the coefficients that earlier scans found above zero; of
        length 0 for a sequential picture.

    Returns
    -------
    int
        Place of the marker behind the scan, or a `Fault` if it is damaged.
    """
    return _Scan(tables, components, form, seen.view(np.uint64)).read(data.tobytes(), start)


class _Scan:
    def __init__(self, tables: Bytes, components: Whole, form: Whole, seen: NDArray[np.uint64]) -> None:
        self._components = components.tolist()
        self._codes = [(Codes(tables[c[0]]), Codes(tables[c[1]])) for c in self._components]
        self._units, self._rows, self._restart, self._from, self._to, self._refines, self._low = form.tolist()
        self._seen = seen
        self._run = 0
        self._values: list[int] = []

    def read(self, data: bytes, at: int) -> int:
        count = self._units * self._rows
        for first in range(0, count, self._restart):
            if first:
                at = behind_restart(data, at, first // self._restart - 1)
            bits, at = interval(data, at)
            self._run, self._values = 0, [0] * len(self._components)
            for unit in range(first, min(first + self._restart, count)):
                self._unit(bits, *divmod(unit, self._units))
            if self._run:
                raise DamagedError(Fault.LEFT_OVER)
            bits.end()
        return at

    def _unit(self, bits: Bits, row: int, column: int) -> None:
        for index, (_, _, across, down, stride, place, _) in enumerate(self._components):
            for y in range(down):
                for x in range(across):
                    at = place + (row * down + y) * stride + column * across + x
                    self._block(bits, index, at if len(self._seen) else None)
                    bits.check()

    def _block(self, bits: Bits, index: int, at: int | None) -> None:
        first, further = self._codes[index]
        seen = 0 if at is None else int(self._seen[at, 0])
        if self._from == 0 and self._refines:
            bits.take(1)
        elif self._from == 0:
            self._first(bits, first, index)
        if self._to and self._refines and self._from:
            seen = self._refined(bits, further, seen)
        elif self._to:
            seen |= self._further(bits, further)
        if at is not None:
            self._seen[at, 0] = seen

    def _first(self, bits: Bits, codes: Codes, index: int) -> None:
        """Difference from the block before, F.2.2.1."""
        size = codes.read(bits)
        if size > 15:
            raise bits.wrong(Fault.NO_SUCH_CODE)
        self._values[index] += bits.signed(size)
        most = self._components[index][6]
        if most and abs(self._values[index]) << self._low > most:
            raise bits.wrong(Fault.BEYOND)

    def _further(self, bits: Bits, codes: Codes) -> int:
        """F.2.2.2, and G.1.2.2 for runs of blocks that have no more; the coefficients above zero."""
        at, seen = max(self._from, 1), 0
        if self._run:
            self._run -= 1
            return 0
        while at <= self._to:
            zeros, size = divmod(codes.read(bits), 16)
            if not size and zeros < 15:
                if zeros and not self._from:
                    raise bits.wrong(Fault.NO_SUCH_CODE)
                self._run = (1 << zeros) + bits.take(zeros) - 1
                return seen
            bits.take(size)
            at += zeros
            if size and at > self._to:
                raise bits.wrong(Fault.BEYOND)
            seen |= bool(size) << at
            at += 1
        return seen

    def _refined(self, bits: Bits, codes: Codes, before: int) -> int:
        """One bit more of each coefficient, G.1.2.3."""
        at, seen = self._from, before
        while not self._run and at <= self._to:
            zeros, size = divmod(codes.read(bits), 16)
            if size > 1:
                raise bits.wrong(Fault.NO_SUCH_CODE)
            bits.take(size)
            if not size and zeros < 15:
                self._run = (1 << zeros) + bits.take(zeros)
                break
            at = self._corrected(bits, seen, at, zeros)
            if size and at > self._to:
                raise bits.wrong(Fault.BEYOND)
            seen |= bool(size) << at
            at += 1
        if self._run:
            self._corrected(bits, seen, at, 64)
            self._run -= 1
        return seen

    def _corrected(self, bits: Bits, seen: int, at: int, zeros: int) -> int:
        """Skip a bit for each coefficient that was there, up to `zeros` that were not; the place behind."""
        while at <= self._to:
            if seen >> at & 1:
                bits.take(1)
            elif zeros == 0:
                break
            else:
                zeros -= 1
            at += 1
        return at
