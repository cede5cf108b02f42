"""Which spheres of a room show one stand: a few rows name those to look at, whole spheres decide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import row_of_pitch

Single = NDArray[np.float32]

STRIP_PITCHES_DEG = (14.0, 2.0, -10.0)
"""Heights of the rows that are looked at first: walls and what stands before them."""
STRIP_COLUMNS = 512
_STRIP_DEG = 1.5
"""Height of a strip: a lean of a degree still shows half of it."""
_ALIKE = 0.42
"""Correlation of strips from which two spheres are worth a whole look: .89 and more for made takes, .48 with
a lean of 4 degrees, .1 to .38 a metre off. Who passes wrongly costs only that look."""
SAME_STAND, OTHER_STAND = 0.6, 0.4
"""Agreement of whole spheres that tells one stand, and another one: of lenses 3 cm apart .82 and more, 10 cm
.40 to .70, 20 cm .21 to .41, a metre .03 to .12 (five rooms and places). Between the two nobody is sure."""
LONGEST_S = 1800.0
"""Between one take and the next: after half an hour the light is another."""
_BACK = 2
"""Files before a take, by time, that may be of its stand: another stand may lie between."""


@dataclass(frozen=True, slots=True)
class Stand:
    """Spheres of one stand.

    Attributes
    ----------
    members : tuple of int
        Two or more, by their places in the list that was given.
    """

    members: tuple[int, ...]


def strip_rows(height: int) -> list[tuple[int, int]]:
    """First row and one past the last of each strip of a frame so high."""
    reach = max(1, round(_STRIP_DEG / 180 * height / 2))
    middles = [round(row_of_pitch(pitch, height)) for pitch in STRIP_PITCHES_DEG]
    return [(middle - reach, middle + reach) for middle in middles]


def profile(strips: Sequence[Single]) -> Single:
    """Structure along strips of samples, shape (strips, STRIP_COLUMNS), without exposure and broad light."""
    lines = []
    for strip in strips:
        grey = strip.reshape(len(strip), strip.shape[1], -1).mean(axis=(0, 2))[None].astype(np.float32)
        line = cv2.resize(grey, (STRIP_COLUMNS, 1), interpolation=cv2.INTER_AREA)
        logs = np.log(np.maximum(line, 0) + 0.05 * float(np.median(line)) + 1e-9)
        wide = np.tile(logs, 3)
        broad = cv2.GaussianBlur(wide, (0, 0), sigmaX=STRIP_COLUMNS / 24, sigmaY=0.1)
        detail = (wide - broad)[:, STRIP_COLUMNS : 2 * STRIP_COLUMNS]
        lines.append(np.clip(detail / (float(detail.std()) + 1e-6), -2.5, 2.5))
    return np.concatenate(lines).astype(np.float32)


def likeness(one: Single, other: Single) -> float:
    """Best correlation of two profiles, one turned against the other; 1 for the same."""
    spectrum = np.conj(np.fft.rfft(one, axis=1)) * np.fft.rfft(other, axis=1)
    turned = np.fft.irfft(spectrum.sum(0), STRIP_COLUMNS)
    power = float(np.sqrt(np.square(one, dtype=np.float64).sum() * np.square(other, dtype=np.float64).sum()))
    return float(turned.max()) / max(power, 1e-9)


def linked(times: Sequence[float | None]) -> list[tuple[int, int]]:
    """Pairs that may be of one stand by their times alone, the earlier first.

    Where times are missing, the order of names stands for them.
    """
    places = range(len(times))
    known = all(time is not None for time in times)
    order = sorted(places, key=lambda place: (times[place], place)) if known else list(places)
    pairs = []
    for at, later in enumerate(order):
        for earlier in order[max(0, at - _BACK) : at]:
            one, other = times[earlier], times[later]
            if one is None or other is None or abs(other - one) <= LONGEST_S:
                pairs.append((earlier, later))
    return pairs


def stands(
    times: Sequence[float | None],
    profiles: Sequence[Single | None],
    agreement: Callable[[int, int], float],
) -> tuple[list[Stand], list[tuple[int, int]]]:
    """Put spheres together that were taken from one stand.

    Parameters
    ----------
    times : sequence of float or None
        When each was taken, in seconds.
    profiles : sequence of ndarray or None
        What its strips show; None where it cannot be looked at.
    agreement : callable
        How well two whole spheres agree; asked only of pairs that may be of one stand.

    Returns
    -------
    list of Stand
        Those of two spheres or more, in the order of their first.
    list of tuple of int
        Pairs of which nobody is sure.
    """
    first = list(range(len(times)))
    unsure: list[tuple[int, int]] = []
    for earlier, later in linked(times):
        one, other = profiles[earlier], profiles[later]
        if one is None or other is None or first[later] == first[earlier] or likeness(one, other) < _ALIKE:
            continue
        agreed = agreement(earlier, later)
        if agreed >= SAME_STAND:
            gone, kept = sorted((first[earlier], first[later]), reverse=True)
            first = [kept if stand == gone else stand for stand in first]
        elif agreed >= OTHER_STAND:
            unsure.append((earlier, later))
    members = {
        stand: tuple(at for at, own in enumerate(first) if own == stand) for stand in dict.fromkeys(first)
    }
    found = [Stand(own) for own in members.values() if len(own) > 1]
    return found, [pair for pair in unsure if first[pair[0]] != first[pair[1]]]
