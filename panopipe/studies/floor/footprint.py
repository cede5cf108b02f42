"""Find what stands under the camera: the same monopod in every frame of a job, on floors that change.

Each frame is seen as a ring map (angle from the nadir by direction around it). Two kinds of evidence are
joined over all frames, turned so that they lie on each other: what is unlike the floor of its own frame in
most frames, and what looks the same from frame to frame while the floor does not. The outline is then the
best closed line around the nadir, found by dynamic programming.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.nearest import nearest
from panopipe.studies.floor.cast_shadow import cast_shadow_deg
from panopipe.studies.floor.outline import DIRECTIONS, Outline

Picture = NDArray[np.float32]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

STEP_DEG = 0.5
"""Height of a row of the ring map."""
MAP_ROWS = 64
MAP_COLUMNS = 128
LARGEST_DEG = 18.0
"""A foot larger than this is none: a person, a table, a step."""
_FLOOR_DEG = (19.0, 31.0)
"""Where each frame's own floor is learnt, beyond any foot and its shadow."""
_SMALLEST_DEG = 1.5
_LUMA_SCALE, _CHROMA_SCALE = 0.12, 0.05
"""Differences in log light that count as one: shade may vary on one floor, colour less."""
_SHADOW_SHARE = 0.03
"""Loss of light that counts as shadow."""
_SIZE_PERCENTILE, _WIDER_DEG = 90.0, 0.4
"""What counts as the foot's size, and by how much its outline is found too wide, for the dark beside it: a
foot of toes casts a shadow as wide as they reach."""


@dataclass(frozen=True, slots=True, eq=False)
class RingMap:
    """Surroundings of the nadir as one frame sees them.

    Attributes
    ----------
    logs : ndarray of shape (64, 128, 3), dtype float16
        Log light; row 0 at the nadir, half a degree a row; column 0 starts at yaw -180.
    """

    logs: NDArray[np.float16]


def ring_map(frame: Picture) -> RingMap:
    """Observe a whole frame, at reduced size."""
    height = frame.shape[0]
    rows = max(2, round(height * MAP_ROWS * STEP_DEG / 180))
    bottom = np.ascontiguousarray(frame[height - rows :][::-1])
    small = cv2.resize(bottom, (MAP_COLUMNS, MAP_ROWS), interpolation=cv2.INTER_AREA)
    floor = max(float(np.median(small)), 1e-6)
    return RingMap(np.log(np.maximum(small, 0) + 0.02 * floor).astype(np.float16))


@dataclass(frozen=True, slots=True, eq=False)
class Footprint:
    """What stands under the camera in one frame.

    Attributes
    ----------
    outline : Outline
        Monopod and contact shadow, in the yaw of the frame's arrays.
    foot : Outline
        The monopod alone.
    certainty : float
        0 to 1: how much clearer what lies inside differs from floor than what lies just outside.
    """

    outline: Outline
    foot: Outline
    certainty: float


def find_footprint(maps: Sequence[RingMap]) -> list[Footprint]:
    """Find the monopod that all frames share.

    Parameters
    ----------
    maps : sequence of RingMap
        One of each frame, in an order that does not change from run to run.

    Returns
    -------
    list of Footprint
        One of each frame.
    """
    features = np.array([_features(one.logs.astype(np.float32)) for one in maps])
    unlike = np.array([_unlike_floor(one) for one in features])
    turns = _turns(unlike)
    turned = np.array([np.roll(one, -turn, axis=1) for one, turn in zip(features, turns, strict=True)])
    strange = np.array([np.roll(one, -turn, axis=1) for one, turn in zip(unlike, turns, strict=True)])
    evidence = _evidence(turned, strange)
    radius = _closed_line(evidence)
    certainty = _certainty(evidence, radius)
    foot_deg = np.asarray(radius * STEP_DEG, np.float64)
    contact = np.asarray(_shadow_radius(turned, radius) * STEP_DEG, np.float64)
    size_deg = max(_SMALLEST_DEG, float(np.percentile(foot_deg, _SIZE_PERCENTILE)) - _WIDER_DEG)
    found = []
    for one, turn in zip(turned, turns, strict=True):
        chroma = one[..., 1:] - np.median(one[_rows(*_FLOOR_DEG), :, 1:], axis=(0, 1))
        cast = cast_shadow_deg(one[..., 0] * _LUMA_SCALE, chroma, foot_deg, contact, size_deg)
        shadow_deg: Float = np.maximum(contact, cast)
        found.append(Footprint(_outline(shadow_deg, turn), _outline(foot_deg, turn), certainty))
    return found


def _features(logs: Picture) -> Picture:
    """Log light as luminance and two colour differences, each in units of what counts as different."""
    red, green, blue = np.moveaxis(logs, -1, 0)
    luma = 0.3 * red + 0.6 * green + 0.1 * blue
    return np.stack(
        [luma / _LUMA_SCALE, (red - green) / _CHROMA_SCALE, (blue - green) / _CHROMA_SCALE], -1
    ).astype(np.float32)


def _rows(low_deg: float, high_deg: float) -> slice:
    return slice(round(low_deg / STEP_DEG), round(high_deg / STEP_DEG))


def _unlike_floor(features: Picture) -> Picture:
    """Distance of each cell to the nearest colour of the frame's own floor, over the floor's own."""
    floor = cv2.blur(features, (3, 3))[_rows(*_FLOOR_DEG)].reshape(-1, 3)
    samples = np.ascontiguousarray(floor[:: max(1, len(floor) // 200)])
    distance = np.empty(features.shape[:2], np.float32)
    nearest(features.reshape(-1, 3), samples, distance.ravel())
    own = float(np.percentile(distance[_rows(*_FLOOR_DEG)], 90))
    unlike: Picture = (distance / max(own, 0.5)).astype(np.float32)
    return unlike


def _turns(unlike: Picture) -> Whole:
    """Columns by which each frame's foot is turned against the others'."""
    shape = np.minimum(unlike[:, _rows(0, LARGEST_DEG)], 6).astype(np.float64)
    weight = np.arange(0.5, shape.shape[1])[:, None]
    spectra = np.fft.rfft(shape * weight, axis=-1)
    spectra[..., 0] = 0
    turns = np.zeros(len(unlike), np.int64)
    template = spectra[0]
    columns = np.arange(spectra.shape[-1])
    for _ in range(3):
        match = np.fft.irfft((spectra * np.conj(template)).sum(1), MAP_COLUMNS, axis=-1)
        turns = match.argmax(-1)
        back = np.exp(2j * np.pi * turns[:, None] * columns / MAP_COLUMNS)
        template = (spectra * back[:, None, :]).mean(0)
    return turns


def _evidence(features: Picture, unlike: Picture) -> Picture:
    """For each cell, from -1 (floor) to 1 (foot)."""
    strange = np.median(unlike, axis=0)
    evidence = np.tanh((strange - 2.0) / 1.5)
    if len(features) < 3:
        return np.asarray(evidence, np.float32)
    centred = features - features[:, _rows(0, 3)].mean((1, 2), keepdims=True)
    middle = np.median(centred, axis=0)
    spread = np.median(np.abs(centred - middle), axis=0).sum(-1)
    floor, foot = float(np.median(spread[_rows(*_FLOOR_DEG)])), float(np.median(spread[_rows(0, 2)]))
    telling = np.clip((floor / max(foot, 0.3) - 1.5) / 2, 0, 1)
    steady = np.tanh(2 * (0.5 * (floor + foot) - spread) / max(floor - foot, 1e-3))
    return np.asarray((evidence + 0.5 * telling * steady) / (1 + 0.5 * telling), np.float32)


def _closed_line(evidence: Picture, *, stiffness: float = 0.8) -> Whole:
    """Row of the outline in each column: most evidence inside, least outside, without jumps."""
    low, high = round(_SMALLEST_DEG / STEP_DEG), round(LARGEST_DEG / STEP_DEG)
    ring = np.arange(MAP_ROWS)[:, None] + 0.5
    gain = np.cumsum(evidence * np.sqrt(ring / 20), axis=0)[low - 1 : high]
    states = gain.shape[0]
    bend = stiffness * np.abs(np.arange(states)[:, None] - np.arange(states)[None, :])
    # Two turns around, the first to forget where it started.
    total, came = np.zeros(states), []
    columns = [column % MAP_COLUMNS for column in range(2 * MAP_COLUMNS)]
    for column in columns:
        choice = total[:, None] - bend
        came.append(choice.argmax(0))
        total = choice.max(0) + gain[:, column]
    state = int(total.argmax())
    line = np.zeros(2 * MAP_COLUMNS, np.int64)
    for at in range(2 * MAP_COLUMNS - 1, -1, -1):
        line[at] = state
        state = int(came[at][state])
    middle = MAP_COLUMNS // 2
    return np.roll(line[middle : middle + MAP_COLUMNS], middle) + low


def _certainty(evidence: Picture, radius: Whole) -> float:
    rows = np.arange(MAP_ROWS)[:, None]
    inside = (rows < radius) & (rows >= 1)
    outside = (rows > radius + 3) & (rows < radius + 9)
    gap = float(evidence[inside].mean() - evidence[outside].mean()) / 2
    return float(np.clip(gap, 0, 1)) if radius.max() < LARGEST_DEG / STEP_DEG - 1 else 0.0


def _shadow_radius(features: Picture, radius: Whole) -> Whole:
    """Row of the shadow's edge: how far the floor is darker than further out, in most frames."""
    luma = features[..., 0] * _LUMA_SCALE
    reach, columns = round(4.0 / STEP_DEG), np.arange(MAP_COLUMNS)
    row = radius + 1 + np.arange(2 * reach)[:, None]  # the map goes on beyond the largest foot by more
    near, far = luma[:, row[:reach], columns], luma[:, row[reach:], columns]
    loss = np.median(np.median(far, axis=1, keepdims=True) - near, axis=0)
    wide = np.concatenate([loss[:, -6:], loss, loss[:, :6]], axis=1)
    loss = np.median(np.lib.stride_tricks.sliding_window_view(wide, 13, axis=1), axis=-1)
    dark = np.logical_and.accumulate(loss > _SHADOW_SHARE, axis=0)
    return radius + 1 + np.asarray(dark.sum(0), np.int64)


def _outline(radius_deg: Float, turn: int) -> Outline:
    radius_deg = np.roll(radius_deg, turn)
    centres = (np.arange(MAP_COLUMNS) + 0.5) * (360 / MAP_COLUMNS)
    return Outline(np.interp(np.arange(DIRECTIONS) + 0.5, centres, radius_deg, period=360))
