"""What only shows when frames are laid side by side: doubles, and gaps in a numbered series."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import FrameKey

_NUMBERED = re.compile(r"^(.*?)(\d+)$", re.DOTALL)
_SAME = 0.995
"""Correlation of two thumbnails above which they show one place (positions two metres apart reach about .9
at best; common practice, no source)."""
SKETCH = (64, 128)
"""Rows and columns of the sketch by which frames are compared."""


def doubles(sketches: Mapping[FrameKey, NDArray[np.float32]]) -> dict[FrameKey, tuple[FrameKey, float]]:
    """Frames that show the same as an earlier one, turned or not.

    Parameters
    ----------
    sketches : mapping of FrameKey to ndarray of shape (64, 128), dtype float32
        Grey sketch of each whole frame.

    Returns
    -------
    dict
        The later frame, with the earlier one and their correlation at the best turn, 0 to 1.
    """
    keys = list(sketches)
    rows, columns = SKETCH
    weight = np.sqrt(np.cos(np.radians(90 - 180 * (np.arange(rows) + 0.5) / rows)))[:, np.newaxis]
    spectra = []
    for key in keys:
        sketch = sketches[key] * weight
        sketch = sketch - weight * (sketch.sum() / (weight.sum() * columns))
        norm = float(np.linalg.norm(sketch))
        spectra.append(np.fft.rfft(sketch / norm if norm > 1 else sketch * 0, axis=1))
    likest: dict[FrameKey, tuple[FrameKey, float]] = {}
    for later in range(1, len(keys)):
        for earlier in range(later):
            turned = np.fft.irfft((spectra[later] * spectra[earlier].conj()).sum(axis=0), columns)
            if turned.max() > max(_SAME, likest.get(keys[later], (None, 0.0))[1]):
                likest[keys[later]] = (keys[earlier], float(turned.max()))
    return likest


def gaps(keys: Sequence[FrameKey]) -> list[str]:
    """Names that are missing from a numbered series.

    A series is a room's frames whose names end in a number after the same words. A number that another
    room has under the same words is not missing: some photographers number straight through.

    Returns
    -------
    list of str
        `room/name` of each, in order. A gap of more than five numbers is the start of another series,
        not a loss.
    """
    series: dict[tuple[str, str], dict[int, str]] = defaultdict(dict)
    elsewhere: dict[str, set[int]] = defaultdict(set)
    for key in keys:
        if match := _NUMBERED.match(key.name):
            series[key.room, match[1]][int(match[2])] = match[2]
            elsewhere[match[1]].add(int(match[2]))
    missing = []
    for (room, stem), numbers in sorted(series.items()):
        present = sorted(numbers)
        for low, high in pairwise(present):
            absent = [n for n in range(low + 1, high) if n not in elsewhere[stem]]
            if high - low <= 6:
                digits = len(numbers[low])
                missing += [str(FrameKey(room, f"{stem}{n:0{digits}d}")) for n in absent]
    return missing
