"""Rows of a frame sampled anywhere: wrapped at the sides, continued over the poles, even near them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Picture = NDArray[np.float32]

REACH = 4
"""Pixels that the widest kernel (Lanczos over 8 x 8) reaches to each side."""

KERNELS = {"linear": cv2.INTER_LINEAR, "cubic": cv2.INTER_CUBIC, "lanczos": cv2.INTER_LANCZOS4}


def sample_frame(
    rows: Picture,
    first: int,
    columns: Float | Picture,
    lines: Float | Picture,
    *,
    kernel: str = "cubic",
    even_near_poles: bool = True,
) -> Picture:
    """Sample rows of a frame at column and row indices, around the side edges and over the poles.

    Rows near a pole are averaged sideways first, for samples that lie as far apart there as elsewhere;
    `even_near_poles` switches that off, for samples that crowd there as the frame's own pixels do.

    Raises
    ------
    ValueError
        If a sample lies outside the rows.
    """
    (picture,) = sampled(rows, first, [(columns, lines)], kernel=kernel, even_near_poles=even_near_poles)
    return picture


def sampled(
    rows: Picture,
    first: int,
    places: Sequence[tuple[Float | Picture, Float | Picture]],
    *,
    kernel: str = "cubic",
    even_near_poles: bool = True,
) -> list[Picture]:
    """Sample the same rows at several sets of columns and lines; see `sample_frame`."""
    width = rows.shape[1]
    height, last = width // 2, first + rows.shape[0]
    top, bottom = (
        min(float(lines.min()) for _, lines in places),
        max(float(lines.max()) for _, lines in places),
    )
    if (first > 0 and top < first) or (last < height and bottom > last - 1):
        raise ValueError(f"rows {top:.1f} to {bottom:.1f} are needed, rows {first} to {last - 1} were given")
    begin = max(first, math.floor(top) - REACH)
    end = min(last, math.ceil(bottom) + 1 + REACH)
    ready = Sampler(rows[begin - first : end - first], begin, even_near_poles=even_near_poles)
    return [ready.at(columns, lines, kernel=kernel) for columns, lines in places]


class Sampler:
    """Rows of a frame, made ready to be sampled.

    Parameters
    ----------
    rows : ndarray of shape (n, width) or (n, width, channels), dtype float32
        Neighbouring rows of a frame.
    first : int
        Row of the frame that `rows[0]` is.
    even_near_poles : bool
        See `sample_frame`.
    """

    def __init__(self, rows: Picture, first: int, *, even_near_poles: bool = True) -> None:
        self._first, self._width = first, rows.shape[1]
        last = first + len(rows)
        self._shared = _columns_of_a_sample(first, last, self._width) if even_near_poles else 1
        self._padded = _continued(
            rows, first, self._width // 2, shared=self._shared, even_near_poles=even_near_poles
        )

    def at(self, columns: Float | Picture, lines: Float | Picture, *, kernel: str = "cubic") -> Picture:
        """Sample at column and row indices of the frame; all that a kernel reaches must be there."""
        width = self._width
        # One wrap is enough for a yaw within a turn, and much cheaper than a modulus.
        beyond = float(columns.min()) < -0.5 or float(columns.max()) > width - 0.5
        wrapped = columns - width * np.floor((columns + 0.5) / width) if beyond else columns
        map_x = np.asarray((wrapped + 0.5) / np.float32(self._shared) + (REACH - 0.5), np.float32)
        map_y = np.asarray(lines - (self._first - REACH), np.float32)
        sampled: Picture = cv2.remap(
            self._padded, map_x, map_y, KERNELS[kernel], borderMode=cv2.BORDER_REPLICATE
        )
        return sampled


def _columns_of_a_sample(begin: int, end: int, width: int) -> int:
    """How many columns, a power of two, one pixel at the equator spans at least in each of some rows."""
    height = width // 2
    crossed = begin < height / 2 < end
    farthest = 0.0 if crossed else min(abs(begin + 0.5 - height / 2), abs(end - 0.5 - height / 2))
    spans, shared = 1 / math.cos(math.pi / height * farthest), 1
    while 2 * shared <= spans and width % (4 * shared) == 0:
        shared *= 2
    return shared


def _smooth_near_poles(padded: Picture, first: int, height: int) -> None:
    """Average each row sideways over what one pixel at the equator spans there (odd widths from 3).

    The rows are padded by REACH at their sides, which are left as they are.
    """
    rows = padded[:, REACH:-REACH]
    count, width = rows.shape[:2]
    line = np.arange(first, first + count)
    from_pole = np.pi / height * np.minimum(line + 0.5, height - line - 0.5)
    spans = np.minimum(width / (2 * height) / np.sin(from_pole), width / 2)
    odd = (2 * np.floor(spans / 2 + 0.25) + 1).astype(int)
    # Runs of rows of one width, the narrow ones at once; the padding is as wide as they need.
    cuts = np.flatnonzero(np.diff(odd, prepend=-1, append=-1))
    for start, end in pairwise(cuts):
        wide = int(odd[start])
        if wide < 3:
            continue
        if wide <= 2 * REACH + 1:
            rows[start:end] = cv2.blur(padded[start:end], (wide, 1))[:, REACH:-REACH]
            continue
        for at in range(start, end):
            row = np.concatenate([rows[at, width - wide // 2 :], rows[at], rows[at, : wide // 2]])[None]
            rows[at] = cv2.blur(row, (wide, 1))[0, wide // 2 : wide // 2 + width]


def _continued(rows: Picture, first: int, height: int, *, shared: int, even_near_poles: bool) -> Picture:
    """Pad rows by REACH on all sides: wrapped, over a pole where they touch it, else repeated.

    Each so many columns, `shared`, are averaged to one.
    """
    count, width = len(rows), rows.shape[1] // shared
    reach = min(REACH, count)
    padded: Picture = np.empty((count + 2 * REACH, width + 2 * REACH, *rows.shape[2:]), rows.dtype)
    inside = padded[:, REACH : REACH + width]
    own = inside[REACH : REACH + count]
    if shared > 1:
        cv2.resize(rows, (width, count), dst=own, interpolation=cv2.INTER_AREA)
    else:
        own[:] = rows
    if even_near_poles:
        _wrap(padded[REACH : REACH + count], width)
        _smooth_near_poles(padded[REACH : REACH + count], first, height)
    inside[:REACH], inside[REACH + count :] = own[0], own[-1]
    if first == 0:
        inside[REACH - reach : REACH] = np.roll(own[:reach][::-1], width // 2, axis=1)
        inside[: REACH - reach] = inside[REACH - reach]
    if first + count == height:
        end = REACH + count + reach
        inside[REACH + count : end] = np.roll(own[count - reach :][::-1], width // 2, axis=1)
        inside[end:] = inside[end - 1]
    _wrap(padded, width)
    return padded


def _wrap(padded: Picture, width: int) -> None:
    padded[:, :REACH] = padded[:, width : width + REACH]
    padded[:, REACH + width :] = padded[:, REACH : 2 * REACH]
