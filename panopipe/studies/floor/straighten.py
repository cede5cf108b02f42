"""A view in which an arc is a straight line, so that what runs along a round rug's edge runs along a line."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.edge import Edge

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]


def straightened(light: Picture, known: Mask, hole: Mask, edge: Edge) -> tuple[Picture, Mask, Mask, Edge]:
    """Draw a view along an arc: rows run along it, columns aside.

    Parameters
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
    known, hole : ndarray of shape (n, n), dtype bool
    edge : Edge
        The arc.

    Returns
    -------
    ndarray of shape (n, n, 3), dtype float32
    ndarray of shape (n, n), dtype bool
        What is known of it; beyond the arc's centre nothing is.
    ndarray of shape (n, n), dtype bool
        The hole.
    Edge
        The arc as the straight line that it is now.
    """
    along: Float = np.arange(hole.shape[0])[:, None] - np.full((1, hole.shape[1]), edge.middle[0])
    aside: Float = np.arange(hole.shape[1]) - np.full((hole.shape[0], 1), edge.middle[1] + edge.offset_px)
    down, across = (places.astype(np.float32) for places in edge.places(along, aside))
    beyond = aside * edge.bend > 0.9
    height, width = hole.shape
    outside = beyond | (down < 1) | (down > height - 2) | (across < 1) | (across > width - 2)
    drawn = cv2.remap(light, across, down, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    sure = cv2.remap(known.astype(np.float32), across, down, cv2.INTER_LINEAR)
    open_ = cv2.remap(hole.astype(np.float32), across, down, cv2.INTER_LINEAR)
    hidden = (open_ > 0) & ~beyond
    return drawn, (sure > 0.99) & ~outside & ~hidden, hidden, replace(edge, angle=0.0, bend=0.0)


def bent_back(drawn: Picture, where: Mask, edge: Edge) -> Picture:
    """What a view drawn along an arc shows at some places of the view itself, shape (count, 3)."""
    rows, columns = (indices.astype(np.float64) for indices in np.nonzero(where))
    down = edge.along(rows, columns) + edge.middle[0]
    across = edge.distance(rows, columns) + edge.middle[1] + edge.offset_px
    x, y = across.astype(np.float32)[None], down.astype(np.float32)[None]
    shown: Picture = cv2.remap(drawn, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)[0]
    return shown
