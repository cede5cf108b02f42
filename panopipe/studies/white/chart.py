"""Figures for the chart of a job's whites: where each frame's neutral stood, where it stands, and the loci.

Everything comes from the notes that the balance stage left, so that a review needs no picture and no second
run. Coordinates are CIE 1976 u', v', in which equal distances look about equal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from panopipe.colour.spaces import D65_XY, Matrix
from panopipe.colour.temperature import daylight_xy, planckian_xy
from panopipe.frame import FrameKey, Notes

WEAK = 0.45
"""Confidence below which a frame's white is called weakly determined."""


@dataclass(frozen=True, slots=True)
class Neutral:
    """One frame on the chart.

    Attributes
    ----------
    key : FrameKey
        The frame.
    before_uv, after_uv : tuple of float
        u', v' of its neutrals as decoded and as finished.
    cct_before_kelvin, cct_after_kelvin, duv_before, duv_after : float
        The same as correlated colour temperature and distance from the Planckian locus.
    confidence : float
        0 to 1.
    by_hand : bool
        Whether the photographer set it.
    weak : bool
        Whether it is weakly determined.
    """

    key: FrameKey
    before_uv: tuple[float, float]
    after_uv: tuple[float, float]
    cct_before_kelvin: float
    cct_after_kelvin: float
    duv_before: float
    duv_after: float
    confidence: float
    by_hand: bool
    weak: bool


@dataclass(frozen=True, slots=True)
class Loci:
    """Lines of the chart, u', v' in arrays of shape (n, 2), with the kelvin of each point."""

    planckian_kelvin: Matrix
    planckian_uv: Matrix
    daylight_kelvin: Matrix
    daylight_uv: Matrix
    d65_uv: tuple[float, float]


def neutrals(notes: Mapping[FrameKey, Notes]) -> list[Neutral]:
    """Neutrals of all frames from the notes of the balance stage; frames without such notes are left out."""
    return [_neutral(key, found) for key, found in notes.items() if "white_before_x" in found]


def loci() -> Loci:
    """The Planckian locus from 1667 to 25000 K and the daylight locus from 4000 to 25000 K, even in mired."""
    planckian = 1e6 / np.linspace(600, 40, 57)
    daylight = 1e6 / np.linspace(250, 40, 22)
    return Loci(
        planckian,
        chart_uv(planckian_xy(planckian)),
        daylight,
        chart_uv(daylight_xy(daylight)),
        _pair(chart_uv(D65_XY)),
    )


def chart_uv(xy: ArrayLike) -> Matrix:
    """CIE 1976 u', v' of CIE 1931 x, y, shape (..., 2) to (..., 2)."""
    x, y = np.moveaxis(np.asarray(xy, dtype=np.float64), -1, 0)
    uv: Matrix = np.stack([4 * x, 9 * y], axis=-1) / (-2 * x + 12 * y + 3)[..., None]
    return uv


def _neutral(key: FrameKey, notes: Notes) -> Neutral:
    by_hand, confidence = notes["set_by_hand"] == "yes", float(notes["confidence"])
    before, after = (
        _pair(chart_uv((float(notes[f"white_{when}_x"]), float(notes[f"white_{when}_y"]))))
        for when in ("before", "after")
    )
    return Neutral(
        key,
        before,
        after,
        float(notes["cct_before_kelvin"]),
        float(notes["cct_after_kelvin"]),
        float(notes["duv_before"]),
        float(notes["duv_after"]),
        confidence,
        by_hand,
        confidence < WEAK and not by_hand and float(notes["open_sky"]) < 0.5,
    )


def _pair(uv: Matrix) -> tuple[float, float]:
    return float(uv[0]), float(uv[1])
