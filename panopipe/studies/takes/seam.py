"""A seam that one take's stitcher broke: its two sides lie otherwise on the other takes.

Beside each meridian of the file, a patch to the left and one to the right are looked for in another take.
If both fit best at one place, nothing is broken, however the camera moved; what is gained by moving them
apart, against what is left unlike, tells a step, and where two other takes gain as much between them, it is
the edge of something near.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pitch_of_row
from panopipe.sphere.wrap import pad
from panopipe.studies.takes.beside import Beside, comparable, luminance
from panopipe.studies.takes.take import Mask

Single = NDArray[np.float32]

_REACH = 3
"""Pixels of a sphere 512 wide, 2.1 degrees: a stitcher errs by less on what is more than a metre away."""
_ALONE = 2.0
_MOST_OTHERS = 2
"""Other takes that are asked: two agree or they do not, and each costs as much as all else."""
_WIDE, _TALL = 7, 29
"""Patch: 5 by 20 degrees. A broken seam runs over much of a wall."""
_SOFT_DEG, _FLOOR = 3.0, 0.06
_MOST = 0.8
"""EV beyond which a pixel's difference counts no more."""
_REST = 0.03


def steps(side: Beside, apart: Mask) -> Single:
    """Score of a step at each column's left edge, shape (height, width).

    It is what two sides gain by lying apart, in EV, over the root of what is left unlike then.

    Parameters
    ----------
    side : Beside
        The take and the others on it, 512 wide.
    apart : ndarray of shape (height, width), dtype bool
        Places that are known to differ for another reason.
    """
    height = len(apart)
    rows = np.flatnonzero(comparable(height))
    band = slice(max(0, int(rows[0]) - _TALL // 2), min(height, int(rows[-1]) + 1 + _TALL // 2))
    known = (side.known & ~apart).astype(np.float32)[band]
    shown = (_contrast(luminance(light)) for light in (side.own, *side.others[:_MOST_OTHERS]))
    own, *others = (np.ascontiguousarray(one[band]) for one in shown)
    found = [_gain(own, other, known) for other in others]
    gain = np.min([gained for gained, _ in found], axis=0)
    rest = np.min([left for _, left in found], axis=0)
    if len(others) == 1:
        gain = gain / _ALONE  # nobody tells the edge of something near from a seam
    for one, other in combinations(others, 2):
        gain = gain - _gain(one, other, known)[0]
    covered = cv2.blur(known, (2 * _WIDE + 1, _TALL)) > 0.8
    score = np.zeros(apart.shape, np.float32)
    score[band] = np.where(covered, np.maximum(gain, 0) / np.sqrt(rest + _REST), 0)
    return score


def step_deg(side: Beside, row: int, column: int) -> float:
    """How far the two sides of a step lie apart on the first of the other takes."""
    own, other = _contrast(luminance(side.own)), _contrast(luminance(side.others[0]))
    best: dict[str, tuple[float, int, int]] = {}
    for down, over, unlike in _moved(own, other, side.known.astype(np.float32)):
        for name, price in zip(("left", "right"), _sides(unlike), strict=True):
            best[name] = min(best.get(name, (np.inf, 0, 0)), (float(price[row, column]), down, over))
    (_, down_left, over_left), (_, down_right, over_right) = best["left"], best["right"]
    flat = np.cos(np.radians(pitch_of_row(row, len(own))))
    away = np.hypot(down_right - down_left, (over_right - over_left) * flat)
    return float(away * 360 / own.shape[1])


def _gain(own: Single, other: Single, known: Single) -> tuple[Single, Single]:
    """What two patches gain by lying apart, and what is left unlike then, in EV."""
    left, right, both = (np.full(own.shape, np.inf, np.float32) for _ in range(3))
    for _, _, unlike in _moved(own, other, known):
        price_left, price_right = _sides(unlike)
        np.minimum(left, price_left, out=left)
        np.minimum(right, price_right, out=right)
        np.minimum(both, price_left + price_right, out=both)
    return both - left - right, left + right


def _moved(own: Single, other: Single, known: Single) -> Iterator[tuple[int, int, Single]]:
    """Differences for each whole-pixel move of the other, down and over."""
    height, width = own.shape
    tall = np.pad(other, ((_REACH, _REACH), (0, 0)), mode="edge")
    wide = np.concatenate([tall[:, -_REACH:], tall, tall[:, :_REACH]], axis=1)
    for down in range(2 * _REACH + 1):
        for over in range(2 * _REACH + 1):
            shown = wide[down : down + height, over : over + width]
            yield down - _REACH, over - _REACH, np.minimum(np.abs(own - shown), np.float32(_MOST)) * known


def _sides(unlike: Single) -> tuple[Single, Single]:
    """Mean of the patch that ends left of each column, and of the one that begins with it."""
    width, margin = unlike.shape[1], _WIDE + 1
    wide = np.concatenate([unlike[:, -margin:], unlike, unlike[:, :margin]], axis=1)
    mean = cv2.blur(wide, (_WIDE, _TALL))
    left, right = margin - _WIDE // 2 - 1, margin + _WIDE // 2
    return mean[:, left : left + width], mean[:, right : right + width]


def _contrast(grey: Single) -> Single:
    """Log luminance without its broad parts, in EV."""
    floor = _FLOOR * float(np.median(grey)) + 1e-9
    logs = pad(np.log2(grey + np.float32(floor)), 32)
    detail = logs - cv2.GaussianBlur(logs, (0, 0), _SOFT_DEG * grey.shape[1] / 360)
    return np.asarray(np.clip(detail[32:-32, 32:-32], -1.5, 1.5), np.float32)
