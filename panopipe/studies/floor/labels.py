"""Which shift fills which pixel: labels whose seams run where the shifted floors agree.

Min-sum belief propagation on the pixel grid, swept along rows and columns in turn. The price of a seam
between two neighbouring pixels is how much the two shifted floors differ at both of them, so that a seam
costs nothing where it cannot be seen.

References
----------
.. [1] V. Kwatra et al., Graphcut textures, SIGGRAPH 2003 (the price of a seam).
.. [2] M. F. Tappen, W. T. Freeman, Comparison of graph cuts with belief propagation for stereo, ICCV 2003
   (the accelerated sweeps).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.seams import pair_gaps, sweep
from panopipe.studies.floor.features import compared_by, scales_of
from panopipe.studies.floor.joints import Joints
from panopipe.studies.floor.scene import Box, Scene, lessened, shrunk, within

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Whole = NDArray[np.int64]

FORBIDDEN = np.float32(1e4)
"""Price of a label whose floor is not known at a pixel."""
_STRANGE = 4.0
"""Price of a seam where one side is not known, in variances of the floor."""
_BROKEN = 1.0
"""Price of a block at which a shift breaks a joint, in variances of the floor."""
_STRIP_SHARE = 0.1
"""Width of the strip of known floor around the hole that votes, in radii of the hole."""
_GENERAL_WEIGHT = 0.1
"""Weight of how well a shift fits the whole ring."""


@dataclass(frozen=True, slots=True, eq=False)
class Seams:
    """Half the price of a seam between each two labels at each pixel.

    Attributes
    ----------
    by_rows : ndarray of shape (h, k (k - 1) / 2, w), dtype float32
        Labels 0 and 1, 0 and 2, to the last two, row by row.
    by_columns : ndarray of shape (w, k (k - 1) / 2, h), dtype float32
        The same column by column.
    """

    by_rows: Picture
    by_columns: Picture


def seam_prices(shifted: Picture, valid: Mask, *, strange: float) -> Seams:
    """How much any two shifted floors differ, pixel by pixel.

    Parameters
    ----------
    shifted : ndarray of shape (k, h, w, channels), dtype float32
        The floor under each of k shifts.
    valid : ndarray of shape (k, h, w), dtype bool
        Where each of them is known.
    strange : float
        Price where one of the two is not known.
    """
    by_columns = shifted.transpose(0, 2, 1, 3), valid.transpose(0, 2, 1)
    return Seams(_prices_of(shifted, valid, strange), _prices_of(*by_columns, strange))


def _prices_of(shifted: Picture, valid: Mask, strange: float) -> Picture:
    count, height, width, channels = shifted.shape
    planes = np.ascontiguousarray(np.moveaxis(shifted, -1, 1)).reshape(count * channels, height, width)
    costs = np.empty((height, count * (count - 1) // 2, width), np.float32)
    pair_gaps(planes, channels, np.ascontiguousarray(valid).view(np.uint8), strange, costs)
    return costs


def choose_labels(unary: Picture, seams: Seams, region: Mask, *, sweeps: int = 3) -> Whole:
    """Labels of low total price on a region.

    Parameters
    ----------
    unary : ndarray of shape (h, w, k), dtype float32
        Price of each label at each pixel.
    seams : Seams
    region : ndarray of shape (h, w), dtype bool
        Pixels to label; others neither vote nor count.

    Returns
    -------
    ndarray of shape (h, w), dtype int64
    """
    linked_x = np.ascontiguousarray((region[:, 1:] & region[:, :-1]).T).view(np.uint8)
    linked_y = (region[1:] & region[:-1]).view(np.uint8)
    own_x, own_y = (np.ascontiguousarray(unary.transpose(axes)) for axes in ((1, 2, 0), (0, 2, 1)))
    from_left, from_right = np.zeros_like(own_x), np.zeros_like(own_x)
    from_above, from_below = np.zeros_like(own_y), np.zeros_like(own_y)
    for _ in range(sweeps):
        across = np.ascontiguousarray(own_x + from_above.T + from_below.T)
        sweep(across, seams.by_columns, linked_x, from_left, from_right)
        down = np.ascontiguousarray(own_y + from_left.T + from_right.T)
        sweep(down, seams.by_rows, linked_y, from_above, from_below)
    total: Picture = own_x + from_left + from_right + from_above.T + from_below.T
    labels: Whole = total.argmin(1).T
    return labels


def label_hole(
    scene: Scene,
    shifts: Whole,
    general: Picture,
    odd: Picture,
    joints: Joints,
    *,
    factor: int,
    radius: float,
    level_share: float,
) -> tuple[Box, Whole]:
    """Choose a shift for each block of `factor` pixels of the hole and a strip around it.

    Parameters
    ----------
    scene : Scene
        The floor at full size.
    shifts : ndarray of shape (k, 2), dtype int64
        Shifts (down, across) in pixels.
    general : ndarray of shape (k,), dtype float32
        How unlike the ring each of them is.
    odd : ndarray of shape (n // factor, n // factor), dtype float32
        Price of copying each block.
    joints : Joints
        Lines that run on in the hole, block by block.
    factor : int
        Pixels of a block.
    radius : float
        Radius of the hole in pixels.
    level_share : float
        Share of levels, against slopes, in what is compared.

    Returns
    -------
    Box
        Where the labels lie, a whole number of blocks.
    ndarray of shape (rows, columns), dtype int64
        Index of the shift, block by block.
    """
    strip = max(2, round(_STRIP_SHARE * radius / factor))
    box = scene.box(strip * factor, factor)
    parts = [scene.shifted(box, shift) for shift in shifts]
    shifted: Picture = np.array([lessened(there, factor) for there, _ in parts])
    sure = np.array([shrunk(valid.astype(np.float32), factor) > 0.999 for _, valid in parts])
    here = lessened(scene.detail[box], factor)
    hole = shrunk(scene.hole[box].astype(np.float32), factor) > 0
    region = within(hole, strip + 0.5)
    scales = scales_of(here, ~hole, level_share=level_share)
    wanted = compared_by(here, scales)
    compared = compared_by(shifted, scales)
    gap = compared - wanted
    unary = np.moveaxis(np.einsum("khwc,khwc->khw", gap, gap) * ~hole, 0, -1) + _GENERAL_WEIGHT * general
    blocks = Scene(odd[..., None], np.ones(odd.shape, np.bool_), scene.hole)
    within_box = (
        slice(box[0].start // factor, box[0].stop // factor),
        slice(box[1].start // factor, box[1].stop // factor),
    )
    costly = [blocks.shifted(within_box, np.round(shift / factor).astype(np.int64))[0] for shift in shifts]
    unary += np.concatenate(costly, -1)
    rows, columns, broken = joints.broken(shifts / factor)
    unary[rows - within_box[0].start, columns - within_box[1].start] += np.float32(_BROKEN) * broken.T
    unary[~np.moveaxis(sure, 0, -1)] = FORBIDDEN
    costs = seam_prices(compared, sure, strange=_STRANGE)
    return box, choose_labels(unary.astype(np.float32), costs, region)
