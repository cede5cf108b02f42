"""What suits a room: exposure, highlights, shadows and white point from the light of its frames."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.light.curve import MIDDLE_GREY_EV, Moves, moved_base
from panopipe.sphere.geometry import pixel_solid_angle

LOWEST_EV, HIGHEST_EV, BINS = -20.0, 16.0, 288
"""Span and number of the bins of log2 luminance: eight to a stop."""

Shares = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lit:
    """How a frame is lit: shares of the sphere by log2 luminance, in bins; small and picklable.

    Attributes
    ----------
    base, light : ndarray of shape (BINS,), dtype float64
        Share of solid angle by the base and by the light itself; each sums to 1.
    """

    base: Shares
    light: Shares


def lit(base_ev: NDArray[np.float32], light_ev: NDArray[np.float32]) -> Lit:
    """Count the sphere by solid angle, from whole 2:1 frames of log2 luminance."""
    return Lit(base=_shares(base_ev), light=_shares(light_ev))


def joined(parts: Iterable[Lit]) -> Lit:
    """All frames of a room as one."""
    every = list(parts)
    base = np.mean([part.base for part in every], axis=0)
    return Lit(base=base, light=np.mean([part.light for part in every], axis=0))


def suited(room: Lit) -> Moves:
    """Moves that suit a room."""
    key = _trimmed_mean(room.base, 0.05, 0.90)
    exposure = MIDDLE_GREY_EV + 0.5 - key
    bright = percentile(room.base, 0.995) + exposure - MIDDLE_GREY_EV
    dark = percentile(room.base, 0.03) + exposure - MIDDLE_GREY_EV
    highlights = -float(np.clip((bright - 2.2) * 0.9, 0, 3.4))
    shadows = float(np.clip((-dark - 2.5) * 0.6, 0, 1.5))
    moves = Moves(exposure_ev=exposure, highlights_ev=highlights, shadows_ev=shadows)
    top = percentile(room.light, 0.9995) + exposure
    lifted = float(moved_base(top, moves))
    return Moves(exposure, highlights, shadows, float(np.clip(lifted, 0.5, 3.0)))


def percentile(shares: Shares, part: float) -> float:
    """Log2 luminance below which `part` of the sphere lies, interpolated within the bin."""
    edges = np.linspace(LOWEST_EV, HIGHEST_EV, BINS + 1)
    return float(np.interp(part, np.concatenate([[0.0], np.cumsum(shares)]), edges))


def _trimmed_mean(shares: Shares, low: float, high: float) -> float:
    """Mean of log2 luminance of the sphere between two percentiles."""
    sums = np.concatenate([[0.0], np.cumsum(shares)])
    kept = np.diff(np.clip(sums, low, high))
    return float(kept @ _centres() / kept.sum())


def _centres() -> Shares:
    edges = np.linspace(LOWEST_EV, HIGHEST_EV, BINS + 1)
    centres: Shares = (edges[:-1] + edges[1:]) / 2
    return centres


def _shares(plane_ev: NDArray[np.float32]) -> Shares:
    height, width = plane_ev.shape
    weights = np.repeat(pixel_solid_angle(height), width)
    inside = np.clip(plane_ev.ravel(), LOWEST_EV, np.nextafter(HIGHEST_EV, 0))
    counts, _ = np.histogram(inside, bins=BINS, range=(LOWEST_EV, HIGHEST_EV), weights=weights)
    shares: Shares = counts / counts.sum()
    return shares
