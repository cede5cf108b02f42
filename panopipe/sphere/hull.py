"""The convex hull of a part of a picture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.bool_]


def hull_of(mask: Mask) -> Mask:
    """The convex hull of a mask, shape (height, width), in the picture's own plane."""
    hull = np.zeros(mask.shape, np.uint8)
    places = cv2.findNonZero(mask.astype(np.uint8))
    if places is not None:
        cv2.fillConvexPoly(hull, cv2.convexHull(places), 1)
    return hull.astype(bool)
