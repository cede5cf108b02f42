"""What a region that one take shows otherwise is: a flare spot, someone or something, or only other light.

Stray light adds: nothing in the region is darker, in no plane. Who stands there hides, and hardly anyone is
brighter all over than all that is behind. Shadows that moved leave what lies in them as it is, in another
light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.takes.changes import Region
from panopipe.studies.takes.take import Kind

Single = NDArray[np.float32]

_BRIGHTER_EV, _ALL = -0.05, 0.9
"""A pixel counts as no darker down to the first; nine tenths of the region's must be."""
_FLARE_EV, _SOFT_EV = 0.6, 0.8
"""Least difference at a flare's brightest; and at that of one which follows what is behind, as sun on it
would."""
_KEPT, _LIKE = 0.6, 0.4
"""Correlation of the detail from which it is the same things in another light, and the share that may be
unlike."""
_DETAIL_PX, _REACH = 2.0, 2
_OUTLINED = 2.5
"""Outlines so many times as strong in the others say that they hold something which is gone here."""


@dataclass(frozen=True, slots=True)
class Spot:
    """What a region is.

    Attributes
    ----------
    kind : str
        "flare spot", "person or thing", or empty for another light.
    difference_ev : float
        Median difference of light, of the plane that differs most.
    elsewhere : bool
        It is the other takes that hold something here.
    in_doubt : bool
        Which of two takes holds it is not clear.
    """

    kind: str
    difference_ev: float
    elsewhere: bool = False
    in_doubt: bool = False


def judged(region: Region, own: Single, others: Sequence[Single], most_ev: float) -> Spot:
    """Tell what a region is.

    Parameters
    ----------
    region : Region
        The place.
    own : ndarray of shape (height, width, 3), dtype float32
        The take in EV.
    others : sequence of ndarray of shape (height, width, 3), dtype float32
        The others in EV, their broad differences taken out.
    most_ev : float
        Largest difference in the region.
    """
    behind = np.median(others, axis=0).astype(np.float32)
    difference = (own - behind)[region.mask]
    most = float(np.median(difference[np.arange(len(difference)), np.abs(difference).argmax(-1)]))
    brighter = float((difference.min(-1) > _BRIGHTER_EV).mean())
    kept, unlike = _detail_kept(own.mean(-1), behind.mean(-1), region)
    same_things = kept > _KEPT and unlike < _LIKE
    if len(others) == 1 and not same_things:
        elsewhere, in_doubt = _owner(region, own, others)
        if elsewhere or in_doubt or brighter < _ALL:
            return Spot(Kind.VISITOR, most, elsewhere, in_doubt)
    if brighter >= _ALL:
        shines = most_ev >= (_SOFT_EV if same_things else _FLARE_EV)
        return Spot(Kind.FLARE if shines else "", most)
    if same_things:  # in another light, or, of two takes, the spot is on the other one
        return Spot("", most)
    return Spot(Kind.VISITOR, most, *_owner(region, own, others))


def _owner(region: Region, own: Single, others: Sequence[Single]) -> tuple[bool, bool]:
    """Whether the others hold what differs, and whether that is in doubt: who holds it has the outline."""
    rim = cv2.morphologyEx(region.mask.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
    mine = _slope(own.mean(-1))[rim].mean()
    theirs = min(_slope(other.mean(-1))[rim].mean() for other in others)
    if len(others) > 1:
        return bool(theirs > _OUTLINED * mine), False
    return bool(theirs > mine), bool(max(mine, theirs) < 1.15 * min(mine, theirs))


def _slope(plane: Single) -> Single:
    across, down = (cv2.Sobel(plane, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    return np.asarray(np.hypot(across, down), np.float32)


def _detail_kept(own: Single, behind: Single, region: Region) -> tuple[float, float]:
    """Best correlation of detail within a small move, and the share of its energy that is unlike there."""
    mine = _detail(own)[region.mask]
    best = (-1.0, 1.0)
    for down in range(-_REACH, _REACH + 1):
        for over in range(-_REACH, _REACH + 1):
            shown = np.roll(behind, (down, over), (0, 1))
            theirs, rest = _detail(shown)[region.mask], _detail(own - shown)[region.mask]
            power = float(np.square(mine).mean() * np.square(theirs).mean())
            kept = float((mine * theirs).mean()) / np.sqrt(power + 1e-9)
            energy = float(np.square(mine).mean() + np.square(theirs).mean()) + 1e-6
            best = max(best, (float(kept), float(np.square(rest).mean()) / energy))
    return best


def _detail(plane: Single) -> Single:
    return np.asarray(plane - cv2.GaussianBlur(plane, (0, 0), _DETAIL_PX), np.float32)
