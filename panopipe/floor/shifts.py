"""How a floor repeats: the shifts under which it looks like itself.

In a straight-down view planks, tiles and patterns are exactly periodic, so that a floor shifted by its own
period continues through the hole. The squared difference between the floor and its shifted self is had for
all shifts at once by Fourier transforms of the masked view; its minima are the candidates. They are then
judged where it matters: on the ring around the hole.

References
----------
.. [1] K. He, J. Sun, Statistics of patch offsets for image completion, ECCV 2012.
.. [2] D. Padfield, Masked object registration in the Fourier domain, IEEE Trans. Image Processing 21,
   2012.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy import fft
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Whole = NDArray[np.int64]

_LEAST_OVERLAP = 0.2
"""Share of the known floor that a shift must compare: chance agrees well on little floor."""


@dataclass(frozen=True, slots=True, eq=False)
class Likeness:
    """How unlike itself a floor is under each shift.

    Attributes
    ----------
    difference : ndarray of shape (2 n + 1, 2 m + 1), dtype float32
        Mean squared difference over twice the variance: about 1 where shifted floor is unrelated, 0 where it
        repeats exactly. Entry [n + dy, m + dx] belongs to the shift (dy, dx); infinite where too little
        overlaps.
    """

    difference: Picture

    @property
    def reach(self) -> tuple[int, int]:
        """Largest shifts down and across."""
        return self.difference.shape[0] // 2, self.difference.shape[1] // 2


def likeness(picture: Picture, known: Mask, reach: int) -> Likeness:
    """Compare a picture with itself under all shifts up to `reach` pixels, where both are known.

    Parameters
    ----------
    picture : ndarray of shape (h, w, channels), dtype float32
    known : ndarray of shape (h, w), dtype bool
    reach : int
        Largest shift in pixels, down and across.
    """
    height, width = known.shape
    reach = min(reach, height - 1, width - 1)
    size = [cv2.getOptimalDFTSize(height + reach), cv2.getOptimalDFTSize(width + reach)]
    weight = known.astype(np.float32)
    mean = (picture * weight[..., None]).sum((0, 1)) / max(1.0, float(weight.sum()))
    centred = (picture - mean) * weight[..., None]
    energy = (centred * centred).sum(-1)
    seen, strength = fft.rfft2(weight, size), fft.rfft2(energy, size)
    product = sum(np.abs(fft.rfft2(centred[..., c], size)) ** 2 for c in range(picture.shape[-1]))
    overlap = fft.irfft2(np.abs(seen) ** 2, size)
    # sum of I(p)^2 and of I(p + s)^2 over the pairs known at both ends
    cross = fft.irfft2(np.conj(seen) * strength, size)
    squares = cross + np.roll(cross[::-1, ::-1], (1, 1), axis=(0, 1))
    total = squares - 2 * fft.irfft2(product, size)
    rows, columns = np.arange(-reach, reach + 1), np.arange(-reach, reach + 1)
    index = np.ix_(rows % size[0], columns % size[1])
    pairs, sums = overlap[index], total[index]
    variance = max(float(energy.sum()) / max(1.0, float(weight.sum())), 1e-12)
    enough = pairs > _LEAST_OVERLAP * float(weight.sum())
    difference = np.where(enough, sums / (2 * variance * np.maximum(pairs, 1)), np.inf)
    return Likeness(np.maximum(difference, 0).astype(np.float32))


def best_shifts(found: Likeness, *, shortest: float, count: int, apart: int = 2) -> Whole:
    """Shifts at the lowest local minima, best first, longer than `shortest`; shape (up to count, 2).

    A shift and its opposite compare the same pairs of pixels, so they come together.
    """
    difference = found.difference
    reach_y, reach_x = found.reach
    finite = np.where(np.isfinite(difference), difference, np.float32(9))
    soft = cv2.GaussianBlur(finite, (0, 0), 0.7)
    lowest = cv2.erode(soft, np.ones((2 * apart + 1, 2 * apart + 1), np.uint8))
    dy, dx = np.mgrid[-reach_y : reach_y + 1, -reach_x : reach_x + 1]
    half = (dy > 0) | ((dy == 0) & (dx > 0))
    picked = (soft <= lowest) & (np.hypot(dy, dx) > shortest) & half & np.isfinite(difference)
    order = np.lexsort((dx[picked], dy[picked], soft[picked]))[: (count + 1) // 2]
    shifts = np.stack([dy[picked][order], dx[picked][order]], -1)
    both: Whole = np.stack([shifts, -shifts], 1).reshape(-1, 2)
    return both
