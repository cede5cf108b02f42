"""Which shifts of a floor to use: few that together explain the ring around the hole, set to the pixel."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.seams import window_gap
from panopipe.studies.floor.joints import Joints
from panopipe.studies.floor.scene import Box, Scene, Sides, within

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Whole = NDArray[np.int64]

RING_SHARE = 0.3
"""Width of the ring on which shifts are judged, in radii of the hole."""
_BROAD = 0.12
"""Standard deviation of the blur that leaves forms and takes grain, in radii of the hole."""
_MOST_UNLIKE = 1.5
"""Cap on how unlike one pixel may be, in units of unrelated floor: outliers must not decide."""
_UNKNOWN = 1.2
"""Price of a ring pixel whose shifted floor is not known."""
_BROKEN = 1.0
"""Price of a pixel at which a shift breaks a joint."""
_UNREACHED = 3.0
"""Price of a pixel of the hole that a shift does not reach."""
_LEAST_SEEN, _LEAST_SEEN_OF_SIDE = 0.2, 0.06
"""Least share of the ring that must show a shift's floor, and where it has two sides."""
_JUDGES, _JUDGES_AT_FIRST = 4000, 1000
"""Pixels of the ring, those with the most detail, that set a shift to the pixel, and of these, those that
bring it near."""


def chosen_shifts(
    small: Scene, pool: Whole, odd: Picture, joints: Joints, radius: float, *, count: int
) -> tuple[Whole, Picture]:
    """Pick the few shifts that together explain the ring and reach every pixel of the hole.

    Parameters
    ----------
    small : Scene
        The floor on a coarse grid.
    pool : ndarray of shape (n, 2), dtype int64
        Shifts (down, across) to choose from, in pixels of that grid.
    odd : ndarray of shape (h, w), dtype float32
        Price of copying each pixel of that grid.
    joints : Joints
        Lines that run on in the hole, on that grid.
    radius : float
        Radius of the hole in pixels of that grid.
    count : int
        Shifts to keep at most.

    Returns
    -------
    ndarray of shape (m, 2), dtype int64
        The chosen ones, the most useful first.
    ndarray of shape (m,), dtype float32
        How unlike the ring each of them is: 0 the same, 1 unrelated.
    """
    box, ring = ring_of(small, radius)
    table, general = _prices(small, pool, odd, joints, box, ring)
    best = np.full(table.shape[1], _UNREACHED + 1, np.float32)
    # What a shift gains can only become less as others are chosen: an old gain is a bound.
    bounds = np.full(len(pool), np.inf)
    chosen: list[int] = []
    gain = np.empty_like(best)
    while len(chosen) < min(count, len(pool)):
        pick = int(bounds.argmax())
        np.subtract(best, table[pick], out=gain)
        np.maximum(gain, 0, out=gain)
        bounds[pick] = cv2.sumElems(gain)[0]
        if bounds[pick] < bounds.max():
            continue
        if bounds[pick] <= 0:
            break
        chosen.append(pick)
        bounds[pick] = -1
        np.minimum(best, table[pick], out=best)
    return pool[chosen], general[chosen]


def ring_of(scene: Scene, radius: float) -> tuple[Box, Mask]:
    """Box around hole and ring, and where in it the known floor of the ring lies."""
    width = max(2, round(RING_SHARE * radius))
    box = scene.box(width)
    return box, scene.known[box] & within(scene.hole[box], width)


def unexplained(small: Scene, shifts: Whole, radius: float) -> float:
    """Rms of the broad detail around the hole that none of some shifts shows, in log light.

    Fine grain never repeats and need not; what is broad enough to be a form and shows nowhere else cannot be
    rebuilt from elsewhere.
    """
    box, ring = ring_of(small, radius)
    sigma = _BROAD * radius
    known = small.known.astype(np.float32)
    share = np.maximum(cv2.GaussianBlur(known, (0, 0), sigma), 0.05)
    broad = cv2.GaussianBlur(small.detail.mean(-1) * known, (0, 0), sigma) / share
    whole = Scene(broad[..., None], small.known, small.hole)
    best = np.square(broad[box])
    for shift in shifts:
        there, valid = whole.shifted(box, shift)
        best = np.where(valid, np.minimum(best, np.square(there[..., 0] - broad[box])), best)
    return float(np.sqrt(best[ring].mean())) if ring.any() else 0.0


def _prices(
    small: Scene, pool: Whole, odd: Picture, joints: Joints, box: Box, ring: Mask
) -> tuple[Picture, Picture]:
    """Price of each shift at each pixel of ring and hole, and over the ring as a whole."""
    unrelated = 2 * max(float(np.square(small.detail[small.known]).sum(-1).mean()), 1e-9)
    reach = int(np.abs(pool).max()) if len(pool) else 0
    planes = np.moveaxis(small.detail, -1, 0) / np.float32(math.sqrt(unrelated))
    here, judged, hole = planes[:, *box].copy(), small.known[box], small.hole[box]
    # Padded, so that every shift lies inside.
    sides = ((reach, reach), (reach, reach))
    planes, costly = np.pad(planes, ((0, 0), *sides)), np.pad(odd, sides)
    known = np.pad(small.known, sides)
    far = None if small.sides is None else np.pad(small.sides.distance, sides, constant_values=np.inf)
    line, (height, width) = known.shape[1], ring.shape
    at_ring, at_hole = np.flatnonzero(ring), np.flatnonzero(hole)
    from_hole = at_hole // width * line + at_hole % width
    table = np.empty((len(pool), at_ring.size + at_hole.size), np.float32)
    general = np.empty(len(pool), np.float32)
    unlike, near = np.empty((2, height, width), np.float32)
    least = (_LEAST_SEEN if small.sides is None else _LEAST_SEEN_OF_SIDE) * at_ring.size
    for index, (down, across) in enumerate(pool):
        top, left = box[0].start + reach + int(down), box[1].start + reach + int(across)
        window_gap(planes, top, left, here, unlike)
        np.minimum(unlike, np.float32(_MOST_UNLIKE), out=unlike)
        there = known[top : top + height, left : left + width]
        if far is not None and small.sides is not None:
            beyond = far[top : top + height, left : left + width]
            there = there & small.sides.allows(small.sides.distance[box], beyond)
        np.copyto(unlike, np.float32(_UNKNOWN), where=~(there & judged))
        seen = there.ravel().take(at_ring)
        shown = unlike.ravel().take(at_ring)[seen]
        score = float(shown.mean()) if shown.size > least else 1.0
        cv2.blur(unlike, (3, 3), dst=near)
        near.ravel().take(at_ring, out=table[index, : at_ring.size], mode="clip")
        reached = from_hole + (top * line + left)
        price = np.where(
            there.ravel().take(at_hole), score + costly.ravel().take(reached), np.float32(_UNREACHED)
        )
        table[index, at_ring.size :] = price
        general[index] = score
    rows, columns, broken = joints.broken(pool)
    place = np.full(ring.shape, -1, np.int64)
    place.ravel()[at_hole] = at_ring.size + np.arange(at_hole.size)
    table[:, place[rows - box[0].start, columns - box[1].start]] += np.float32(_BROKEN) * broken
    return table, general


def refined(scene: Scene, shifts: Whole, factor: int, radius: float) -> Whole:
    """Move each shift by up to `factor` pixels to where the ring at full size agrees best."""
    box, ring = ring_of(scene, radius)
    grey = cv2.GaussianBlur(cv2.transform(scene.detail, np.ones((1, 3), np.float32)), (0, 0), 0.8)
    edge = np.abs(cv2.Laplacian(grey[box], cv2.CV_32F, ksize=3))
    rows, columns = np.nonzero(ring)
    order = _largest(edge[rows, columns], _JUDGES)
    judges = np.stack([rows[order] + box[0].start, columns[order] + box[1].start])
    wanted = grey[judges[0], judges[1]]
    # Where nothing is known, and around the view, stands no number.
    shown = np.full((grey.shape[0] + 2, grey.shape[1] + 2), np.nan, np.float32)
    np.copyto(shown[1:-1, 1:-1], grey, where=scene.known)
    far = None if scene.sides is None else np.pad(scene.sides.distance, 1, constant_values=np.inf)
    moved = shifts
    for step in (max(1, factor // 2), 1):
        reach = 2 if step > 1 else 1
        every = max(1, judges.shape[1] // _JUDGES_AT_FIRST) if step > 1 else 1
        heard = judges[:, ::every], wanted[::every]
        trials = np.arange(-reach, reach + 1) * step
        moved = np.array(
            [
                _best_of(shown, *_on_its_side(*heard, shift, far, scene.sides), shift, trials)
                for shift in moved
            ]
        )
    return moved


def _on_its_side(
    judges: Whole, wanted: Picture, shift: Whole, far: Picture | None, sides: Sides | None
) -> tuple[Whole, Picture]:
    """The judges that a shift does not carry over an edge."""
    if far is None or sides is None:
        return judges, wanted
    height, width = far.shape
    y = np.clip(judges[0] + shift[0] + 1, 0, height - 1)
    x = np.clip(judges[1] + shift[1] + 1, 0, width - 1)
    allowed = sides.allows(sides.distance[judges[0], judges[1]], far[y, x])
    return judges[:, allowed], wanted[allowed]


def _largest(values: Picture, count: int) -> Whole:
    """Indices of the largest values, the largest first, equal ones in their order."""
    if len(values) <= count:
        return np.asarray(np.argsort(-values, kind="stable"))
    least = np.partition(values, len(values) - count)[len(values) - count]
    some = np.flatnonzero(values >= least)
    largest: Whole = some[np.argsort(-values[some], kind="stable")[:count]]
    return largest


def _best_of(shown: Picture, judges: Whole, wanted: Picture, shift: Whole, trials: Whole) -> Whole:
    """The shift, moved by some of the trials down and across, under which the judges agree best."""
    height, width = shown.shape
    y = np.clip(judges[0] + (shift[0] + trials + 1)[:, None], 0, height - 1) * width
    x = np.clip(judges[1] + (shift[1] + trials + 1)[:, None], 0, width - 1)
    gap = shown.ravel().take(y[:, None] + x)
    gap -= wanted
    np.abs(gap, out=gap)
    unknown = np.isnan(gap)
    count = wanted.size - np.count_nonzero(unknown, axis=-1)
    np.copyto(gap, np.float32(0), where=unknown)
    score = np.where(count > 0.1 * max(wanted.size, 1), gap.sum(-1) / np.maximum(count, 1), np.inf)
    # Of equals, the nearest.
    far = np.abs(trials)[:, None] + np.abs(trials)
    down, across = np.unravel_index(np.lexsort((far.ravel(), score.ravel()))[0], score.shape)
    best: Whole = shift + np.array([trials[down], trials[across]])
    return best
