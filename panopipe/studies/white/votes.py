"""Votes: what each bright paint of a frame says of the frame's light, and how much it is heard.

Places are those of real lights in the plane of log cone ratios (the camera's own white taken out).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from panopipe.colour.spaces import Matrix
from panopipe.studies.white.evidence import Evidence, Kind, Paint
from panopipe.studies.white.near_locus import nearest_on_locus

KIND_TRUST: Mapping[Kind, float] = {Kind.CEILING: 1.0, Kind.WALL: 0.5, Kind.LOW: 0.4}
"""Walls are painted in all sorts of whites, and low down lie floors and furniture."""
SKY_VOTE = 0.4
"""Weight of surfaces under open sky: more of them are coloured than in a house."""
DARK_OUTDOORS = -1.8
"""A surface under open sky this much darker than the brightest has half a vote: greys there are dark."""
BRIGHT_ENOUGH = -0.45
"""A paint this much darker than the brightest, in natural logarithms, has half a vote."""
DAYLIGHT_MIRED = 1e6 / 5000, 1e6 / 8000
"""What lights an exterior by day, from sun to open shade; a low sun's warmth is its own."""
LAMPS_AND_WINDOWS_MIRED = 1e6 / 2200, 1e6 / 10000
"""Lights beyond these are ever less likely to be what lights a room."""
WINDOWS_MIRED = 1e6 / 4300, 1e6 / 10000
"""The same where no lamp is in view: paint by daylight, and what wood and ground throw onto it."""
SURELY_SMOOTH = 3.0
"""Without a lamp in view, what looks lamp-lit counts by this power of its smoothness: boards hardly do."""
LOCUS_FREE = 0.1
"""Lights may lie this far beside the locus, a Duv of about 0.01: ANSI C78.377 grants lamps 0.006, and the
walls of a room tint its light. With twice as much a ceiling of wood passes for white under a red lamp."""
JOB_RANGE = 0.8
"""How far the lights of one job spread around their middle: about 140 mired."""
NARROW = 0.08
"""Final tolerance of the robust weights."""


Votes = Sequence[tuple[Paint, Matrix, float]]
"""Paints of a frame that may be white, their places as real lights, and their weights."""


@dataclass(frozen=True, slots=True)
class FrameObservation:
    """What the joint solution knows of one frame.

    Attributes
    ----------
    room : str
        Its room.
    evidence : Evidence
        What it shows.
    camera : tuple of float
        Place of the camera's own white as a real light; (0, 0) when the file does not tell.
    camera_known : bool
        Whether the file tells.
    hand : tuple of float or None
        Place in the decoded frame of a white that the photographer set.
    """

    room: str
    evidence: Evidence
    camera: tuple[float, float] = (0.0, 0.0)
    camera_known: bool = False
    hand: tuple[float, float] | None = None


def weight_of_vote(paint: Paint) -> float:
    """Weight of a paint as a white before anything is compared: its size, how bright and how smooth it is."""
    size = min(paint.area_sr / 2.0, 1.0)
    bright = 1 / (1 + np.exp(-(paint.brightness - BRIGHT_ENOUGH) / 0.07))
    return float(KIND_TRUST[paint.kind] * size * bright * paint.smooth)


def _weight_outdoors(paint: Paint) -> float:
    """The same under open sky, where asphalt and concrete are the greys and ceilings are none."""
    if paint.kind is Kind.CEILING:
        return 0.0
    bright = 1 / (1 + np.exp(-(paint.brightness - DARK_OUTDOORS) / 0.2))
    return float(SKY_VOTE * min(paint.area_sr / 2.0, 1.0) * bright)


def votes_of(observation: FrameObservation) -> Votes:
    """Paints of a frame, their places as real lights, and their weights; the whole is at most 1."""
    sky, known, lamp = observation.evidence.open_sky, observation.camera_known, observation.evidence.lamp
    votes = []
    for paint in observation.evidence.paints:
        log_chromaticity = np.array(paint.log_chromaticity) + observation.camera
        by_day = _plausible(log_chromaticity, WINDOWS_MIRED, camera_known=known)
        by_lamp = _plausible(log_chromaticity, LAMPS_AND_WINDOWS_MIRED, camera_known=known)
        inside = max(by_day, (lamp + (1 - lamp) * paint.smooth**SURELY_SMOOTH) * by_lamp)
        outside = _plausible(log_chromaticity, DAYLIGHT_MIRED, camera_known=known)
        likely = (1 - sky) * inside * weight_of_vote(paint) + sky * outside * _weight_outdoors(paint)
        votes.append((paint, log_chromaticity, likely))
    total = max(1.0, sum(weight for _, _, weight in votes))
    return [(paint, log_chromaticity, weight / total) for paint, log_chromaticity, weight in votes]


def _plausible(log_chromaticity: Matrix, usual_mired: tuple[float, float], *, camera_known: bool) -> float:
    """How likely a light stands there: between the warmest and the coldest usual one, near the locus."""
    (foot, _, mired), (warmest, coldest) = nearest_on_locus(log_chromaticity), usual_mired
    beyond = max(0.0, mired - warmest, coldest - mired)
    beside = max(0.0, float(np.hypot(*(foot - log_chromaticity))) - LOCUS_FREE)
    ease = 1.0 if camera_known else 2.0
    return float(np.exp(-((beyond / (25 * ease)) ** 2)) / (1 + (beside / (0.08 * ease)) ** 2))


def first_guesses(observations: Sequence[FrameObservation], votes: Sequence[Votes]) -> Matrix:
    """Start each frame at the vote that most other votes of the frame, and the job as a whole, support."""
    every = [(log_chromaticity, weight) for ballot in votes for _, log_chromaticity, weight in ballot]
    middle = _middle(every) if every else np.array(observations[0].camera)
    return np.array(
        [
            _first_guess(observation, ballot, middle)
            for observation, ballot in zip(observations, votes, strict=True)
        ]
    )


def _first_guess(observation: FrameObservation, votes: Votes, middle: Matrix) -> Matrix:
    if observation.hand is not None:
        return np.array(observation.hand) + observation.camera
    if not votes:
        return np.array(observation.camera)
    places, weights = np.array([place for _, place, _ in votes]), np.array([each for _, _, each in votes])
    support = (weights * robust_weight(places[:, None] - places, NARROW)).sum(axis=1)
    return np.asarray(places[np.argmax(support * robust_weight(places - middle, JOB_RANGE))])


def _middle(votes: Sequence[tuple[Matrix, float]]) -> Matrix:
    """Weighted median of places, coordinate by coordinate."""
    log_chromaticities, weights = (
        np.array([log_chromaticity for log_chromaticity, _ in votes]),
        np.array([weight for _, weight in votes]),
    )
    middle = []
    for axis in (0, 1):
        order = np.argsort(log_chromaticities[:, axis], kind="stable")
        running = np.cumsum(weights[order])
        middle.append(log_chromaticities[order[np.searchsorted(running, running[-1] / 2)], axis])
    return np.array(middle)


def kept_weights(
    observation: FrameObservation, votes: Votes, here: Matrix, offsets: Matrix, tolerance: float
) -> list[float]:
    """Weights of a frame's votes, less where they disagree; what stands outdoors is no paint of the house."""
    house = 1 - observation.evidence.open_sky
    return [
        weight * float(robust_weight(log_chromaticity - here - house * offsets[paint.kind], tolerance))
        for paint, log_chromaticity, weight in votes
    ]


def robust_weight(off: Matrix, tolerance: float | Matrix) -> Matrix:
    """Weights of residuals (..., 2) (Geman and McClure): 1 at zero, 1/4 at the tolerance, then ever less."""
    square = off[..., 0] * off[..., 0] + off[..., 1] * off[..., 1]
    return np.asarray(1 / (1 + square / tolerance**2) ** 2)
