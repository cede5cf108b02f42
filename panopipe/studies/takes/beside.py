"""A take and the others laid on it: turned into its pose and brought to its exposure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.frame import Rows
from panopipe.pixels.planes import highest_plane
from panopipe.sphere.geometry import pitch_of_row, pixel_solid_angle
from panopipe.sphere.rotation import turned
from panopipe.studies.takes.take import Mask, Take

Float = NDArray[np.float64]
Single = NDArray[np.float32]

LOWEST_DEG, HIGHEST_DEG = -58.0, 80.0
"""Pitch between which takes are compared: below stands the support, which turns with the camera."""
CLIPPED = 0.97
"""Share of the clipping level from which light counts as lost: noise and resampling lie within 3 %."""


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """One take, and the others as it would have seen them.

    Attributes
    ----------
    own : ndarray of shape (height, width, 3), dtype float32
        Linear light of the take.
    others : list of ndarray of shape (height, width, 3), dtype float32
        The other takes in its pose, at its exposure and white.
    known : ndarray of shape (height, width), dtype bool
        What can be compared: clipped in none of them, and not the support.
    """

    own: Single
    others: list[Single]
    known: Mask


def beside(takes: Sequence[Take], poses: Sequence[Float], number: int, width: int) -> Beside:
    """Lay all other takes on one.

    Parameters
    ----------
    takes : sequence of Take
        All takes of the stand.
    poses : sequence of ndarray of shape (3, 3), dtype float64
        Directions of the first take to those of each.
    number : int
        The take on which the others are laid.
    width : int
        Columns at which they are compared.
    """
    own = shrunk(takes[number].rows, width)
    known = ~spread(_touched(own, takes[number].clips_at), 1) & np.broadcast_to(
        comparable(len(own))[:, None], own.shape[:2]
    )
    others = []
    for other, take in enumerate(takes):
        if other == number:
            continue
        rows = shrunk(take.rows, width)
        rotation = poses[other] @ poses[number].T
        gone = turned(_touched(rows, take.clips_at).astype(np.float32), rotation, kernel="linear") > 0.01
        known &= ~spread(gone, 1)
        others.append(np.maximum(turned(rows, rotation), 0))
    return Beside(own, [_at_exposure(other, own, known) for other in others], known)


def shrunk(rows: Rows, width: int) -> Single:
    """A sphere at most `width` wide."""
    if rows.shape[1] > width:
        rows = np.asarray(cv2.resize(rows, (width, width // 2), interpolation=cv2.INTER_AREA), np.float32)
    return np.maximum(rows, 0)


def luminance(rows: Rows) -> Single:
    """Luminance of linear light."""
    grey: Single = cv2.transform(rows, LUMINANCE_OF_WORKING[None].astype(np.float32))
    return grey


def lost_light(take: Take, width: int) -> Mask:
    """Light of a take, at most `width` wide, of which no plane tells how bright it was."""
    rows = shrunk(take.rows, width)
    if take.clips_at is None:
        return np.zeros(rows.shape[:2], bool)
    return np.asarray(rows.min(-1) >= CLIPPED * take.clips_at[1])


def _touched(rows: Rows, clips_at: tuple[float, float] | None) -> Mask:
    """Light of which one plane or more clipped."""
    if clips_at is None:
        return np.zeros(rows.shape[:2], bool)
    return np.asarray(highest_plane(rows) >= CLIPPED * clips_at[0])


def _at_exposure(other: Single, own: Single, known: Mask) -> Single:
    if not known.any():
        return other
    floor = 0.02 * float(np.median(own[known]))
    ratios = np.log((own[known] + floor) / (other[known] + floor))
    return np.asarray(other * np.exp(np.median(ratios, axis=0)), np.float32)


def spread(mask: Mask, by: int) -> Mask:
    """A mask grown by some pixels, around the sides."""
    wide = np.concatenate([mask[:, -by:], mask, mask[:, :by]], axis=1).astype(np.uint8)
    grown = cv2.dilate(wide, np.ones((2 * by + 1, 2 * by + 1), np.uint8))
    return np.asarray(grown[:, by:-by] > 0)


@cache
def comparable(height: int) -> Mask:
    """Rows that are compared, shape (height,)."""
    pitch = pitch_of_row(np.arange(height), height)
    return np.asarray((pitch > LOWEST_DEG) & (pitch < HIGHEST_DEG))


@cache
def solid_share(height: int) -> Float:
    """Share of the sphere of a pixel, row by row, shape (height, 1)."""
    return (pixel_solid_angle(height) / (4 * np.pi))[:, None]
