"""How far each take leans: from its upright edges, or against the other takes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.transfer import srgb_encode
from panopipe.sphere.geometry import direction
from panopipe.sphere.upright import horizon_tilt
from panopipe.studies.takes.beside import luminance
from panopipe.studies.takes.take import Take

Float = NDArray[np.float64]

_MIDDLE = 0.18
_LEAST_ERROR_DEG = 0.05


def leans_deg(takes: Sequence[Take], poses: Sequence[Float]) -> list[float] | None:
    """Lean of each take; None where neither edges nor a majority of takes tell what is upright.

    The takes show one place, so all their upright edges tell one zenith together. Where they show none, the
    middle of three takes or more is taken for upright: of several hands' work, one slips.
    """
    ups = [pose.T @ np.array([0.0, 1.0, 0.0]) for pose in poses]
    zenith = _zenith(takes, poses)
    if zenith is None:
        if len(takes) < 3:
            return None
        zenith = np.median(ups, axis=0)
    zenith = zenith / np.linalg.norm(zenith)
    return [float(np.degrees(np.arccos(np.clip(up @ zenith, -1, 1)))) for up in ups]


def _zenith(takes: Sequence[Take], poses: Sequence[Float]) -> Float | None:
    """Zenith by the upright edges of all takes, in the first one's directions."""
    total = np.zeros(3)
    for take, pose in zip(takes, poses, strict=True):
        tilt = horizon_tilt(_as_seen(take.rows))
        if tilt is not None:
            seen = pose.T @ direction(tilt.toward_yaw_deg, 90 - tilt.tilt_deg)
            total += seen / (tilt.error_deg**2 + _LEAST_ERROR_DEG**2)
    return total if total.any() else None


def _as_seen(rows: NDArray[np.float32]) -> NDArray[np.uint8]:
    middle = float(np.median(luminance(rows)))
    gain = _MIDDLE / middle if middle > 0 else 1.0
    return np.round(srgb_encode(np.clip(rows * gain, 0, 1)) * 255).astype(np.uint8)
