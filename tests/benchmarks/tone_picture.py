"""A frame through the default rendering, its views, and the renderings of others beside it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import D65_XY, SRGB_FROM_WORKING, XYZ_FROM_SRGB, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.colour.transfer import srgb_encode
from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Rows
from panopipe.sphere.anchor import anchor_column, anchor_rows
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.sphere.reduce import AreaReducer
from panopipe.sphere.views import view_from_frame, view_towards
from panopipe.stage import Prepared, RowStage, StageContext
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.stages.vibrance import Vibrance, VibranceSettings
from tests.benchmarks.tone_scenes import Scene
from tests.measures.tmqi import Quality, tmqi

BAND_ROWS = 16
WIDEST = 2048
"""Columns from which a frame is reduced before views are taken: more than a view of 512 pixels can show."""
LUMINANCE_OF_SRGB = XYZ_FROM_SRGB[1]
RIVALS = ("fusion", "Drago", "Mantiuk", "Reinhard")
CODE_255 = float(((254.5 / 255 + 0.055) / 1.055) ** 2.4)
"""Linear light from which 8 bits say 255: code 254.5 by IEC 61966-2-1."""
Codes = NDArray[np.float64]


def finished(rows: Rows, tone: ToneSettings | None = None, vibrance: VibranceSettings | None = None) -> Rows:
    """Default tone and vibrance on a whole frame, read from its anchor column as the run does."""
    start = anchor_column(rows[row] for row in anchor_rows(rows.shape[0]))
    turned = np.ascontiguousarray(np.roll(rows, -start, axis=1))
    for step, settings in ((Tone(), tone or ToneSettings()), (Vibrance(), vibrance or VibranceSettings())):
        turned = through(step, settings, turned)
    return np.roll(turned, start, axis=1)


def through(step: RowStage[Any], settings: Any, rows: Rows) -> Rows:
    """One stage on a whole frame, band by band."""
    prepared, facts = prepared_by(step, settings, rows)
    if prepared.data is None:
        return rows
    parts = range(0, rows.shape[0], BAND_ROWS)
    bands = (Band(rows[first : first + BAND_ROWS].copy(), first, facts) for first in parts)
    return np.concatenate([step.apply(band, settings, prepared.data) for band in bands])


def prepared_by(step: RowStage[Any], settings: Any, rows: Rows) -> tuple[Prepared, FrameFacts]:
    """What a stage prepares on a frame, and the facts that it is given."""
    height, width = rows.shape[:2]
    facts = FrameFacts(FrameKey("", "benchmark"), width, height)
    return step.prepare(StageContext(Frame(reduced(rows, 1024), facts)), settings), facts


def reduced(rows: Rows, width: int) -> Rows:
    """A frame at no more than some width."""
    if rows.shape[1] <= width:
        return rows.copy()
    reducer = AreaReducer(rows.shape[1], rows.shape[0], width)
    reducer.take(rows, 0)
    return reducer.result()


def views(rows: Rows) -> list[Codes]:
    """Four horizontal views of 90 degrees as linear sRGB, as fine as the frame but at most 512 pixels."""
    rows = reduced(rows, WIDEST)
    size = min(512, max(192, rows.shape[1] // 4))
    around = [view_towards(yaw, 0, field_deg=90, width=size) for yaw in (0, 90, 180, 270)]
    seen = (view_from_frame(rows, 0, view, kernel="linear") for view in around)
    return [picture.astype(np.float64) @ SRGB_FROM_WORKING.T for picture in seen]


def luminance_of(view: Codes) -> Codes:
    """Luminance of a view of linear sRGB, not negative."""
    return np.asarray(np.maximum(view @ LUMINANCE_OF_SRGB, 0))


def codes_of(view: Codes) -> Codes:
    """Luminance of a rendered view in 8-bit codes."""
    return np.asarray(np.rint(srgb_encode(np.clip(view, 0, 1)) * 255) @ LUMINANCE_OF_SRGB)


def rivals(view: Codes) -> dict[str, Codes]:
    """OpenCV's renderings of a view in 8-bit codes of luminance, with their defaults and gamma 2.2.

    Exposure fusion is given a bracket of -2, 0 and +2 EV about the view's median at middle grey.
    """
    light = np.ascontiguousarray(np.maximum(view, 0), dtype=np.float32)
    mappers: dict[str, Callable[[Any], Any]] = {
        "Drago": cv2.createTonemapDrago(2.2).process,
        "Mantiuk": cv2.createTonemapMantiuk(2.2).process,
        "Reinhard": cv2.createTonemapReinhard(2.2).process,
    }
    results = {name: mapper(light) for name, mapper in mappers.items()}
    middle = 0.18 / max(float(np.median(light @ LUMINANCE_OF_SRGB)), 1e-6)
    bracket = [srgb_encode(np.clip(light * middle * 2.0**ev, 0, 1)) * 255 for ev in (-2, 0, 2)]
    results["fusion"] = cv2.createMergeMertens().process([shot.astype(np.uint8) for shot in bracket])
    shown = {name: np.clip(np.nan_to_num(picture), 0, 1) for name, picture in results.items()}
    return {name: np.rint(picture * 255) @ LUMINANCE_OF_SRGB for name, picture in shown.items()}


def quality(before: list[Codes], after: list[Codes]) -> dict[str, Quality]:
    """Mean index and terms over the views, of panopipe and of each rival."""
    found: dict[str, list[Quality]] = {}
    for scene, rendering in zip(before, after, strict=True):
        light = luminance_of(scene)
        for name, codes in {"panopipe": codes_of(rendering), **rivals(scene)}.items():
            found.setdefault(name, []).append(tmqi(light, codes))
    return mean_quality(found)


def mean_quality(found: Mapping[str, list[Quality]]) -> dict[str, Quality]:
    """Means over views, term by term."""
    return {name: Quality(*np.mean(values, axis=0).tolist()) for name, values in found.items()}


def clipped_percent(before: Rows, after: Rows) -> float:
    """Share of the sphere with any channel at code 255 where the raw is not clipped, in percent."""
    shown = (after.astype(np.float64) @ SRGB_FROM_WORKING.T).max(axis=-1) >= CODE_255
    lost = shown & (before.max(axis=-1) < 0.995)
    weight = pixel_solid_angle(before.shape[0])[:, None]
    return float(100 * (lost * weight).sum() / (weight.sum() * before.shape[1]))


def card_lightness(scene: Scene, after: Rows) -> list[float]:
    """L* of the grey cards, by the median of each."""
    white = xyz_from_xy(D65_XY)
    colours = [np.median(after[mask], axis=0).astype(np.float64) for mask in scene.cards]
    return [float(lab_from_xyz(XYZ_FROM_WORKING @ colour, white)[0]) for colour in colours]
