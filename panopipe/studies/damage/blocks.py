"""Parts of a frame that no camera wrote: filled, random, repeated or shifted, in the shape that files store.

A disk loses sectors, and a copy loses pieces. In uncompressed samples what was lost becomes zeros, ones or
bytes of another file; where codes of the same length take each other's place, all that is predicted from them
is shifted up to the end of its strip or tile. Lenses and light do not keep to such borders.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.damage.summary import Floats, Summary

Mask = NDArray[np.bool_]

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
    dashes = flat & _vertical_extent_at_most(flat, _LONGEST_DASH) & _stands_out_by_rows(seen.tone, flat)
    return _long_runs(dashes, _SHORTEST) | _filled_rows(seen, flat)


def random(seen: Summary) -> Mask:
    """Chunks whose samples have nothing to do with each other, and spread over the whole range."""
    is_rough = (seen.rough > _RANDOM[0]) & (seen.rough < _RANDOM[1])
    return _long_runs(is_rough & (np.abs(seen.mean - 0.5) < _RANDOM_MEAN), _SHORTEST)


def _filled_rows(seen: Summary, flat: Mask) -> Mask:
    """Whole rows of a strip or tile of one value; around them, the frame goes on another way."""
    found = np.zeros_like(flat)
    tone, chunks = seen.tone, flat.shape[1]
    for left in range(0, chunks, seen.columns):
        part = slice(left, min(left + seen.columns, chunks))
        here = tone[:, part]
        rows = flat[:, part].all(1) & (here.min(1) == here.max(1))
        for first, last in _runs_of(rows):
            if part.stop - part.start == chunks and (first == 0 or last == len(flat)):
                found[first:last] = _is_lost_cap(here[first:last, 0], first == 0, seen.rows, len(flat))
            elif _is_hole(tone, flat, (first, last), (part.start, part.stop)):
                found[first:last, part] = True
    return found


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
    return all(np.median(np.abs(one - value)) > _LEAST_STEP for one in around)


def _stands_out_by_rows(tone: Floats, flat: Mask) -> Mask:
    """Whether the nearest rows above and below that are not flat there differ, both to the same side."""
    near = flat.copy()  # rows beside them may be filled in part
    near[1:] |= flat[:-1]
    near[:-1] |= flat[1:]
    above, below = _nearest(tone, near), _nearest(tone[::-1], near[::-1])[::-1]
    is_pole_row = np.isnan(above) | np.isnan(below)
    above, below = np.where(np.isnan(above), below, above), np.where(np.isnan(below), above, below)
    one, other = tone - above, tone - below
    least = np.minimum(np.abs(one), np.abs(other))
    stands: Mask = least > np.maximum(_LEAST_STEP, 4 * np.abs(above - below))
    stands &= (np.sign(one) == np.sign(other)) & ~is_pole_row
    # Noise on so much light would not leave a run of zeros.
    stands |= (tone == 0) & (least > _LEAST_STEP)
    return stands


def _nearest(tone: Floats, flat: Mask) -> Floats:
    """For each chunk the tone of the nearest row before it that is not flat there; nan if there is none."""
    rows = np.arange(len(tone))[:, None]
    last = np.maximum.accumulate(np.where(flat, -1, rows), axis=0)
    before = np.vstack([np.full((1, tone.shape[1]), -1), last[:-1]])
    return np.where(before < 0, np.float32(np.nan), np.take_along_axis(tone, np.maximum(before, 0), axis=0))


def _vertical_extent_at_most(flat: Mask, most: int) -> Mask:
    """Chunks with no more than so many of their kind above each other."""
    rows = np.arange(len(flat))[:, None]
    before = np.maximum.accumulate(np.where(flat, -1, rows), axis=0)
    behind = np.minimum.accumulate(np.where(flat, len(flat), rows)[::-1], axis=0)[::-1]
    short: Mask = behind - before - 1 <= most
    return flat & short


def _long_runs(mask: Mask, shortest: int) -> Mask:
    """What is left of each row when runs of fewer chunks are taken out."""
    if not mask.any():
        return mask
    kept = np.zeros_like(mask)
    for row in np.flatnonzero(mask.any(1)):
        for first, last in _runs_of(mask[row]):
            kept[row, first:last] = last - first >= shortest
    return kept


def _runs_of(line: Mask) -> Iterator[tuple[int, int]]:
    """First and one past the last of each run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], line.view(np.int8), [0]])))
    yield from ((int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def repeated(seen: Summary) -> Mask:
    """Strips or tiles that hold the same as an earlier one, pixel for pixel, and are not flat."""
    found = np.zeros(seen.mean.shape, bool)
    height, chunks = seen.mean.shape
    if seen.rows * seen.columns * 16 < 256:  # so small a part may look like another by chance
        return found
    known: set[bytes] = set()
    for top in range(0, height, seen.rows):
        for left in range(0, chunks, seen.columns):
            part = (slice(top, top + seen.rows), slice(left, left + seen.columns))
            rough, mean = seen.rough[part], seen.mean[part]
            if np.count_nonzero(rough) * 2 < rough.size or np.ptp(mean) == 0:
                continue
            name = mean.tobytes() + rough.tobytes()
            found[part] = name in known
            known.add(name)
    return found


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
    found = np.zeros(mean.shape, bool)
    if len(mean) < 3 * max(every, 4):
        return found
    jump = _of_a_row(mean) if every == 1 else _of_blocks(mean, every)
    large = np.abs(jump) > _LEAST_SHIFT + _LEAST_SHARE * mean
    for left in range(0, mean.shape[1], seen.columns):
        part = slice(left, min(left + seen.columns, mean.shape[1]))
        run = _reaching_the_end(large[:, part] * np.sign(jump[:, part]))
        rows = np.flatnonzero(run.any(1))
        around = _around(mean[:, part], rows, every)
        for row, usual in zip(rows, around, strict=True):
            first = part.start + int(np.argmax(run[row]))
            if _is_rectangular(jump[row], first, part.stop, float(np.median(usual[run[row]]))):
                found[row, first : part.stop] = True
    return found


def _of_a_row(mean: Floats) -> Floats:
    """How far a row is from the middle of its neighbours."""
    jump = np.zeros_like(mean)
    jump[1:-1] = mean[1:-1] - (mean[:-2] + mean[2:]) / 2
    return jump


def _of_blocks(mean: Floats, every: int) -> Floats:
    """The step to the row above where blocks begin."""
    step = np.zeros_like(mean)
    step[every::every] = mean[every::every] - mean[every - 1 : -1 : every]
    return step


def _around(mean: Floats, rows: NDArray[np.intp], every: int) -> Floats:
    """Median of what the rows around some rows differ by, in the way that `every` asks for."""
    offsets = (-4, -3, -2, 2, 3, 4) if every == 1 else (-4, -3, -2, -1, 1, 2, 3, 4)
    size = np.abs(_of_a_row(mean)) if every == 1 else np.abs(np.diff(mean, axis=0, prepend=mean[:1]))
    near = [size[np.clip(rows + offset, 1, len(mean) - 2)] for offset in offsets]
    return np.asarray(np.median(near, axis=0), np.float32)


def _is_rectangular(jump: Floats, first: int, last: int, usual: float) -> bool:
    """Whether a row jumps by one height from a place to the end of its strip or tile, and not beyond it."""
    inside = np.abs(jump[first + 1 : last])  # the first chunk may jump in part
    height = float(np.median(inside))
    outside = [jump[last % len(jump)]] + ([jump[first - 1]] if first else [])
    is_even = bool(np.all(np.abs(inside - height) < _UNEVEN * height))
    return is_even and height > _STANDS_OUT * usual and max(map(abs, outside)) < _UNEVEN * height


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
