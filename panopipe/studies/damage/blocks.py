"""Parts of a frame that no camera wrote: filled, random, repeated or shifted, in the shape that files store.

A disk loses sectors, and a copy loses pieces. In uncompressed samples what was lost becomes zeros, ones or
bytes of another file; where codes of the same length take each other's place, all that is predicted from them
is shifted up to the end of its strip or tile. Lenses and light do not keep to such borders.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.damage.summary import Floats, Summary

Mask = NDArray[np.bool_]
Indices = NDArray[np.intp]

_LEAST_STEP = 0.02
"""Of the range of tones: a filled part stands out from its surroundings by as much at least."""
_LEAST_SHIFT = 0.0005
"""Of the range: what is shifted by less, or by less than `_LEAST_SHARE` of what is there, is not seen."""
_LEAST_SHARE = 0.03
_LARGEST_CAP = 1 / 6
"""Of the height: a cap of one value at a pole, 30 degrees of it. What covers a tripod, or was not
photographed, is smaller (common practice, no source)."""
_STRIP = 8
"""Rows of a strip from which on it is no chance that a black cap ends where a strip does."""
_RANDOM = (0.22, 0.45)
"""Mean difference of neighbours where bytes are random: a third of the range, less or more by 3 times its
deviation over 45 differences (0.236 / 45**0.5)."""
_RANDOM_MEAN = 0.13
"""Their mean is the middle of the range, less or more by 3 times its deviation (0.289 / 48**0.5)."""
_LONGEST_DASH = 3
"""Rows of a filled part that begins and ends inside a row."""
_SHORTEST = 4
"""Chunks of a part that is no whole row of a strip or tile: a sector of 512 bytes holds four whole ones."""
_UNEVEN = 0.25
"""Share of its height that a shift may differ by from chunk to chunk, and that may be left outside of it."""
_STANDS_OUT = 8.0
"""How many times a shift is larger than what rows differ by around it."""


def filled(seen: Summary) -> Mask:
    """Chunks filled with one value, where those around are not: a whole row of a strip or tile, or a dash.

    A blown window or a cap at a pole is filled, too: but it does not end with a tile on both sides, and a cap
    reaches its pole.
    """
    flat = seen.flat
    if not flat.any():
        return flat
    tone = seen.tone
    dashes = _long_runs(flat & ~_tall_runs(flat, _LONGEST_DASH + 1), _SHORTEST)
    dashes[dashes] = _stands_out_by_rows(tone, flat, dashes)
    dashes = _long_runs(dashes, _SHORTEST)
    return dashes | _zeroed(tone, flat & (tone == 0), seen.columns) | _filled_rows(seen, tone, flat)


def random(seen: Summary) -> Mask:
    """Chunks whose samples have nothing to do with each other, and spread over the whole range."""
    is_rough = (seen.rough > _RANDOM[0]) & (seen.rough < _RANDOM[1])
    return _stored_runs(is_rough & (np.abs(seen.mean - 0.5) < _RANDOM_MEAN), seen.columns)


def _filled_rows(seen: Summary, tone: Floats, flat: Mask) -> Mask:
    """Whole rows of a strip or tile of one value; around them, the frame goes on another way."""
    filled = np.zeros_like(flat)
    chunks = flat.shape[1]
    for left in range(0, chunks, seen.columns):
        part = slice(left, min(left + seen.columns, chunks))
        here = tone[:, part]
        rows: Mask = np.asarray(flat[:, part].all(1))
        rows[rows] = np.ptp(here[rows], axis=1) == 0
        for first, last in _runs_of(rows):
            if part.stop - part.start == chunks and (first == 0 or last == len(flat)):
                filled[first:last] = _is_lost_cap(here[first:last, 0], first == 0, seen.rows, len(flat))
            elif _is_hole(tone, flat, (first, last), (part.start, part.stop)):
                filled[first:last, part] = True
    return filled


def _is_lost_cap(values: Floats, is_upper: bool, rows_per_strip: int, height: int) -> bool:
    """Whether black from a pole on is more than a cover: too large, or ending just where a strip does."""
    ends_with_strip = (len(values) if is_upper else height - len(values)) % rows_per_strip == 0
    is_strip = rows_per_strip >= _STRIP and ends_with_strip
    return not values.any() and (len(values) > _LARGEST_CAP * height or is_strip)


def _is_hole(tone: Floats, flat: Mask, rows: tuple[int, int], columns: tuple[int, int]) -> bool:
    (first, last), (left, right), (height, chunks) = rows, columns, tone.shape
    value = tone[first, left]
    if (tone[first:last, left] != value).any() or (value > 0 and last - first == 1):
        return False  # rows of a value each: shading, not filling
    beside = [column % chunks for column in (left - 1, right)] if right - left < chunks else []
    if any(
        np.mean(flat[first:last, column] & (tone[first:last, column] == value)) > 0.5 for column in beside
    ):
        return False
    around = [tone[first:last, column] for column in beside]
    # The rows next to it may be filled in part.
    around += [tone[row, left:right] for row in (first - 2, last + 1) if 0 <= row < height]
    return all(np.median(np.abs(neighbour - value)) > _LEAST_STEP for neighbour in around)


def _zeroed(tone: Floats, zero: Mask, columns: int) -> Mask:
    """Dashes of zeros in so much light, even clipped, that noise on it would not leave them.

    What is lost does not end where the scene around it is darker: half of a dash is enough.
    """
    dashes = _stored_runs(zero & ~_tall_runs(zero, _LONGEST_DASH + 1), columns)
    row, column = np.nonzero(dashes)
    is_lit = np.zeros_like(dashes)
    is_lit[row, column] = np.fmin(*(_nearest(tone, zero, row, column, way) for way in (-1, 1))) > _LEAST_STEP
    for left in range(0, zero.shape[1], columns):
        part = slice(left, left + columns)
        stored, lit = dashes[:, part].ravel(), is_lit[:, part].ravel()
        for first, last in _runs_of(stored):
            stored[first:last] = np.mean(lit[first:last]) >= 0.5
        dashes[:, part] = stored.reshape(len(dashes), -1)
    return dashes


def _stands_out_by_rows(tone: Floats, flat: Mask, chosen: Mask) -> Mask:
    """Whether the nearest rows above and below that are not flat there differ, both to the same side."""
    row, column = np.nonzero(chosen)
    here = tone[row, column]
    above, below = (_nearest(tone, flat, row, column, way) for way in (-1, 1))
    is_pole_row = np.isnan(above) | np.isnan(below)
    above, below = np.where(np.isnan(above), below, above), np.where(np.isnan(below), above, below)
    from_above, from_below = here - above, here - below
    least = np.minimum(np.abs(from_above), np.abs(from_below))
    stands: Mask = least > np.maximum(_LEAST_STEP, 4 * np.abs(above - below))
    stands &= (np.sign(from_above) == np.sign(from_below)) & ~is_pole_row
    return stands


def _nearest(tone: Floats, flat: Mask, row: Indices, column: Indices, way: int) -> Floats:
    """Tone of the nearest row above (-1) or below (1) not `flat`, nor beside one that is; else nan."""
    nearest = np.full(len(row), np.nan, np.float32)
    for far in range(2 * _LONGEST_DASH + 1, 1, -1):  # the nearest comes last, and stays
        at, beside = row + way * far, row + way * (far - 1)
        is_there = (at >= 0) & (at < len(tone))
        place, nearer = at[is_there], beside[is_there]
        is_free = ~flat[place, column[is_there]] & ~flat[nearer, column[is_there]]
        nearest[is_there] = np.where(is_free, tone[place, column[is_there]], nearest[is_there])
    return nearest


def _tall_runs(mask: Mask, rows: int) -> Mask:
    """Chunks that belong to a run of so many rows at least, one above the other."""
    return _long_runs(mask.T, rows).T


def _stored_runs(mask: Mask, columns: int) -> Mask:
    """Runs in the order of a file, where a row of a strip or tile is followed by its next one."""
    kept = np.zeros_like(mask)
    for left in range(0, mask.shape[1], columns):
        part = mask[:, left : left + columns]
        kept[:, left : left + columns] = _long_runs(part.reshape(1, -1), _SHORTEST).reshape(part.shape)
    return kept


def _long_runs(mask: Mask, shortest: int) -> Mask:
    """What is left of each row when runs of fewer chunks are taken out."""
    count = mask.shape[1] - shortest + 1
    kept = np.zeros_like(mask)
    if count < 1 or not mask.any():
        return kept
    begins = mask[:, :count].copy()
    for step in range(1, shortest):
        begins &= mask[:, step : step + count]
    for step in range(shortest):
        kept[:, step : step + count] |= begins
    return kept


def _runs_of(line: Mask) -> Iterator[tuple[int, int]]:
    """First and one past the last of each run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], line.view(np.int8), [0]])))
    yield from ((int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def repeated(seen: Summary) -> Mask:
    """Strips or tiles that hold the same as an earlier one, pixel for pixel, and are not flat."""
    lost = np.zeros(seen.mean.shape, bool)
    height, chunks = seen.mean.shape
    if seen.rows * seen.columns * 16 < 256 or (seen.rows, seen.columns) == (height, chunks):
        return lost  # so small a part may look like another by chance
    known: set[bytes] = set()
    for top in range(0, height, seen.rows):
        for left in range(0, chunks, seen.columns):
            part = (slice(top, top + seen.rows), slice(left, left + seen.columns))
            rough, mean = seen.rough[part], seen.mean[part]
            if np.count_nonzero(rough) * 2 < rough.size or np.ptp(mean) == 0:
                continue
            name = hashlib.sha256(mean.tobytes() + rough.tobytes()).digest()
            lost[part] = name in known
            known.add(name)
    return lost


def shifted(seen: Summary, every: int = 1) -> Mask:
    """Chunks of a row whose light jumps from a place to the end of its strip or tile, and nowhere else.

    Parameters
    ----------
    seen : Summary
        The frame.
    every : int
        Rows of a block: jumps are looked for where blocks begin, and stay. With 1, a row alone jumps.
    """
    mean = seen.mean
    lost = np.zeros(mean.shape, bool)
    if len(mean) < 3 * max(every, 4):
        return lost
    for left in range(0, mean.shape[1], seen.columns):
        right = min(left + seen.columns, mean.shape[1])
        end = mean[:, max(left, right - _SHORTEST - 1) : right]
        rows = np.flatnonzero(_reaching_the_end(_signs(_jump(end, every), end)).any(1))
        for row in rows.tolist():
            near = mean[max(row - 5, 0) : row + 6]  # what is looked at around it
            jump = _jump(mean[max(row - 1, 0) : row + 2], every)[min(row, 1)]
            run = _reaching_the_end(_signs(jump, mean[row])[None, left:right])[0]
            usual = float(np.median(_around(near[:, left:right], min(row, 5), every)[run]))
            first = left + int(np.argmax(run))
            apart = (
                float(np.median(np.abs(mean[row + 1] - mean[row - 1])[left:right][run])) if every == 1 else 0
            )
            if _is_rectangular(jump, first, right, usual, apart):
                lost[row, first:right] = True
    return lost


def _jump(mean: Floats, every: int) -> Floats:
    """How far a row is from the middle of its neighbours; of blocks, the step to the row above."""
    jump = np.zeros_like(mean)
    if every == 1:
        jump[1:-1] = mean[1:-1] - (mean[:-2] + mean[2:]) / 2
    elif len(mean) <= 3:
        jump[1:] = mean[1:] - mean[:-1]
    else:
        jump[every::every] = mean[every::every] - mean[every - 1 : -1 : every]
    return jump


def _signs(jump: Floats, mean: Floats) -> Floats:
    """Which way it jumps, 0 where it is too little to be seen."""
    return np.asarray(np.sign(jump) * (np.abs(jump) > _LEAST_SHIFT + _LEAST_SHARE * mean), np.float32)


def _around(near: Floats, row: int, every: int) -> Floats:
    """Median of what the rows around a row differ by, in the way that `every` asks for."""
    if every == 1:
        size = np.abs(near[1:-1] - (near[:-2] + near[2:]) / 2)
        own = [row - 2, row - 1, row]
    else:
        size = np.abs(np.diff(near, axis=0))
        own = [row - 1]
    return np.asarray(np.median(np.delete(size, [at for at in own if 0 <= at < len(size)], axis=0), axis=0))


def _is_rectangular(jump: Floats, first: int, last: int, usual: float, apart: float) -> bool:
    """Whether a row jumps by one height from a place to the end of its strip or tile, and not beyond it.

    Rows that lie further `apart` than that are two sides of an edge, in a frame that was enlarged.
    """
    inside = np.abs(jump[first + 1 : last])  # the first chunk may jump in part
    height = float(np.median(inside))
    outside = [jump[last % len(jump)]] + ([jump[first - 1]] if first else [])
    is_even = bool(np.all(np.abs(inside - height) < _UNEVEN * height))
    stands_out = height > max(_STANDS_OUT * usual, apart)
    return is_even and stands_out and max(map(abs, outside)) < _UNEVEN * height


def _reaching_the_end(signs: NDArray[Any]) -> Mask:
    """Runs of one sign that reach the last chunk, long enough."""
    count = signs.shape[1]
    if count <= _SHORTEST:
        return np.zeros(signs.shape, bool)
    same = signs[:, ::-1] == signs[:, -1:]
    length = np.where(same.all(1), count, np.argmin(same, axis=1))
    is_run = (signs[:, -1] != 0) & (length > _SHORTEST)
    run: Mask = is_run[:, None] & (np.arange(count)[None] >= count - length[:, None])
    return run
