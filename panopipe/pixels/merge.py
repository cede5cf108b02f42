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
FADES_FROM, FADES_TO = np.float32(0.93), np.float32(0.97)
"""Share of saturation from which a sample loses weight, and at which it has none: noise of a hundredth there
(10,000 electrons) reaches so far below."""
NEAR_FROM, NEAR_TO = np.float32(0.85), np.float32(0.95)
"""Share of saturation of the highest sample near from which a sample is doubted, and at which it counts no
more by itself: a stitcher resamples, and mixes what is saturated into its neighbours."""
_AGREES, _DISAGREES = np.float32(2.5**2), np.float32(3.5**2)
"""Squared standard deviations from what the first of the trusted exposures tells: up to which a sample counts
in full, and from which not at all. Of good samples one in eighty lies between, one in two thousand beyond."""
_LESS = np.float32(0.001)
"""How much less each next exposure counts in what the others are held against: that is to be one exposure."""
_LEAST_OF_ALL = np.float32(1e-9)
"""So far down: its square times that of the last resort is still a number."""
_LAST = np.float32(1e-4)
"""Weight that a saturated sample of the shortest exposure keeps: where all are lost, it tells the least."""
_TINY, _ONE = np.float32(1e-12), np.float32(1)


@compiled("merge")
def merge(samples: Floats, near: Floats, faded: NDArray[np.uint8], facts: Floats, out: Floats) -> None:
    """Join samples by inverse variance.

    First by exposure, which tells what light to expect; then by the noise that this light has in each:
    weights by a sample's own value would prefer those that noise made dark [1]_. A sample counts as far as it
    agrees with the longest exposure that is not saturated here or near: so an edge that lies a little
    otherwise in another exposure is not shown twice, and what was mixed with saturated light stays out.

    Parameters
    ----------
    samples : ndarray of shape (exposures, margin + n + margin, 3 width), dtype float32
        Samples as files hold them, the shortest exposure last. Rows of the margin are left out.
    near : ndarray of shape (exposures, n, width), dtype float32
        The highest share of saturation near each pixel, in any plane: what one plane lost is believed in none
        by itself, as light that changed a little between the exposures would take its red from one moment and
        its green from another. Read only where `faded`.
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
    count, rows, length = samples.shape
    margin = (rows - len(out)) // 2
    samples = samples[:, margin : rows - margin]
    by_plane = np.tile(facts, (1, length // 3, 1))
    weight, light = np.zeros_like(out), np.zeros_like(out)
    unsaturated, trusted, shares = [], [], []
    for i in range(count):
        black, gain, time = (by_plane[i, :, k] for k in (BLACK, GAIN, TIME))
        share = (samples[i] - black) * gain
        own, trust = np.ones_like(out), np.ones_like(out)
        if faded[i]:
            own = _fade((share - FADES_FROM) * (_ONE / (FADES_TO - FADES_FROM)))
            beside = np.repeat(near[i], 3, axis=-1)
            trust = own * _fade((beside - NEAR_FROM) * (_ONE / (NEAR_TO - NEAR_FROM)))
        if i == count - 1:
            trust = np.maximum(own, _LAST)
        light, weight = light + trust * share, weight + trust * time
        unsaturated.append(own)
        trusted.append(trust)
        shares.append(share)
    expected = np.maximum(light / weight, by_plane[0, :, DARK])
    light, weight, square = np.zeros_like(out), np.zeros_like(out), np.zeros_like(out)
    first, sures, noises = _ONE, [], []
    for i in range(count):
        time, slope, least = (by_plane[i, :, k] for k in (TIME, SLOPE, LEAST))
        noise = slope * (time * expected) + least + _TINY
        trust, sure = first * trusted[i], time / noise
        by_noise = trust * sure
        light, weight = light + by_noise * shares[i], weight + by_noise * time
        square = square + trust * (by_noise * time)
        sures.append(sure)
        noises.append(noise)
        trusted[i], first = trust, max(first * _LESS, _LEAST_OF_ALL)
    by_weight = _ONE / weight
    told, variance = light * by_weight, square * (by_weight * by_weight)
    light, weight = np.zeros_like(out), np.zeros_like(out)
    for i in range(count):
        time = by_plane[i, :, TIME]
        off = shares[i] - time * told
        unlike = off * off / (noises[i] + time * time * variance)
        agrees = unsaturated[i] * _fade((unlike - _AGREES) * (_ONE / (_DISAGREES - _AGREES)))
        by_noise = np.maximum(agrees, trusted[i]) * sures[i]
        light, weight = light + by_noise * shares[i], weight + by_noise * time
    out[:] = light / weight


@compiled("highest_share")
def highest_share(samples: Floats, levels: Floats, out: Floats) -> None:
    """Share of saturation of each pixel, in the plane where it is highest.

    Parameters
    ----------
    samples : ndarray of shape (n, 3 width), dtype float32
        As files hold them.
    levels : ndarray of shape (3, 2), dtype float32
        `BLACK` and `GAIN` of the planes.
    out : ndarray of shape (n, width), dtype float32
        Takes the shares.
    """
    red, green, blue = ((samples[:, p::3] - levels[p, 0]) * levels[p, 1] for p in range(3))
    out[:] = np.maximum(np.maximum(red, green), blue)


def _fade(t: Floats) -> Floats:
    """From 1 at 0 to 0 at 1, smoothly."""
    t = np.minimum(np.maximum(t, np.float32(0)), _ONE)
    return _ONE - t * t * (np.float32(3) - np.float32(2) * t)
