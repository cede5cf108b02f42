"""Whether a rendering shows where the sphere was cut open: steps across the seam and over the poles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float64]
NEAR = 12
"""Columns or rows on each side that stand for "elsewhere"."""


def seam_ratio(before: Plane, after: Plane) -> float:
    """Mean step across the side edge against steps nearby, as the rendering changed it.

    Parameters
    ----------
    before, after : ndarray of shape (height, width)
        Whole frame in log2 luminance, before and after the rendering.

    Returns
    -------
    float
        1 when the rendering treats the cut like any other column.
    """
    return _at_cut(after) / _at_cut(before)


def pole_ratio(before: Plane, after: Plane) -> float:
    """The same over both poles: along meridians that go on half a turn further."""
    half = before.shape[1] // 2

    def over_pole(plane: Plane) -> Plane:
        ends = [
            np.concatenate([part[::-1], np.roll(part, half, axis=1)])
            for part in (plane[:16], plane[::-1][:16])
        ]
        return np.concatenate(ends, axis=1).T

    changes = [_steps(over_pole(plane)) for plane in (after, before)]
    middle = changes[0].size // 2
    across = changes[0][middle] / changes[1][middle]
    others = [i for i in range(middle - 6, middle + 7) if i != middle]
    return float(across / (changes[0][others].mean() / changes[1][others].mean()))


def _at_cut(plane: Plane) -> float:
    turned = np.roll(plane, plane.shape[1] // 2, axis=1)
    steps = _steps(turned)
    middle = plane.shape[1] // 2 - 1
    others = [i for i in range(middle - NEAR, middle + NEAR + 1) if i != middle]
    return float(steps[middle] / steps[others].mean())


def _steps(plane: Plane) -> Plane:
    """Mean absolute step between neighbouring columns."""
    return np.asarray(np.abs(np.diff(plane, axis=1)).mean(axis=0), dtype=np.float64)
