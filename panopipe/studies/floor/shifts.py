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
    weight = known.astype(np.float32)
    count = max(1.0, float(weight.sum()))
    padded = np.zeros(
        (cv2.getOptimalDFTSize(height + reach), cv2.getOptimalDFTSize(width + reach)), np.float32
    )

    def spectrum(plane: Picture) -> Picture:
        padded[:height, :width] = plane
        return np.asarray(cv2.dft(padded, nonzeroRows=height), np.float32)

    energy = np.zeros_like(weight)
    product = np.zeros_like(padded)
    for plane in cv2.split(picture):
        centred = (plane - float((plane * weight).sum()) / count) * weight
        energy += centred * centred
        own = spectrum(centred)
        product += cv2.mulSpectrums(own, own, 0, conjB=True)
    seen = spectrum(weight)
    pairs = _around_zero(cv2.mulSpectrums(seen, seen, 0, conjB=True), reach)
    # Sum of I(p)^2, less that of I(p) I(p + s), over the pairs known at both ends; the same of I(p + s)^2 is
    # its mirror image.
    half = _around_zero(cv2.mulSpectrums(spectrum(energy), seen, 0, conjB=True) - product, reach)
    sums = half + half[::-1, ::-1]
    variance = max(float(energy.sum()) / count, 1e-12)
    enough = pairs > _LEAST_OVERLAP * float(weight.sum())
    difference = np.where(enough, sums / (2 * variance * np.maximum(pairs, 1)), np.inf)
    return Likeness(np.maximum(difference, 0).astype(np.float32))


def _around_zero(spectrum: Picture, reach: int) -> Picture:
    """Inverse transform of a packed spectrum at shifts of -reach to reach, down and across."""
    plane: Picture = cv2.idft(spectrum, flags=cv2.DFT_SCALE)
    below = np.concatenate([plane[:, -reach:], plane[:, : reach + 1]], axis=1)
    return np.concatenate([below[-reach:], below[: reach + 1]])


def best_shifts(unlike: Likeness, *, shortest: float, count: int, apart: int = 2) -> Whole:
    """Shifts at the lowest local minima, best first, longer than `shortest`; shape (up to count, 2).

    A shift and its opposite compare the same pairs of pixels, so they come together.
    """
    difference = unlike.difference
    reach_y, reach_x = unlike.reach
    finite = np.where(np.isfinite(difference), difference, np.float32(9))
    soft = cv2.GaussianBlur(finite, (0, 0), 0.7)
    lowest = cv2.erode(soft, np.ones((2 * apart + 1, 2 * apart + 1), np.uint8))
    picked = (soft <= lowest) & np.isfinite(difference)
    picked[:reach_y] = False
    picked[reach_y, : reach_x + 1] = False
    rows, columns = np.nonzero(picked)
    dy, dx = rows - reach_y, columns - reach_x
    long = np.hypot(dy, dx) > shortest
    dy, dx = dy[long], dx[long]
    order = np.lexsort((dx, dy, soft[rows[long], columns[long]]))[: (count + 1) // 2]
    shifts = np.stack([dy[order], dx[order]], -1)
    both: Whole = np.stack([shifts, -shifts], 1).reshape(-1, 2)
    return both
