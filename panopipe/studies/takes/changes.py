"""Regions that one take shows otherwise than all the others, while those agree.

What a pixel shows is held against the range of what the other take shows within a degree and a half, so that
parallax, leaves and rest errors of the registration are no change. Broad differences of light are taken out
first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.planes import highest_plane
from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column, yaw_pitch
from panopipe.studies.takes.beside import Beside, luminance, solid_share
from panopipe.studies.takes.take import Mask

Single = NDArray[np.float32]

_FLOOR = 0.05
"""Light, in medians of the sphere, below which a difference fades: noise and stray light fill the blacks."""
_REACH_DEG = 1.4
"""A lens that comes back 3 cm off its place sees what stands 1.2 m away moved by this."""
_BLOCK_DEG = 11.25
"""Blocks in which the light of two takes is brought together, by medians over five by five of them."""
_SEED_EV, _EDGE_EV = 0.45, 0.22
"""A region holds one difference above the first and all around it above the second."""
_LEAST_SHARE = 1e-4
"""Of the sphere: a person 10 m away, or four square degrees."""


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """A connected place where a take differs from all others.

    Attributes
    ----------
    mask : ndarray of shape (height, width), dtype bool
        The place.
    share : float
        Of the sphere.
    yaw_deg, pitch_deg : float
        Its middle.
    evidence : float
        Median difference in EV beyond what the others differ among themselves.
    """

    mask: Mask
    share: float
    yaw_deg: float
    pitch_deg: float
    evidence: float


def log_light(rows: Single, floor: float) -> Single:
    """Light in EV, with a floor for the noise."""
    soft = cv2.GaussianBlur(rows, (0, 0), 0.6)
    return np.asarray(np.log2(soft + np.float32(floor)), np.float32)


def levelled(side: Beside) -> tuple[Single, list[Single]]:
    """Own light and that of the others in EV, their broad differences taken out."""
    floor = _FLOOR * float(np.median(luminance(side.own)))
    own = log_light(side.own, floor)
    others = [log_light(other, floor) for other in side.others]
    return own, [other + _broad(own - other, side.known) for other in others]


def _broad(difference: Single, known: Mask) -> Single:
    height, width = known.shape
    block = max(2, round(_BLOCK_DEG * width / 360))
    rows, columns = height // block, width // block
    cut = np.where(known[..., None], difference, np.nan)[: rows * block, : columns * block]
    cells = cut.reshape(rows, block, columns, block, 3).transpose(0, 2, 1, 3, 4).reshape(rows, columns, -1, 3)
    enough = np.isfinite(cells[..., 0]).mean(-1) > 0.25
    middle = np.zeros((rows, columns, 3), np.float32)
    middle[enough] = np.nanmedian(cells[enough], axis=1)
    middle = _filled(middle, enough)
    wide = np.concatenate([middle[:, -4:], middle, middle[:, :4]], axis=1)
    wide = np.concatenate([wide[:1], wide[:1], wide, wide[-1:], wide[-1:]])
    calm = np.stack([cv2.medianBlur(np.ascontiguousarray(wide[..., k]), 5) for k in range(3)], axis=-1)[2:-2]
    full = cv2.resize(calm, None, fx=block, fy=block, interpolation=cv2.INTER_LINEAR)
    full = full[:, 4 * block : 4 * block + columns * block]
    missing = ((0, height - len(full)), (0, width - full.shape[1]), (0, 0))
    return np.pad(full, missing, mode="edge").astype(np.float32)


def _filled(cells: Single, known: Mask) -> Single:
    """Blocks without a median take the mean of their neighbours', from the known ones outwards."""
    cells, known = cells.copy(), known.copy()
    while not known.all() and known.any():
        weight = _neighbours(known.astype(np.float32)[..., None])
        total = _neighbours(cells * known[..., None])
        new = ~known & (weight[..., 0] > 0)
        cells[new] = total[new] / weight[new]
        known |= new
    return cells


def _neighbours(cells: Single) -> Single:
    """Sum of each cell and the eight around it; nothing lies beyond the poles."""
    tall = np.pad(cells, ((1, 1), (0, 0), (0, 0)))
    down = tall[:-2] + tall[1:-1] + tall[2:]
    return np.asarray(down + np.roll(down, 1, axis=1) + np.roll(down, -1, axis=1), np.float32)


def unlike(one: Single, other: Single) -> Single:
    """How far each lies outside the range of the other around it, in EV: the larger of the two ways."""
    away = np.zeros(one.shape[:2], np.float32)
    for a, b in ((one, other), (other, one)):
        low, high = _range(b)
        away = np.maximum(away, highest_plane(np.maximum(a - high, low - a)))
    return np.asarray(np.maximum(away, 0), np.float32)


def _range(logs: Single) -> tuple[Single, Single]:
    """Least and most of each plane within the reach, as wide on the sphere in every row."""
    height, width = logs.shape[:2]
    reach = max(1, round(_REACH_DEG * width / 360))
    down = np.ones((2 * reach + 1, 1), np.uint8)
    low, high = cv2.erode(logs, down), cv2.dilate(logs, down)
    cosine = np.cos(np.radians(pitch_of_row(np.arange(height), height)))
    wide = np.minimum(np.ceil(reach / cosine), 8 * reach).astype(int)
    cuts = np.flatnonzero(np.diff(wide, prepend=-1, append=-1))
    for start, end in pairwise(cuts):
        by = int(wide[start])
        along = np.ones((1, 2 * by + 1), np.uint8)
        for plane, change in ((low, cv2.erode), (high, cv2.dilate)):
            rows = np.concatenate([plane[start:end, -by:], plane[start:end], plane[start:end, :by]], axis=1)
            plane[start:end] = change(rows, along)[:, by:-by]
    return low, high


def evidence_map(side: Beside, own: Single, others: list[Single]) -> Single:
    """How far the take differs from the nearest of the others, beyond their own differences, in EV."""
    from_all = np.min([unlike(own, other) for other in others], axis=0)
    among = [unlike(a, b) for a, b in combinations(others, 2)]
    agreed = np.max(among, axis=0) if among else np.zeros_like(from_all)
    kept = np.where(side.known, from_all - agreed, 0)
    return np.asarray(cv2.GaussianBlur(kept, (0, 0), 1.0), np.float32)


def regions(evidence: Single) -> Iterator[Region]:
    """Connected places of evidence, the largest first."""
    height = len(evidence)
    over = (evidence > _EDGE_EV).astype(np.uint8)
    over = cv2.morphologyEx(_around(over), cv2.MORPH_CLOSE, np.ones((7, 5), np.uint8))[:, 8:-8]
    start = int(np.argmin(over.sum(0)))  # cut where least is cut
    turned = np.roll(over, -start, axis=1)
    count, labels = cv2.connectedComponents(turned, connectivity=8)
    labels = np.roll(labels, start, axis=1)
    share = np.broadcast_to(solid_share(height), labels.shape)
    found = []
    for number in range(1, count):
        mask = labels == number
        size = float(share[mask].sum())
        if size >= _LEAST_SHARE and float(evidence[mask].max()) > _SEED_EV:
            yaw, pitch = _middle(mask, share)
            found.append(Region(mask, size, yaw, pitch, float(np.median(evidence[mask]))))
    return iter(sorted(found, key=lambda region: -region.share))


def _around(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.concatenate([mask[:, -8:], mask, mask[:, :8]], axis=1)


def _middle(mask: Mask, share: NDArray[np.float64]) -> tuple[float, float]:
    rows, columns = np.nonzero(mask)
    height, width = mask.shape
    towards = direction(yaw_of_column(columns, width), pitch_of_row(rows, height))
    yaw, pitch = yaw_pitch((towards * share[rows, columns][:, None]).sum(0))
    return float(yaw), float(pitch)
