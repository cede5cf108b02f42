"""Exposures of one place joined into one: each sample weighs by what its noise leaves of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Floats = NDArray[np.float32]

BLACK, GAIN, TIME, SLOPE, LEAST, DARK = range(6)
"""Columns of `facts`: sample of no light; one over what saturates it; exposure against the reference's;
photon noise as variance over light, and read noise as variance, of samples that are 1 at saturation; the
least light that is expected, the same for all: a few times what reading alone makes of darkness."""
FADES_FROM, FADES_TO = np.float32(0.85), np.float32(0.95)
"""Share of saturation from which a sample loses weight, and at which it has none: a stitcher resamples, and
so smears the level of saturation."""
_LAST = np.float32(1e-4)
"""Weight that a saturated sample of the shortest exposure keeps: where all are lost, it tells the least."""
_TINY = np.float32(1e-12)


@compiled("merge")
def merge(samples: Floats, tops: Floats, faded: NDArray[np.uint8], facts: Floats, out: Floats) -> None:
    """Join samples by inverse variance.

    First by exposure, which tells what light to expect; then by the noise that this light has in each:
    weights by a sample's own value would prefer those that noise made dark [1]_.

    Parameters
    ----------
    samples : ndarray of shape (exposures, n, 3 width), dtype float32
        Samples as files hold them, the shortest exposure last.
    tops : ndarray of shape (exposures, n, 3 width), dtype float32
        The highest sample near each; read only where `faded`.
    faded : ndarray of shape (exposures,), dtype uint8
        Whether some sample of an exposure is so near saturation that it loses weight.
    facts : ndarray of shape (exposures, 3, 6), dtype float32
        By exposure and plane, see above.
    out : ndarray of shape (n, 3 width), dtype float32
        Takes light, 1 at the reference's saturation.

    References
    ----------
    .. [1] M. Granados, B. Ajdin, M. Wand, C. Theobalt, H.-P. Seidel and H. P. A. Lensch, Optimal HDR
       reconstruction with linear digital cameras, CVPR 2010 (the weights; from memory).
    """
    count, _, length = samples.shape
    by_plane = np.tile(facts, (1, length // 3, 1))
    weight, light = np.zeros_like(out), np.zeros_like(out)
    trusted, shares = [], []
    for i in range(count):
        black, gain, time = (by_plane[i, :, k] for k in (BLACK, GAIN, TIME))
        trust = np.ones_like(out)
        if faded[i]:
            t = ((tops[i] - black) * gain - FADES_FROM) * (np.float32(1) / (FADES_TO - FADES_FROM))
            t = np.minimum(np.maximum(t, np.float32(0)), np.float32(1))
            trust = np.float32(1) - t * t * (np.float32(3) - np.float32(2) * t)
        if i == count - 1:
            trust = np.maximum(trust, _LAST)
        share = (samples[i] - black) * gain
        light, weight = light + trust * share, weight + trust * time
        trusted.append(trust)
        shares.append(share)
    expected = np.maximum(light / weight, by_plane[0, :, DARK])
    light, weight = np.zeros_like(out), np.zeros_like(out)
    for i in range(count):
        time, slope, least = (by_plane[i, :, k] for k in (TIME, SLOPE, LEAST))
        by_noise = trusted[i] * time / (slope * (time * expected) + least + _TINY)
        light, weight = light + by_noise * shares[i], weight + by_noise * time
    out[:] = light / weight
