"""The noise of merged exposures, told by that of their reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import NoiseFacts
from panopipe.pixels.merge import FADES_FROM
from panopipe.studies.bracket.merger import Exposure

Floats = NDArray[np.float64]


def merged_variance(light: Floats, exposures: Sequence[Exposure]) -> Floats:
    """Variance of merged light, shape (..., 3), by inverse variances of the exposures that still hold it."""
    precision = np.zeros(np.shape(light))
    for exposure in exposures:
        expected = exposure.time * np.maximum(light, 0)
        variance = exposure.noise[:, 0] * expected + exposure.noise[:, 1] + 1e-15
        precision += np.where(expected < FADES_FROM * exposure.level, exposure.time**2 / variance, 0)
    shortest = min(exposures, key=lambda one: one.time)
    least = shortest.time**2 / (
        shortest.noise[:, 0] * shortest.time * np.maximum(light, 0) + shortest.noise[:, 1] + 1e-15
    )
    return np.asarray(1 / np.maximum(precision, least))


def merged_noise(reference: NoiseFacts, exposures: Sequence[Exposure]) -> NoiseFacts:
    """What was measured on the reference (the first exposure), as the merged frame would show it.

    Light is counted by the reference's white in both.
    """
    light = reference.light.astype(np.float64)
    alone = merged_variance(light, exposures[:1])
    ratio = (merged_variance(light, exposures) / alone).mean(axis=-1)
    energy = (reference.energy * ratio[:, None, None, None]).astype(np.float32)
    profile = None
    if reference.profile is not None:
        dark = np.zeros(3)
        least = merged_variance(dark, exposures)
        slope = 1 / sum(one.time / np.maximum(one.noise[:, 0], 1e-12) for one in exposures)
        profile = np.stack([slope, least], axis=1)
    times = tuple(float(one.time) for one in exposures)
    return replace(reference, energy=energy, profile=profile, exposures=times)
