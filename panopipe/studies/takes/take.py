"""A take as the study is handed it, and a fault as the study hands it back."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import Rows

Mask = NDArray[np.bool_]


class Kind(StrEnum):
    """What can be wrong with a take, in the words of the trade."""

    CLIP = "clipped light"
    GLARE = "veiling glare"
    FLARE = "flare spot"
    VISITOR = "person or thing"
    BLUR = "blur"
    LEAN = "lean"
    SEAM = "broken seam"


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One take at reduced size.

    Attributes
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        The whole sphere in linear light; all takes of a stand have one size.
    clips_at : tuple of float or None
        Levels at which the first and the last plane clip; None if nothing can.
    blur_px : float or None
        Blur of the full frame's sharpest edges in its own pixels, where it was measured.
    full_width : int
        Columns of the full frame; 0 if it is this one.
    anchor_yaw_deg : float
        Degrees to add to a yaw in the rows to get the yaw in the file.
    """

    rows: Rows
    clips_at: tuple[float, float] | None = None
    blur_px: float | None = None
    full_width: int = 0
    anchor_yaw_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with one take against the others.

    Attributes
    ----------
    kind : str
        One of `Kind`.
    figure : float
        How much, in `unit`.
    unit : str
        "%" of the sphere, "EV", "deg" or "px" of the full frame.
    weight : float
        The figure in units of the least that is called a fault: what it costs in the choice.
    yaw_deg, pitch_deg : float or None
        Middle of the place in the file; None if it is everywhere.
    where : ndarray of shape (64, 128), dtype bool, or None
        The place on a small sphere.
    """

    kind: str
    figure: float
    unit: str
    weight: float
    yaw_deg: float | None = None
    pitch_deg: float | None = None
    where: Mask | None = field(default=None, compare=False)
