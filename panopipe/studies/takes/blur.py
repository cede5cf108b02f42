"""Blur of one take against the others, at the edges that all of them show."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.rotation import turned
from panopipe.sphere.wrap import pad
from panopipe.studies.takes.beside import comparable, luminance
from panopipe.studies.takes.take import Take

Single = NDArray[np.float32]
Float = NDArray[np.float64]

_FLOOR = 0.05
_FINE_PX, _BROAD_PX = 0.8, 1.8
"""Gaussians whose differences part the finest structure from the next."""
_AROUND_PX = 3.0
_EDGES_PERCENT = 92
"""The sharpest twelfth of what is compared are edges."""
_CALM_PERCENT = 15
"""Noise alone is seen where least is: plain walls and sky are a sixth of any place or more."""
_BLURS = np.linspace(0.4, 4.0, 73)


def softness(takes: Sequence[Take], poses: Sequence[Float]) -> list[float]:
    """How soft each take's edges are: the logarithm of what the next scale holds over the finest one.

    Each is measured in its own pixels, then the measures are laid on each other: turning softens no take.
    """
    energies = [_energies(take.rows, pose) for take, pose in zip(takes, poses, strict=True)]
    used = comparable(takes[0].rows.shape[0])
    common = np.min([broad for _, broad in energies], axis=0)
    edges = common > np.percentile(common[used], _EDGES_PERCENT)
    edges &= used[:, None]
    return [-float(np.log(np.median(fine[edges] / broad[edges]))) for fine, broad in energies]


def _energies(rows: Single, pose: Float) -> tuple[Single, Single]:
    """Energy around each pixel at the finest scale and the next, turned to the first take's pose."""
    grey = luminance(rows)
    floor = _FLOOR * float(np.median(grey)) + 1e-9
    logs = pad(np.log2(np.maximum(grey, 0) + np.float32(floor)), 16)
    fine, broad = (cv2.GaussianBlur(logs, (0, 0), sigma) for sigma in (_FINE_PX, _BROAD_PX))
    around = [cv2.GaussianBlur(np.square(band), (0, 0), _AROUND_PX) for band in (logs - fine, fine - broad)]
    both = np.ascontiguousarray(cv2.merge(around)[16:-16, 16:-16])
    first, second = cv2.split(turned(both, pose, kernel="linear"))
    compared = comparable(len(first))
    return _above_noise(first, compared), _above_noise(second, compared)


def _above_noise(energy: Single, rows: NDArray[np.bool_]) -> Single:
    """Energy without what its calm places have as well."""
    calm = float(np.percentile(energy[rows], _CALM_PERCENT))
    return np.asarray(np.maximum(energy - calm, 1e-12), np.float32)


def blur_px(soft: float) -> float:
    """Gaussian blur of so soft edges, in pixels of the reduced sphere."""
    ratios = _ratios()
    return float(np.interp(np.exp(-soft), ratios[::-1], _BLURS[::-1]))


@cache
def _ratios() -> Float:
    """Energy of a blurred step's finest structure over that of the next, for each of `_BLURS`; it falls."""
    x = np.arange(-128, 128)
    found = []
    for blur in _BLURS:
        step = np.cumsum(np.exp(-0.5 * np.square((x + 0.5) / blur)))
        step = (step / step[-1]).astype(np.float32)[None]
        fine, broad = (
            cv2.GaussianBlur(step, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
            for sigma in (_FINE_PX, _BROAD_PX)
        )
        found.append(float(np.square(step - fine).sum() / np.square(fine - broad).sum()))
    return np.array(found)
