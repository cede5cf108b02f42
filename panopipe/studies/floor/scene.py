"""A floor with a hole in it, and how to cut, shift and shrink it."""

from __future__ import annotations

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
class Scene:
    """Detail of a floor, where it is known, and the hole."""

    detail: Picture
    known: Mask
    hole: Mask

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
            return self.detail[rows, columns], self.known[rows, columns]
        shape = (rows.stop - rows.start, columns.stop - columns.start)
        picture = np.zeros((*shape, self.detail.shape[-1]), np.float32)
        valid = np.zeros(shape, np.bool_)
        if top < bottom and left < right:
            there = np.s_[
                top - rows.start : bottom - rows.start, left - columns.start : right - columns.start
            ]
            picture[there] = self.detail[top:bottom, left:right]
            valid[there] = self.known[top:bottom, left:right]
        return picture, valid


def shrunk(picture: Picture, factor: int) -> Picture:
    """Average blocks of `factor` x `factor` pixels; an incomplete block at the end is left out."""
    height, width = picture.shape[0] // factor, picture.shape[1] // factor
    cut = picture[: height * factor, : width * factor]
    small: Picture = cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)
    return small


def lessened(picture: Picture, factor: int) -> Picture:
    """Shrink for comparing: noise must not hide thin joints, so that what is not shrunk is softened."""
    return shrunk(picture, factor) if factor > 1 else cv2.GaussianBlur(picture, (0, 0), _SOFT_PX)


def within(mask: Mask, reach: float) -> Mask:
    """Pixels of a mask and those nearer to it than `reach`."""
    near: Mask = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE) < reach
    return near


def disc(reach: int) -> NDArray[np.uint8]:
    """Structuring element of a disc."""
    kernel: NDArray[np.uint8] = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return kernel
