"""Whether a JPEG is whole: its markers, and every code of its scans up to the last byte.

The codec library fills up what it cannot read with grey or with what came before, and says nothing. Here
every scan is read to its end (`panopipe.pixels.blocks`, `panopipe.pixels.lossless`), and the codes must end
where the bytes do. Codes that were changed to others of the same length cannot be told this way. Arithmetic
coding, and everything where panopipe was installed without a compiler, is checked by its markers alone.

References
----------
ITU-T T.81 (1992), ISO/IEC 10918-1, annexes B, F, G and H.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from panopipe.files.samples import Array
from panopipe.pixels.blocks import read_blocks
from panopipe.pixels.compiled import COMPILED
from panopipe.pixels.entropy import TABLE_BYTES, Fault
from panopipe.pixels.lossless import read_lossless

_SOI, _EOI, _SOS, _DQT, _DHT, _DRI = 0xD8, 0xD9, 0xDA, 0xDB, 0xC4, 0xDD
_APP0, _APP14 = 0xE0, 0xEE
_FRAMES = frozenset(range(0xC0, 0xD0)) - {_DHT, 0xC8, 0xCC}
_SEQUENTIAL, _PROGRESSIVE, _LOSSLESS = (0xC0, 0xC1), (0xC2,), 0xC3
_MOST_MARKERS = 100_000


@dataclass(frozen=True, slots=True)
class _Component:
    number: int
    across: int
    down: int
    quantiser: int


@dataclass(slots=True)
class _Stream:
    """What the markers said so far."""

    data: NDArray[np.uint8]
    codes: dict[tuple[int, int], NDArray[np.uint8]] = field(default_factory=dict)
    first_steps: dict[int, int] = field(default_factory=dict)
    restart: int = 0
    kind: int = 0
    precision: int = 8
    height: int = 0
    width: int = 0
    components: tuple[_Component, ...] = ()
    converted: bool = False
    samples: NDArray[np.uint16] | None = None
    seen: NDArray[np.int32] | None = None


def read_jpeg(data: bytes, *, tables: bytes | None = None, samples: int | None = None) -> Array | None:
    """Read all codes of a JPEG; return its samples if it is a lossless one.

    Parameters
    ----------
    data : bytes
        The coded picture; what follows its end marker is left alone.
    tables : bytes, optional
        Tables that several pictures share, as TIFF keeps them (TIFF Technical Note 2, "JPEGTables").
    samples : int, optional
        How many samples it must hold.

    Returns
    -------
    ndarray of shape (height, width, planes), dtype uint16, or None
        Samples of a lossless JPEG; None for another, or a lossless one of a form that the codec library reads
        alone (subsampled, or with its colours transformed).

    Raises
    ------
    ValueError
        If it is damaged; the message says how.
    """
    stream = _Stream(np.frombuffer(data, np.uint8))
    if tables:
        _walk(tables, stream, samples, is_picture=False)
    _walk(data, stream, samples, is_picture=True)
    return None if stream.converted and len(stream.components) > 1 else stream.samples


def _walk(data: bytes, stream: _Stream, samples: int | None, *, is_picture: bool) -> None:
    if data[:2] != bytes((0xFF, _SOI)):
        raise ValueError("it does not begin as a JPEG")
    at, scans = 2, 0
    for _ in range(_MOST_MARKERS):
        at, marker = _next_marker(data, at)
        if marker == _EOI:
            break
        length = int.from_bytes(data[at : at + 2])
        body = data[at + 2 : at + length]
        if length < 2 or at + length > len(data):
            raise ValueError("a marker segment reaches beyond its end")
        at += length
        if marker == _SOS and is_picture:
            at, scans = _scan(data, at, body, stream), scans + 1
        else:
            _take(marker, body, stream, samples)
    if is_picture and not scans:
        raise ValueError("it holds no picture")


def _next_marker(data: bytes, at: int) -> tuple[int, int]:
    """Place behind the next marker, and the marker; bytes 0xFF may fill up before it, and nothing else."""
    start = at
    while data[at : at + 1] == b"\xff":
        at += 1
    if at == start or at >= len(data):
        raise ValueError("it ends without an end marker" if at >= len(data) else f"no marker at byte {start}")
    return at + 1, data[at]


def _take(marker: int, body: bytes, stream: _Stream, samples: int | None) -> None:
    if marker == _DHT:
        _take_codes(body, stream)
    elif marker == _DQT:
        _take_quantisers(body, stream)
    elif marker == _DRI:
        stream.restart = int.from_bytes(body[:2])
    elif marker in _FRAMES:
        _take_frame(marker, body, stream, samples)
    elif marker == _APP0 and body.startswith(b"JFIF"):
        stream.converted = True
    elif marker == _APP14 and body.startswith(b"Adobe") and len(body) > 11:
        stream.converted = body[11] != 0


def _take_codes(body: bytes, stream: _Stream) -> None:
    """B.2.4.2."""
    while body:
        count = sum(body[1:17])
        if len(body) < 17 + count or count > 256:
            raise ValueError("a table of its codes is cut short")
        table = np.zeros(TABLE_BYTES, np.uint8)
        table[: 16 + count] = np.frombuffer(body[1 : 17 + count], np.uint8)
        stream.codes[body[0] >> 4, body[0] & 15] = table
        body = body[17 + count :]


def _take_quantisers(body: bytes, stream: _Stream) -> None:
    """B.2.4.1; only the first step of each is of use here."""
    while body:
        size = 2 if body[0] >> 4 else 1
        stream.first_steps[body[0] & 15] = int.from_bytes(body[1 : 1 + size])
        body = body[1 + 64 * size :]


def _take_frame(marker: int, body: bytes, stream: _Stream, samples: int | None) -> None:
    """B.2.2."""
    if len(body) < 6 or len(body) < 6 + 3 * body[5] or stream.components:
        raise ValueError("its frame header is damaged")
    stream.kind, stream.precision = marker, body[0]
    stream.height, stream.width = int.from_bytes(body[1:3]), int.from_bytes(body[3:5])
    parts = [body[6 + 3 * i : 9 + 3 * i] for i in range(body[5])]
    stream.components = tuple(_Component(part[0], part[1] >> 4, part[1] & 15, part[2]) for part in parts)
    held = stream.height * stream.width * len(parts)
    if samples is not None and held != samples:
        raise ValueError(f"it holds {stream.width}x{stream.height} pixels in {len(parts)} planes")


def _scan(data: bytes, at: int, body: bytes, stream: _Stream) -> int:
    """Place of the marker behind a scan that begins at `at` (header: B.2.3)."""
    count = body[0] if body else 0
    if len(body) < 4 + 2 * count or not 1 <= count <= 4:
        raise ValueError("a scan header is damaged")
    by_number = {component.number: index for index, component in enumerate(stream.components)}
    parts = [(by_number.get(body[1 + 2 * i], -1), body[2 + 2 * i]) for i in range(count)]
    if any(index < 0 for index, _ in parts):
        raise ValueError("a scan names a component that the frame has not")
    first, last, bits = body[1 + 2 * count : 4 + 2 * count]
    end = None
    if COMPILED and stream.height and stream.width:
        if stream.kind == _LOSSLESS:
            end = _read_lossless(stream, at, parts, (first, bits & 15))
        elif stream.kind in (*_SEQUENTIAL, *_PROGRESSIVE):
            end = _read_blocks(stream, at, parts, (first, last, bits >> 4, bits & 15))
    if end is None:
        return _next_place(data, at)
    if end < 0:
        raise ValueError(Fault(end).words)
    return end


def _next_place(data: bytes, at: int) -> int:
    """Where the next marker stands that is no restart."""
    while (at := data.find(b"\xff", at)) >= 0:
        if data[at + 1 : at + 2] and data[at + 1] and not 0xD0 <= data[at + 1] <= 0xD7:
            return at
        at += 1
    return len(data)


def _read_lossless(
    stream: _Stream, at: int, parts: list[tuple[int, int]], form: tuple[int, int]
) -> int | None:
    predictor, shift = form
    restart_rows, rest = divmod(stream.restart, stream.width)
    is_plain = all((part.across, part.down) == (1, 1) for part in stream.components)
    is_known = 1 <= predictor <= 7 and 2 <= stream.precision <= 16 and shift < stream.precision
    if not (is_plain or len(stream.components) == 1) or rest or not is_known:
        return None
    tables = _tables(stream, [(0, word >> 4) for _, word in parts])
    if tables is None:
        return None
    if stream.samples is None:
        stream.samples = np.empty((stream.height, stream.width, len(stream.components)), np.uint16)
    planes = np.array([index for index, _ in parts], np.int32)
    rules = np.array([stream.precision, predictor, shift, restart_rows or stream.height], np.int32)
    which = np.arange(len(parts), dtype=np.int32)
    return read_lossless(stream.data, at, tables, planes, which, rules, stream.samples)


def _tables(stream: _Stream, wanted: list[tuple[int, int]]) -> NDArray[np.uint8] | None:
    """Tables of codes, one below the other; None if one is missing and the library's own would be taken."""
    if any(name not in stream.codes for name in wanted):
        return None
    return np.stack([stream.codes[name] for name in wanted])


def _read_blocks(
    stream: _Stream, at: int, parts: list[tuple[int, int]], form: tuple[int, int, int, int]
) -> int | None:
    first, last, high, low = form
    across = max(part.across for part in stream.components)
    down = max(part.down for part in stream.components)
    if not all(1 <= part.across <= 4 and 1 <= part.down <= 4 for part in stream.components):
        raise ValueError("its frame header is damaged")
    if first > last or last > 63 or low > 13 or (first and len(parts) > 1):
        raise ValueError("a scan header is damaged")
    units = _parts(stream.width, 8 * across), _parts(stream.height, 8 * down)
    strides, places = _places(stream, units)
    if len(parts) == 1:  # blocks one by one, and none that only fill up a unit (A.2.2)
        alone = stream.components[parts[0][0]]
        units = (
            _parts(stream.width * alone.across, 8 * across),
            _parts(stream.height * alone.down, 8 * down),
        )
    tables = _tables(stream, _names(parts, first, last, high))
    if tables is None:
        return None
    rows = []
    for number, (index, _) in enumerate(parts):
        part = stream.components[index]
        step = stream.first_steps.get(part.quantiser, 0)
        size = (1, 1) if len(parts) == 1 else (part.across, part.down)
        rows.append((2 * number, 2 * number + 1, *size, strides[index], places[index], _most(stream, step)))
    rules = (*units, stream.restart or units[0] * units[1], first, last, int(high > 0), low)
    seen = _seen(stream, places[-1])
    return read_blocks(stream.data, at, tables, np.array(rows, np.int32), np.array(rules, np.int32), seen)


def _parts(length: int, size: int) -> int:
    """How many parts of a size cover a length."""
    return -(-length // size)


def _names(parts: list[tuple[int, int]], first: int, last: int, high: int) -> list[tuple[int, int]]:
    """Tables of the first coefficient and of the others; where a scan has only one kind, that one twice."""
    names = []
    for _, word in parts:
        dc, ac = (0, word >> 4), (1, word & 15)
        if last == 0:
            ac = dc
        elif first:
            dc = ac
        names += [dc, ac]
    return names


def _places(stream: _Stream, units: tuple[int, int]) -> tuple[list[int], list[int]]:
    """Blocks in a row of each component, and its first block among all; behind the last, their number."""
    strides = [units[0] * part.across for part in stream.components]
    counts = [stride * units[1] * part.down for stride, part in zip(strides, stream.components, strict=True)]
    return strides, [0, *np.cumsum(counts).tolist()]


def _most(stream: _Stream, step: int) -> int:
    """Largest first coefficient: eight times the middle of the range, in steps, and a quarter more."""
    return (5 << stream.precision) // step + 2 if step and stream.precision in (8, 12) else 0


def _seen(stream: _Stream, blocks: int) -> NDArray[np.int32]:
    """What earlier scans of a progressive picture found above zero."""
    if stream.kind not in _PROGRESSIVE:
        return np.zeros((0, 2), np.int32)
    if stream.seen is None:
        stream.seen = np.zeros((blocks, 2), np.int32)
    return stream.seen
