"""A fixed grain that hides the steps of 8-bit codes, made to live through JPEG.

Blue noise, the textbook choice for dither, lies where a JPEG quantises most coarsely and is gone after it:
at quality 93 a ramp dithered with it decodes with three quarters of the steps of one that was never
dithered. This grain lies between about 1/16 and 1/4 cycles per pixel, where quantisers are fine, and its
values are spread as a triangle two codes wide, so that neither the mean nor the variance of the result
depends on where between two codes the light lies: there are no bands of texture either.

The pattern hangs on the frame's anchor column, so it turns with the picture. Over the poles it only gets
finer in angle; all its columns there see the same spot and average out.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

TILE = 128
"""Side of the pattern in pixels; it repeats without a seam."""
STEPS = 128
"""Units of the pattern in one 8-bit code."""
_SEED = 20261125


@cache
def grain_tile() -> NDArray[np.int16]:
    """One tile of the grain.

    Returns
    -------
    ndarray of shape (TILE, TILE), dtype int16
        In units of 1/STEPS of a code: triangularly distributed between -STEPS and STEPS (both left out),
        mean 0, the same values on every machine (all sums are of whole numbers).

    References
    ----------
    .. [1] R. A. Wannamaker, S. P. Lipshitz, J. Vanderkooy, J. N. Wright, A theory of nonsubtractive
       dither, IEEE Trans. Signal Processing 48, 2000: a triangle makes mean and variance independent of
       the signal.
    """
    field = _band_of_noise()
    rank = np.empty(field.size, dtype=np.int64)
    rank[np.argsort(field, axis=None, kind="stable")] = np.arange(field.size)
    share = (rank + 0.5) / field.size
    rising = np.sqrt(2 * np.minimum(share, 1 - share)) - 1
    triangle = np.where(share < 0.5, rising, -rising)
    tile: NDArray[np.int16] = np.round(triangle * (STEPS - 1)).astype(np.int16).reshape(field.shape)
    tile.setflags(write=False)
    return tile


def _band_of_noise() -> NDArray[np.int64]:
    """White noise less its slow part, twice, then smoothed; in whole numbers, wrapping at the edges."""
    white = np.random.PCG64(_SEED).random_raw(TILE * TILE) >> np.uint64(49)
    field = white.astype(np.int64).reshape(TILE, TILE)
    for _ in range(2):
        field = 5**6 * field - _blurred(field, taps=(1, 1, 1, 1, 1), times=3)
    return _blurred(field, taps=(1, 2, 1), times=3)


def _blurred(field: NDArray[np.int64], *, taps: tuple[int, ...], times: int) -> NDArray[np.int64]:
    """Weighted sums over neighbours along both sides, `times` over."""
    half = len(taps) // 2
    for axis in (0, 1):
        for _ in range(times):
            field = sum(
                (tap * np.roll(field, shift - half, axis) for shift, tap in enumerate(taps)),
                start=np.zeros_like(field),
            )
    return field
