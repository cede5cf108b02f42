"""Data of the neutrals plot: each frame's white before and after, among the whites of real lights."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from panopipe.colour.temperature import daylight_xy, planckian_xy
from panopipe.review import assets
from panopipe.review.case import number
from panopipe.review.references import WHITE_AFTER, WHITE_BEFORE, NoteName
from panopipe.state.record import FrameRecord

PLANCKIAN_K = (1800, 2000, 2300, 2700, 3000, 3500, 4000, 5000, 6500, 8000, 10000)
DAYLIGHT_K = (4000, 4500, 5000, 5500, 6500, 7500, 10000)


def uv_from_xy(xy: Sequence[float]) -> tuple[float, float]:
    """CIE 1976 u', v' of a chromaticity (CIE 15): steps of equal length look about equally large."""
    x, y = float(xy[0]), float(xy[1])
    return 4 * x / (-2 * x + 12 * y + 3), 9 * y / (-2 * x + 12 * y + 3)


def neutrals(records: Sequence[FrameRecord]) -> dict[str, Any]:
    """Loci of lamps and daylight, and the points of the frames whose balance stage noted them."""
    return {
        "planckian": [[kelvin, *_round(planckian_xy(kelvin))] for kelvin in PLANCKIAN_K],
        "daylight": [[kelvin, *_round(daylight_xy(kelvin))] for kelvin in DAYLIGHT_K],
        "frames": [point for record in records if (point := _point(record)) is not None],
    }


def _round(xy: Any) -> list[float]:
    return [round(value, 5) for value in uv_from_xy(np.asarray(xy, dtype=np.float64).reshape(2).tolist())]


def _point(record: FrameRecord) -> dict[str, Any] | None:
    before, after = _xy(record, WHITE_BEFORE), _xy(record, WHITE_AFTER)
    if before is None:
        return None
    return {
        "id": assets.identity(record.key),
        "before": _round(before),
        "after": _round(after) if after is not None else None,
    }


def _xy(record: FrameRecord, names: tuple[NoteName, NoteName]) -> tuple[float, float] | None:
    x, y = (number(record, name) for name in names)
    return (x, y) if x is not None and y is not None and y > 0 else None
