"""Colour of pixels of which one or more planes are saturated.

A saturated plane tells only that there was at least so much. What saturates in a room is light itself, or
its reflection in something white and glossy; and lights lie near one line, from candle to blue sky. In
white-balanced camera samples, and in logarithms, that line is straight enough:
``log G = a log R + (1 - a) log B``. So one missing plane follows from the other two; with two missing, how
warm the light is comes from its bright, unsaturated surroundings; with all missing it turns to neutral at
the highest level that the camera can record. Green then always lies between red and blue, which is what
keeps a window edge from turning magenta or a lamp cyan.

The cases are one weighted least squares problem per pixel, so that a pixel passes from one to the other
without a step while planes saturate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.precise import exp, log

Floats = NDArray[np.float64]

TRUSTED, SATURATED = 0.95, 0.99
"""Share of the white level up to which a sample is believed, and from which it tells nothing.

Resampling by a stitcher smears the level of saturation by a few percent."""

TINT_WEIGHT, WARMTH_WEIGHT, LEVEL_WEIGHT = 0.3, 0.15, 1e-5
"""Against a trusted sample's weight of 1. The larger, the more gently a plane that loses trust gives way;
warmth counts only as far as two planes are lost, where nothing contradicts it."""
WHITENS_FROM = 0.4
"""Share of the white level, of the last plane to saturate, from which a light turns neutral."""
DARKEST = 1e-4
"""White-balanced share at which a logarithm ends."""


@dataclass(frozen=True, slots=True)
class Lights:
    """What is known of a camera's lights.

    Attributes
    ----------
    neutral : ndarray of shape (3,), dtype float64
        Samples (share of the level of saturation) of the frame's white, at 1.0 of its light.
    share_of_red : float
        `a` of the line of lights in white-balanced samples.
    """

    neutral: Floats
    share_of_red: float

    @property
    def highest(self) -> float:
        """White-balanced value at which the last plane saturates."""
        return float(1 / self.neutral.min())

    def cut_at(self, level: Floats) -> Lights:
        """The same where planes are cut off at shares `level`, shape (3,), of the level given before."""
        return Lights(self.neutral / level, self.share_of_red)


def share_of_red(balanced_lights: Floats) -> float:
    """Slope `a` of ``log G = a log R + (1 - a) log B`` through lights, shape (n, 3), white-balanced."""
    red, green, blue = np.log(np.maximum(balanced_lights, DARKEST)).T
    warmth, lift = red - blue, green - blue
    spread = float(np.sum(warmth**2))
    return float(np.clip(np.sum(warmth * lift) / spread, 0.2, 0.8)) if spread else 0.5


def trust(share: Floats) -> Floats:
    """How far a sample is believed, 1 to 0, by its share of the white level."""
    return 1 - smooth_step(share, TRUSTED, SATURATED)


def smooth_step(value: Floats, low: float, high: float) -> Floats:
    """0 below `low`, 1 above `high`, a cubic without a kink between."""
    place = np.clip((value - low) * (1 / (high - low)), 0, 1)
    return np.asarray(place * place * (3 - 2 * place))


def rebuilt_gain(
    share: Floats, warmth: Floats, tint: Floats, neutral: Floats, *, share_of_red: float, highest: float
) -> Floats:
    """What to add to samples so that saturated planes hold what the light must have been.

    Parameters
    ----------
    share : ndarray of shape (n, 3), dtype float64
        Samples as a share of the white level.
    warmth, tint : ndarray of shape (n,), dtype float64
        Of the bright surroundings: ``log R - log B`` and ``log G - a log R - (1 - a) log B`` of
        white-balanced samples.
    neutral : ndarray of shape (3,), dtype float64
        See `Lights`.
    share_of_red, highest : float
        See `Lights`.

    Returns
    -------
    ndarray of shape (n, 3), dtype float64
        Never negative; 0 where a plane is trusted. The sum does not pass `highest` in white-balanced terms,
        unless the sample itself does.
    """
    trusted = trust(share)
    balanced = share / neutral
    estimate = exp(_least_squares(balanced, trusted, warmth, tint, share_of_red, highest))
    ceiling = np.maximum(balanced, highest)
    by_line = (1 - trusted) * (np.clip(estimate, balanced, ceiling) - balanced)
    by_level = _towards_white(share, trusted) * (ceiling - balanced)
    raised = balanced + np.maximum(by_line, by_level)
    raised[:, 1] += (1 - trusted[:, 1]) * _green_lift(raised, tint, ceiling[:, 1], share_of_red)
    return np.asarray((raised - balanced) * neutral)


def _towards_white(share: Floats, trusted: Floats) -> Floats:
    """How far each plane goes to the highest level: the more, the nearer it is to saturation itself
    while the other two are saturated.
    """
    lost = 1 - trusted
    others = np.stack([lost[:, 1] * lost[:, 2], lost[:, 0] * lost[:, 2], lost[:, 0] * lost[:, 1]], axis=1)
    return np.asarray(others * smooth_step(share, WHITENS_FROM, SATURATED))


def _green_lift(raised: Floats, tint: Floats, ceiling: Floats, a: float) -> Floats:
    """What green lacks to the line of lights, given red and blue as they are now.

    Red may have turned out higher than its estimate, since what it recorded is the least it can be.
    """
    red, blue = (log(np.maximum(raised[:, k], DARKEST)) for k in (0, 2))
    line = np.minimum(exp(a * red + (1 - a) * blue + tint), ceiling)
    return np.asarray(np.maximum(line - raised[:, 1], 0))


def _least_squares(
    balanced: Floats, trusted: Floats, warmth: Floats, tint: Floats, a: float, highest: float
) -> Floats:
    """Logarithms of the three planes, from trusted samples, the line of lights, warmth and level.

    The normal equations are three by three and are solved by Cramer's rule, element by element: the same
    bits in whatever array a pixel stands.
    """
    colour = trusted[:, 0] + trusted[:, 1] + trusted[:, 2]
    lost = 1 - trusted
    pairs = lost[:, 0] * lost[:, 1] + lost[:, 1] * lost[:, 2] + lost[:, 2] * lost[:, 0]
    by_tint, by_warmth = TINT_WEIGHT * colour, WARMTH_WEIGHT * colour * pairs
    level = LEVEL_WEIGHT
    logs = log(np.maximum(balanced, DARKEST))
    at_most = log(np.array(highest))

    d_r, d_g, d_b = (trusted[:, k] + level for k in range(3))
    m_rr = d_r + by_tint * (a * a) + by_warmth
    m_gg = d_g + by_tint
    m_bb = d_b + by_tint * ((1 - a) * (1 - a)) + by_warmth
    m_rg, m_gb = -a * by_tint, -(1 - a) * by_tint
    m_rb = (a * (1 - a)) * by_tint - by_warmth
    sides = [trusted[:, k] * logs[:, k] + level * at_most for k in range(3)]
    s_r = sides[0] - a * by_tint * tint + by_warmth * warmth
    s_g = sides[1] + by_tint * tint
    s_b = sides[2] - (1 - a) * by_tint * tint - by_warmth * warmth

    c_rr, c_gg, c_bb = m_gg * m_bb - m_gb**2, m_rr * m_bb - m_rb**2, m_rr * m_gg - m_rg**2
    c_rg, c_rb, c_gb = m_gb * m_rb - m_rg * m_bb, m_rg * m_gb - m_gg * m_rb, m_rg * m_rb - m_rr * m_gb
    whole = m_rr * c_rr + m_rg * c_rg + m_rb * c_rb
    return np.stack(
        [
            (c_rr * s_r + c_rg * s_g + c_rb * s_b) / whole,
            (c_rg * s_r + c_gg * s_g + c_gb * s_b) / whole,
            (c_rb * s_r + c_gb * s_g + c_bb * s_b) / whole,
        ],
        axis=1,
    )
