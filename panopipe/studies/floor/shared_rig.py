"""The support that all frames of a job share: one rig on floors that change.

Two kinds of evidence are joined over all frames, turned so that they lie on each other: what is unlike the
floor of its own frame in most frames, and what looks the same from frame to frame while the floor does not.
A floor whose own pattern hides a support (dark tiles among light ones) hides it in one frame only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.nearest import nearest
from panopipe.studies.floor.cast_shadow import cast_shadow_deg
from panopipe.studies.floor.closed_line import best_closed_line
from panopipe.studies.floor.footprint import (
    FLOOR_DEG,
    LUMA_SCALE,
    MAP_COLUMNS,
    MAP_ROWS,
    STEP_DEG,
    Footprint,
    RingMap,
    features_of,
    outline_of_columns,
    ring_rows,
    shadow_radius,
)

Picture = NDArray[np.float32]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

_LARGEST_DEG = 18.0
"""A foot larger than this is none: a person, a table, a step."""
_SMALLEST_DEG = 1.5
_FEWEST_FRAMES = 3
_SURE_ENOUGH = 0.35
"""How clearly what all frames share must differ from floor; measured on jobs with and without a support."""
_SOME_SIGN = 0.1
"""Certainty of a frame's own look from which it takes part: floors without support stay below .05."""
_CERTAIN, _PLAIN, _DOUBTED = 0.5, 0.9, 0.4
"""Certainty from which something stands there, from which even the only one of a job does, and what is left
of less than that."""
_SIZE_PERCENTILE, _WIDER_DEG = 90.0, 0.4
"""What counts as the foot's size, and by how much its outline is found too wide, for the dark beside it."""


def with_shared(own: Sequence[Footprint], maps: Sequence[RingMap]) -> list[Footprint]:
    """Join what each frame shows by itself with what all of them share.

    Parameters
    ----------
    own : sequence of Footprint
        What each frame shows by itself.
    maps : sequence of RingMap
        One of each frame, in the same order.

    Returns
    -------
    list of Footprint
        One of each frame; as they were where the frames share nothing, or are fewer than three. What stands
        in one frame of a job alone, and is not plain there, stands nowhere.
    """
    if len(maps) < _FEWEST_FRAMES:
        return list(own)
    shared = _shared(maps)
    if shared is None:
        return _voted(own)
    return _voted([_joined(mine, joint) for mine, joint in zip(own, shared, strict=True)])


def _voted(joined: Sequence[Footprint]) -> list[Footprint]:
    """Doubt what is found in one frame of a job alone, and is not plain there."""
    certain = [at for at, each in enumerate(joined) if each.certainty >= _CERTAIN]
    alone = len(certain) == 1 and len(joined) > _FEWEST_FRAMES
    return [
        replace(each, certainty=min(each.certainty, _DOUBTED)) if alone and each.certainty < _PLAIN else each
        for each in joined
    ]


def _joined(own: Footprint, shared: Footprint) -> Footprint:
    if own.certainty < _SOME_SIGN:
        return own
    return replace(
        own,
        outline=own.outline.union(shared.outline),
        foot=own.foot.union(shared.foot),
        certainty=max(own.certainty, 0.5 + shared.certainty / 2),
    )


def _shared(maps: Sequence[RingMap]) -> list[Footprint] | None:
    """The support that all frames share, in each of them; None where it does not stand out."""
    features = np.array([features_of(ring.logs.astype(np.float32)) for ring in maps])
    unlike = np.array([_unlike_floor(frame) for frame in features])
    turns = _turns(unlike)
    turned = np.array([np.roll(frame, -turn, axis=1) for frame, turn in zip(features, turns, strict=True)])
    strange = np.array([np.roll(frame, -turn, axis=1) for frame, turn in zip(unlike, turns, strict=True)])
    evidence = _evidence(turned, strange)
    radius = _closed_line(evidence)
    certainty = _certainty(evidence, radius)
    if certainty < _SURE_ENOUGH:
        return None
    foot_deg = np.asarray(radius * STEP_DEG, np.float64)
    contact = np.asarray(shadow_radius(turned, radius) * STEP_DEG, np.float64)
    size_deg = max(_SMALLEST_DEG, float(np.percentile(foot_deg, _SIZE_PERCENTILE)) - _WIDER_DEG)
    footprints = []
    for frame, turn in zip(turned, turns, strict=True):
        chroma = frame[..., 1:] - np.median(frame[ring_rows(*FLOOR_DEG), :, 1:], axis=(0, 1))
        cast = cast_shadow_deg(frame[..., 0] * LUMA_SCALE, chroma, foot_deg, contact, size_deg)
        shadow_deg: Float = np.maximum(contact, cast)
        footprints.append(
            Footprint(outline_of_columns(shadow_deg, turn), outline_of_columns(foot_deg, turn), certainty)
        )
    return footprints


def _unlike_floor(features: Picture) -> Picture:
    """Distance of each cell to the nearest colour of the frame's own floor, over the floor's own."""
    floor = cv2.blur(features, (3, 3))[ring_rows(*FLOOR_DEG)].reshape(-1, 3)
    samples = np.ascontiguousarray(floor[:: max(1, len(floor) // 200)])
    distance = np.empty(features.shape[:2], np.float32)
    nearest(features.reshape(-1, 3), samples, distance.ravel())
    own = float(np.percentile(distance[ring_rows(*FLOOR_DEG)], 90))
    unlike: Picture = (distance / max(own, 0.5)).astype(np.float32)
    return unlike


def _turns(unlike: Picture) -> Whole:
    """Columns by which each frame's foot is turned against the others'."""
    shape = np.minimum(unlike[:, ring_rows(0, _LARGEST_DEG)], 6).astype(np.float64)
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
    centred = features - features[:, ring_rows(0, 3)].mean((1, 2), keepdims=True)
    middle = np.median(centred, axis=0)
    spread = np.median(np.abs(centred - middle), axis=0).sum(-1)
    floor, foot = float(np.median(spread[ring_rows(*FLOOR_DEG)])), float(np.median(spread[ring_rows(0, 2)]))
    telling = np.clip((floor / max(foot, 0.3) - 1.5) / 2, 0, 1)
    steady = np.tanh(2 * (0.5 * (floor + foot) - spread) / max(floor - foot, 1e-3))
    return np.asarray((evidence + 0.5 * telling * steady) / (1 + 0.5 * telling), np.float32)


def _closed_line(evidence: Picture, *, stiffness: float = 0.8) -> Whole:
    """Row of the outline in each column: most evidence inside, least outside, without jumps."""
    low, high = round(_SMALLEST_DEG / STEP_DEG), round(_LARGEST_DEG / STEP_DEG)
    ring = np.arange(MAP_ROWS)[:, None] + 0.5
    gain = np.cumsum(evidence * np.sqrt(ring / 20), axis=0)[low - 1 : high]
    states = gain.shape[0]
    bend = stiffness * np.abs(np.arange(states)[:, None] - np.arange(states)[None, :])
    return best_closed_line(gain, bend) + low


def _certainty(evidence: Picture, radius: Whole) -> float:
    rows = np.arange(MAP_ROWS)[:, None]
    inside = (rows < radius) & (rows >= 1)
    outside = (rows > radius + 3) & (rows < radius + 9)
    gap = float(evidence[inside].mean() - evidence[outside].mean()) / 2
    return float(np.clip(gap, 0, 1)) if radius.max() < _LARGEST_DEG / STEP_DEG - 1 else 0.0
