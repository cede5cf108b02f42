"""Grain and sharpness of a finished picture, in equal angles, for comparison with its siblings."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.float32]

_LEVEL_DEG = 40.0
"""Rows within this pitch are looked at: their columns shrink by less than a quarter."""
_ROWS = 200
"""Rows on which edges are measured; upright edges run through many."""
_ALIKE = 1.25
"""How far apart the quietest 3 and 10 % of blocks may lie and still be grain (measured: grain of 6 codes 1.06
to 1.09, a wood 1.42, the same wood with grain 1.29)."""


def _level_rows(rgb8: NDArray[np.uint8], most: int | None = None) -> Codes:
    """Grey rows around the horizon; if there are more than twice `most`, an even choice of them."""
    margin = round(rgb8.shape[0] * (90 - _LEVEL_DEG) / 180)
    rows = rgb8[margin : rgb8.shape[0] - margin]
    rows = rows[:: max(1, len(rows) // most)] if most else rows
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(rows), cv2.COLOR_RGB2GRAY), dtype=np.float32)


def grain_codes(rgb8: NDArray[np.uint8]) -> float | None:
    """Grain of the flat parts, standard deviation in codes of 255.

    The finest wavelet detail (Haar, diagonal) of mid-tone blocks of 16 x 16 pixels, in the quietest of
    them. Grain lies on the whole frame, so that the quiet blocks are all about equally loud; where they are
    not, as in a wood, what is loud is texture.

    Parameters
    ----------
    rgb8 : ndarray of shape (height, width, 3), dtype uint8
        A whole frame, sRGB.

    Returns
    -------
    float or None
        The 5th percentile over blocks; None when texture hides the grain. Stitched frames are correlated
        from pixel to pixel, so the figure is for comparing frames of one job, not a property of the sensor.
    """
    grey = _level_rows(rgb8)
    grey = grey[: grey.shape[0] // 16 * 16, : grey.shape[1] // 16 * 16]
    parts = [grey[row::2, column::2] for row in (0, 1) for column in (0, 1)]
    detail = _blocks((parts[0] - parts[1] - parts[2] + parts[3]) / 2)
    level = _blocks((parts[0] + parts[1] + parts[2] + parts[3]) / 4).mean(axis=1)
    middle = (level > 40) & (level < 220)
    if not middle.any():
        return None
    low, grain, high = np.percentile(np.sqrt(np.mean(detail[middle] ** 2, axis=1)), [3, 5, 10])
    return float(grain) if high < max(_ALIKE * low, 2.0) else None


def _blocks(half: NDArray[np.floating]) -> Codes:
    """Blocks of 8 x 8 of a plane at half size, each a row."""
    rows, columns = half.shape[0] // 8, half.shape[1] // 8
    return half.reshape(rows, 8, columns, 8).transpose(0, 2, 1, 3).reshape(-1, 64)


def edge_width_px(rgb8: NDArray[np.uint8]) -> float:
    """Width of the sharpest upright edges, in pixels of the frame given.

    At each strong edge across columns: contrast between its two feet, divided by its steepest slope. Only
    edges across columns are used, where camera shake shows and where JPEG rows do not.

    Parameters
    ----------
    rgb8 : ndarray of shape (height, width, 3), dtype uint8
        A whole frame, sRGB.

    Returns
    -------
    float
        The 20th percentile over strong edges: a scene always has some hard edges, and their width is that
        of the lens, the stitch and the hand. 0 when fewer than 200 strong edges are there to judge by.
    """
    grey = _level_rows(rgb8, most=_ROWS)
    pitch_deg = (0.5 - (np.arange(grey.shape[0]) + 0.5) / grey.shape[0]) * 2 * _LEVEL_DEG
    reach = 8
    around = np.concatenate([grey[:, -reach:], grey, grey[:, : reach + 1]], axis=1)
    slope = around[:, 1:] - around[:, :-1]  # at column c of the frame: slope[:, c + reach]
    size = np.abs(slope[:, reach - 1 : reach + 1 + grey.shape[1]])
    here = size[:, 1:-1]
    rows, columns = np.nonzero((here > 8) & (here >= size[:, :-2]) & (here > size[:, 2:]))
    if len(rows) == 0:
        return 0.0
    window = slope[rows[:, np.newaxis], columns[:, np.newaxis] + np.arange(2 * reach + 1)]
    window *= np.sign(window[:, reach])[:, np.newaxis]
    rise = _run_up(window[:, reach:]) + _run_up(window[:, reach::-1]) - window[:, reach]
    strong = rise > 40
    if np.count_nonzero(strong) < 200:
        return 0.0
    width = rise[strong] / window[strong, reach] * np.cos(np.radians(pitch_deg[rows[strong]]))
    return float(np.percentile(width, 20))


def _run_up(slopes: Codes) -> Codes:
    """Sum of each row's slopes as long as they stay positive."""
    going = np.logical_and.accumulate(slopes > 0, axis=1)
    return np.asarray((slopes * going).sum(axis=1), dtype=np.float32)
