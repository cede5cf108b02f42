"""A floor with a hole in it, and how to cut, shift and shrink it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Whole = NDArray[np.int64]
_SOFT_PX = 0.8
Box = tuple[slice, slice]
"""Rows and columns of a part of the view."""


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """Two kinds of floor and the edge between them.

    Attributes
    ----------
    distance : ndarray of shape (h, w), dtype float32
        Signed distance to the edge in pixels.
    strip_px : tuple of float
        From which to which distance floor belongs to the edge itself, and is copied along it only.
    loose_px : float
        By how much the distance may change in that.
    """

    distance: Picture
    strip_px: tuple[float, float]
    loose_px: float

    def shrunk(self, factor: int) -> Sides:
        """The same on a grid of blocks."""
        distance = shrunk(self.distance, factor) / np.float32(factor)
        low, high = self.strip_px
        return Sides(
            distance, (min(-1, low / factor), max(1, high / factor)), max(0.5, self.loose_px / factor)
        )

    def allows(self, here: Picture, there: Picture) -> Mask:
        """Whether floor that far from the edge may be copied to a place that far from it."""
        low, high = (np.float32(end) for end in self.strip_px)
        same = ((here > high) & (there > high)) | ((here < low) & (there < low))
        allowed: Mask = same | (np.abs(here - there) < np.float32(self.loose_px))
        return allowed


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Detail of a floor, where it is known, and the hole; and its two sides, if it has two."""

    detail: Picture
    known: Mask
    hole: Mask
    sides: Sides | None = None

    def box(self, margin: int, step: int = 1) -> Box:
        """Rows and columns of the hole and a margin, cut at multiples of `step`."""
        cuts = []
        for axis in (1, 0):
            at = np.flatnonzero(self.hole.any(axis))
            size = self.hole.shape[1 - axis]
            first = max(0, int(at[0]) - margin) // step * step
            last = min(size // step * step, -(-(int(at[-1]) + 1 + margin) // step) * step)
            cuts.append(slice(first, last))
        return cuts[0], cuts[1]

    def shifted(self, box: Box, shift: Whole) -> tuple[Picture, Mask]:
        """The floor at box + shift, and where it is known; parts of the scene where all lies inside."""
        height, width = self.known.shape
        rows, columns = (
            slice(cut.start + int(by), cut.stop + int(by)) for cut, by in zip(box, shift, strict=True)
        )
        top, left = max(0, rows.start), max(0, columns.start)
        bottom, right = min(height, rows.stop), min(width, columns.stop)
        if (top, left, bottom, right) == (rows.start, columns.start, rows.stop, columns.stop):
            return self.detail[rows, columns], self._allowed(box, (rows, columns), self.known[rows, columns])
        shape = (rows.stop - rows.start, columns.stop - columns.start)
        picture = np.zeros((*shape, self.detail.shape[-1]), np.float32)
        valid = np.zeros(shape, np.bool_)
        if top < bottom and left < right:
            there = np.s_[
                top - rows.start : bottom - rows.start, left - columns.start : right - columns.start
            ]
            picture[there] = self.detail[top:bottom, left:right]
            valid[there] = self.known[top:bottom, left:right]
            if self.sides is not None:
                distance = np.full(shape, np.inf, np.float32)
                distance[there] = self.sides.distance[top:bottom, left:right]
                valid &= self.sides.allows(self.sides.distance[box], distance)
        return picture, valid

    def _allowed(self, box: Box, there: Box, valid: Mask) -> Mask:
        """What of the known floor lies on the right side."""
        if self.sides is None:
            return valid
        return valid & self.sides.allows(self.sides.distance[box], self.sides.distance[there])


def shrunk(picture: Picture, factor: int) -> Picture:
    """Average blocks of `factor` x `factor` pixels; an incomplete block at the end is left out."""
    height, width = picture.shape[0] // factor, picture.shape[1] // factor
    cut = picture[: height * factor, : width * factor]
    small: Picture = cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)
    return small


def lessened(picture: Picture, factor: int) -> Picture:
    """Shrink for comparing: noise must not hide thin joints, so that what is not shrunk is softened."""
    return shrunk(picture, factor) if factor > 1 else cv2.GaussianBlur(picture, (0, 0), _SOFT_PX)


def distance_from(mask: Mask) -> Picture:
    """Distance of each pixel from the nearest one of a mask, in pixels."""
    off = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    # Its roots depend in their last bit on where the array lies in memory; squares are whole numbers.
    return np.asarray(np.sqrt(np.rint(np.square(off))), np.float32)


def within(mask: Mask, reach: float) -> Mask:
    """Pixels of a mask and those nearer to it than `reach`."""
    near = np.zeros(mask.shape, np.bool_)
    if mask.any():
        # Further out than the reach nothing is asked for.
        box = Scene(np.empty(0, np.float32), mask, mask).box(math.ceil(reach))
        near[box] = distance_from(mask[box]) < reach
    return near
