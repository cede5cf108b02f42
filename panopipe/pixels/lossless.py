"""Lossless JPEG (ITU-T T.81, annex H): samples from one scan, and where it ends."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled
from panopipe.pixels.entropy import (
    Bits,
    Bytes,
    Codes,
    Fault,
    behind_restart,
    interval,
    place_or_fault,
)

Whole = NDArray[np.int32]
Samples = NDArray[np.uint16]


@compiled("lossless")
@place_or_fault
def read_lossless(
    data: Bytes, start: int, tables: Bytes, planes: Whole, table_of: Whole, form: Whole, out: Samples
) -> int:
    """Read the samples of a scan whose components all have one sample in a unit.

    Parameters
    ----------
    data : ndarray of shape (n,), dtype uint8
        The coded picture.
    start : int
        Where the scan's codes begin.
    tables : ndarray of shape (tables, 272), dtype uint8
        Codes, as `entropy` has them.
    planes, table_of : ndarray of shape (k,), dtype int32
        Planes of the picture that the scan holds, at most four, and the table of each.
    form : ndarray of shape (4,), dtype int32
        Bits of a sample, predictor 1 to 7, point transform, and rows from one restart marker to the next.
    out : ndarray of shape (rows, width, planes), dtype uint16
        Takes the samples; with the scan of the last plane they are shifted up by the point transform.

    Returns
    -------
    int
        Place of the marker behind the scan, or a `Fault` if it is damaged; `out` is then half done.
    """
    codes = [Codes(tables[table]) for table in table_of]
    at = _scan(data.tobytes(), start, codes, planes.tolist(), form.tolist(), out)
    if form[2] and planes[-1] == out.shape[2] - 1:
        out <<= form[2]
    return at


def _scan(data: bytes, at: int, codes: list[Codes], planes: list[int], form: list[int], out: Samples) -> int:
    precision, predictor, shift, restart_rows = form
    for first in range(0, len(out), restart_rows):
        if first:
            at = behind_restart(data, at, first // restart_rows - 1)
        bits, at = interval(data, at)
        for row in range(first, min(first + restart_rows, len(out))):
            above = out[row - 1].astype(np.int64) if row > first else None
            _row(bits, codes, planes, out[row], above, (precision - shift, predictor))
            bits.check()
            if np.any(out[row][:, planes] >> (precision - shift)):
                raise bits.wrong(Fault.BEYOND)
        bits.end()
    return at


def _row(
    bits: Bits,
    codes: list[Codes],
    planes: list[int],
    row: Samples,
    above: Whole | None,
    form: tuple[int, int],
) -> None:
    depth, predictor = form
    for column in range(len(row)):
        for plane, code in zip(planes, codes, strict=True):
            if column:
                left = int(row[column - 1, plane])
                from_ = (
                    left
                    if above is None
                    else _predicted(predictor, left, *above[column - 1 : column + 1, plane])
                )
            else:
                from_ = 1 << (depth - 1) if above is None else int(above[0, plane])
            row[column, plane] = (from_ + _difference(bits, code)) & 0xFFFF


def _difference(bits: Bits, codes: Codes) -> int:
    """Of a sample from its prediction, table H.2."""
    size = codes.read(bits)
    if size > 16:
        raise bits.wrong(Fault.NO_SUCH_CODE)
    return 32768 if size == 16 else bits.signed(size)


def _predicted(predictor: int, left: int, corner: int, above: int) -> int:
    """Table H.1."""
    by_kind = (
        left, above, corner, left + above - corner, left + ((above - corner) >> 1),
        above + ((left - corner) >> 1), (left + above) >> 1,
    )  # fmt: skip
    return int(by_kind[predictor - 1])
