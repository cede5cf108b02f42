"""A model of a camera's noise: photons and reading, and how stitching spread them over scales and pitches.

The variance of a sample x is ``S x + O`` [1]_. Stitching resamples: it takes noise out of the finest bands,
and stretches it along the rows near the poles. At the second scale the usual kernels have little left to
change, so S and O are those of white noise that is as strong there; the share of each band is measured beside
it.

References
----------
.. [1] Adobe, Digital Negative Specification 1.7.1.0, 2023, NoiseProfile (tag 51041).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import NoiseFacts
from panopipe.pixels.opponent import OPPONENT_OF_LIGHT
from panopipe.studies.noise.measure import LIGHT_BINS, SCALES, STRETCHES
from panopipe.studies.noise.scales import white_shares

Floats = NDArray[np.float64]

_LEAST_OF_WHITE = np.array(
    [
        [[0.81, 0.81, 0.86], [0.67, 0.67, 0.77]],
        [[0.72, 0.83, 0.87], [0.57, 0.56, 0.69]],
        [[0.64, 0.83, 0.87], [0.50, 0.48, 0.60]],
        [[0.60, 0.85, 0.87], [0.46, 0.43, 0.56]],
    ]
)
"""What a `Gatherer` finds of white noise, as a share of its variance, by stretch, scale and band (measured
on 2048 x 1024 pixels of Gaussian noise)."""
_RATIOS = np.concatenate([[0.0], 2.0 ** np.arange(-18, 1)])
"""Read noise over photon noise, O/S, that a fit may find."""
_ENVELOPE = 0.15
"""Share of the bins of light that may lie below the model: structure only adds to what is measured."""
_FRAMES = 0.3
"""Share of a shoot's frames taken to show no more than noise in a bin."""
_LIGHTNESS = 1.15
"""Most that a band's share may be in lightness against the colour differences: what is more is structure."""
_TEXTURE_RATIO = 1.3
"""Energy of the colour differences at the finest scale over that at the next, from which noise begins. White
noise has 21, after bilinear demosaicing and bicubic resampling half a pixel off 2.1; what the plainest eighth
of places holds in four panoramas and five rooms without noise has .25 to 1.3, once 1.7."""
_SOFTEST_RATIO = 2.1
"""From here on all of it may be noise, unless other places show that this camera's noise is finer."""
_MOSTLY_NOISE, _ENOUGH_BINS, _HARDLY_NOISE = 0.5, 3, 0.25
"""Where so many bins are noise for so large a share, those that are it for less than this tell nothing."""
_OF_FINEST = 0.6
"""What the ratio of noise may be below that of the highest bin: blocks are few; .75 to 1 was found."""
_UNSEEN, _DARK, _DARKER = 3e-3, 0.01, 0.25
"""Standard deviation over light that changes no code of 255 by more than a quarter, though a place so dark be
lifted by two stops: none of it is worth the work. That is looked at where light is 1 % of saturation, or two
stops below the middle of what was measured: a merged bracket keeps many stops free above its room."""
_MOST, _LEAST = 1.1, 0.02
"""Bounds of a band's share against that of white noise, unstretched or not: no kernel in use adds noise."""


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Noise of one camera at one sensitivity.

    Attributes
    ----------
    profile : ndarray of shape (3, 2), dtype float64
        S and O of each plane of samples that are 1 at saturation.
    shares : ndarray of shape (STRETCHES, SCALES, 3, 3), dtype float64
        Variance of each band, by stretch, scale, band and plane, over that of a sample.
    """

    profile: Floats
    shares: Floats

    def share(self, scale: int, stretch: int) -> Floats:
        """Variance of each band of each plane (3, 3) over that of a sample, at any scale and stretch."""
        at = min(stretch, STRETCHES - 1)
        if scale < SCALES:
            return np.asarray(self.shares[at, scale])
        last = self.shares[at, SCALES - 1]
        fall = np.array(white_shares(scale)) / np.array(white_shares(SCALES - 1))
        return np.asarray(last * fall[:, None])

    def coarse(self, scale: int, stretch: int, ratio: float) -> Floats:
        """Return the same for a frame reduced by `ratio`: nearly white, but as stretched as the full one."""
        at = min(stretch, STRETCHES - 1)
        stretched = self.shares[at, SCALES - 1] / self.shares[0, SCALES - 1]
        return np.asarray(np.array(white_shares(scale))[:, None] * stretched / ratio**2)

    def grain(self, light: NDArray[np.float32]) -> float:
        """Standard deviation of lightness against light that lies an EV below the middle of what is known.

        Parameters
        ----------
        light : ndarray of shape (STRETCHES, LIGHT_BINS, 3), dtype float32
            See `NoiseFacts.light`.
        """
        lit = light[light.sum(axis=-1) > 0].mean(axis=-1)
        if not lit.size:
            return 0.0
        level = float(np.median(lit)) / 2
        kept = float(self.shares[0, 0, :, 0].sum() / np.sum(white_shares(0)))
        return float(np.sqrt(np.mean(self.profile @ [level, 1.0]) * kept / 3) / level)

    def variance_form(self, light_from_samples: Floats) -> Floats:
        """Variance of the opponent planes as linear forms of them, (3, 4): see `pixels.shrink`."""
        mixed = OPPONENT_OF_LIGHT @ light_from_samples
        by_camera = mixed**2 * self.profile[:, 0]
        by_plane = by_camera @ np.linalg.inv(light_from_samples) @ OPPONENT_OF_LIGHT.T
        least = np.maximum((mixed**2) @ self.profile[:, 1], _TINY)
        return np.hstack([by_plane, least[:, None]])


_TINY = 1e-13
"""Variance below which nothing can be seen, and nothing can be divided by."""


def fitted(frames: Sequence[NoiseFacts]) -> NoiseModel | None:
    """Fit a model to what all frames of one camera and sensitivity tell; their order does not matter.

    A profile that the files give holds before stitching: it settles the ratio of S and O, and is the most
    that is believed. Where all that is seen falls off over the scales as texture does, the camera is taken
    to be clean.

    Returns
    -------
    NoiseModel or None
        None where nothing is measured and nothing told, and where noise would not be seen.
    """
    light_from_samples = np.median([frame.light_from_samples for frame in frames], axis=0)
    mixed = (OPPONENT_OF_LIGHT @ light_from_samples) ** 2
    told = [frame.profile for frame in frames if frame.profile is not None]
    profile = np.median(told, axis=0) if told else None
    pooled, light = _pooled(frames, mixed)
    energy = _freed_of_texture(pooled)
    known = _fit_profile(energy[0, SCALES - 1], light[0], mixed, profile)
    if known is None:
        return None if profile is None or pooled[0].any() else NoiseModel(profile, _white())
    lit = light[light.sum(axis=-1) > 0].mean(axis=-1)
    dark = min(_DARK, _DARKER * float(np.median(lit)))
    if np.mean(known @ [dark, 1.0]) < (_UNSEEN * dark) ** 2:
        return None
    return NoiseModel(_stepped(known), _stepped(_shares(energy, light, mixed, known)))


def _stepped(values: Floats) -> Floats:
    """Values in steps of a quarter of an octave: a further frame of a shoot changes no other's."""
    return np.where(values > 0, 2.0 ** (np.round(4 * np.log2(np.maximum(values, _TINY))) / 4), 0.0)


def _pooled(frames: Sequence[NoiseFacts], mixed: Floats) -> tuple[Floats, Floats]:
    """Energies and light as of one frame, which shows no more than noise wherever any does."""
    energies = []
    for frame in frames:
        own = (OPPONENT_OF_LIGHT @ frame.light_from_samples) ** 2
        energies.append(frame.energy * (mixed.sum(axis=1) / own.sum(axis=1))[:, None])
    lights = np.stack([frame.light for frame in frames]).astype(np.float64)
    energy = _quantile_of_known(np.stack(energies), _FRAMES) / _LEAST_OF_WHITE[:, :, :, None, None]
    return energy, _quantile_of_known(lights, 0.5)


def _freed_of_texture(energy: Floats) -> Floats:
    """Energies with what rows near the horizon hold of texture taken off, bin by bin.

    Noise and texture add up at both scales, and each has its own ratio between them; so the ratio that is
    found tells the share of either.
    """
    fine, next_to = energy[0, :SCALES, :, 1:].sum(axis=(1, 2))
    ratio = fine / np.maximum(next_to, _TINY)
    of_noise = max(_SOFTEST_RATIO, _OF_FINEST * float(ratio.max()))
    share = np.clip((ratio - _TEXTURE_RATIO) / (of_noise - _TEXTURE_RATIO), 0, 1)
    if np.count_nonzero(share > _MOSTLY_NOISE) >= _ENOUGH_BINS:
        share[share < _HARDLY_NOISE] = 0  # a difference of large numbers beside better ones
    freed = energy.copy()
    freed[0, 0] *= share * np.maximum(of_noise / np.maximum(ratio, _TEXTURE_RATIO), 1)
    freed[0, 1] *= share
    return freed


def _quantile_of_known(values: Floats, share: float) -> Floats:
    """Quantile over the first side of what is above 0; 0 where nothing is."""
    ordered = np.sort(np.where(values > 0, values, np.inf), axis=0)
    count = (values > 0).sum(axis=0)
    at = np.round(share * np.maximum(count - 1, 0)).astype(int)
    quantile = np.take_along_axis(ordered, at[None], axis=0)[0]
    return np.where(count > 0, quantile, 0.0)


def _fit_profile(energy: Floats, light: Floats, mixed: Floats, told: Floats | None) -> Floats | None:
    """S and O, the same for all planes unless the file tells them."""
    shares = np.array(white_shares(SCALES - 1))
    measured = energy / shares[:, None, None]  # (band, plane, bin): variance of a white sample's plane
    known = (measured > 0) & (light.sum(axis=-1) > 0)
    known[:, 0] = False  # structure is lightness first: the colour differences show least of it
    if np.count_nonzero(known) < 3:
        return None
    forms = [told] if told is not None else [np.tile([1.0, ratio], (3, 1)) for ratio in _RATIOS]
    best = min((_fit_form(form, measured, light, mixed, known) for form in forms), key=lambda fit: fit[0])
    scale = min(best[1], 1.0) if told is not None else best[1]
    return np.asarray(best[2] * scale)


def _fit_form(
    form: Floats, measured: Floats, light: Floats, mixed: Floats, known: NDArray[np.bool_]
) -> tuple[float, float, Floats]:
    """How unlike a lower envelope of the measured variances a model is, its scale, and the model."""
    expected = mixed @ (form[:, 0, None] * light.T + form[:, 1, None])  # (plane, bin)
    gap = np.log(np.where(known, measured, 1.0) / np.maximum(expected, _TINY))[known]
    level = float(np.quantile(gap, _ENVELOPE))
    return float(np.mean(np.abs(gap - level))), float(np.exp(level)), form


def _shares(energy: Floats, light: Floats, mixed: Floats, profile: Floats) -> Floats:
    camera = profile[:, 0, None] * light.reshape(-1, 3).T + profile[:, 1, None]
    expected = (mixed @ camera).reshape(3, STRETCHES, LIGHT_BINS).transpose(1, 0, 2)
    ratios = energy / np.maximum(expected, _TINY)[:, None, None]
    levels = _quantile_of_known(np.moveaxis(ratios, -1, 0), _FRAMES)
    levels[..., 0] = np.minimum(levels[..., 0], _LIGHTNESS * levels[..., 1:].max(axis=-1))
    white = _white()
    for at in range(STRETCHES):
        before = levels[at - 1] if at else white[0]
        levels[at] = np.where(levels[at] > 0, levels[at], before)
    return np.asarray(np.clip(levels, _LEAST * white, _MOST * np.maximum(white, white[:1])))


def _white() -> Floats:
    shares = [[white_shares(scale, at) for scale in range(SCALES)] for at in range(STRETCHES)]
    return np.repeat(np.array(shares)[..., None], 3, axis=-1)
