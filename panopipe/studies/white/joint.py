"""The joint white: one robust solution for the lights of all frames of a job.

Unknown are the place of each frame's light in the plane of log cone ratios, as the real light stands there
(the camera's own white taken out), and how far the job's usual ceiling, wall and low whites are from
neutral. Everything that is known is a residual with a weight:

- each bright paint of a frame is a vote: it would be white, but for its kind's offset;
- two frames of one room have one light, and a surface that both see must agree;
- frames of different rooms that share surfaces agree only if their lights prove alike;
- lights lie near the Planckian and daylight loci; a sky is lit by daylight; the camera was set by a person.

Votes that disagree (a coloured wall, a wooden ceiling, a sunset) lose their weight step by step while the
tolerance narrows from wide to fine, so that the start does not decide. A hand-set white is a constraint.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix
from panopipe.studies.white.cones import locus
from panopipe.studies.white.equations import Eliminated, connected
from panopipe.studies.white.evidence import Kind
from panopipe.studies.white.matches import Pair
from panopipe.studies.white.near_locus import nearest_on_locus
from panopipe.studies.white.rounds import OTHER_ROOM_SIGMA, Expected, Part, Rounds
from panopipe.studies.white.votes import (
    DAYLIGHT_MIRED,
    NARROW,
    FrameObservation,
    Votes,
    first_guesses,
    kept_weights,
    votes_of,
)

KIND_SIGMA: Mapping[Kind, float] = {Kind.CEILING: 0.012, Kind.WALL: 0.06, Kind.LOW: 0.05}
"""How far whole kinds of white may be off neutral in a house: ceilings are white (common practice)."""
ENOUGH_ALONE = 0.2
"""Weight of its votes from which a frame needs none of its neighbours'."""
MEAN_MIRED, WARMER_MIRED = (300.0, 440.0), (70.0, 12.0)
"""How much warmer than its light a room's mean colour is, in mired. Rendered rooms of deep colours show 24 to
48 where lamps alone burn (a mean of 390 to 450), 54 to 92 where daylight mixes in, and over 90 by daylight
alone: the less a light lacks blue, the more of it wood and paint take before it comes back."""
SKY_MIRED = 1e6 / 5800
"""Daylight between sun with sky at noon (5500 K, the old balance of daylight film) and an overcast sky
(6500 K): common practice."""
BESIDE_DAYLIGHT_MIRED = 6.0
"""A camera this far beyond that range was set for a house, not for daylight: 4500 to 4800 K are usual."""
_ROUNDS = 40


@dataclass(frozen=True, slots=True)
class White:
    """The light of one frame.

    Attributes
    ----------
    log_chromaticity : tuple of float
        Place of its white in the decoded frame.
    sigma : float
        Standard deviation that the solution gives it, in the plane.
    agreement : float
        Share of its votes, by weight, that the solution follows.
    neutral_share : float
        Share of the sphere that is near neutral under this white.
    """

    log_chromaticity: tuple[float, float]
    sigma: float
    agreement: float
    neutral_share: float

    @property
    def confidence(self) -> float:
        """0 to 1: a sigma of 0.06 (about 4 delta E 2000) halves it, and so do outvoted paints."""
        return float((0.5 + 0.5 * self.agreement) / (1 + (self.sigma / 0.06) ** 2))


def solve_whites(
    observations: Sequence[FrameObservation], links: Sequence[Pair]
) -> tuple[list[White], Mapping[Kind, Matrix]]:
    """Solve for the white of every frame.

    Parameters
    ----------
    observations : sequence of FrameObservation
        In walking order, which alone decides who is whose neighbour.
    links : sequence of Pair
        Pairs with shared surfaces.

    Returns
    -------
    whites : list of White
        In the order of `observations`.
    offsets : mapping of Kind to ndarray of shape (2,)
        How far this job's whites of each kind are from neutral.
    """
    observations = _one_sky_per_room(observations)
    votes = [votes_of(observation) for observation in observations]
    expected = [_expected(observation) for observation in observations]
    log_chromaticities = first_guesses(observations, votes)
    parts = _parts(observations, votes, expected, links)
    order = [frame for part in parts for frame in part.frames]
    rounds, places = Rounds(parts), log_chromaticities[order]
    offsets, eliminated = np.zeros((len(Kind), 2)), list[Eliminated]()
    matrix = known = _of_kinds()
    for turn in range(_ROUNDS):
        tolerance = max(NARROW, 0.4 * 0.88**turn)
        systems = rounds.systems(places, offsets, tolerance)
        eliminated = [system.eliminated(len(Kind)) for system in systems]
        matrix = np.sum([known, *(one.matrix for one in eliminated)], axis=0)
        right = np.sum([one.right for one in eliminated], axis=0)
        offsets = np.asarray(np.linalg.solve(matrix, right)).reshape(-1, 2)
        places = np.concatenate([one.at(offsets) for one in eliminated])
    log_chromaticities[order] = places
    whites, of_offsets = {}, np.asarray(np.linalg.inv(matrix))
    for part, one in zip(parts, eliminated, strict=True):
        covariances = one.covariances(of_offsets)
        for i, frame in enumerate(part.frames):
            place, ballot = log_chromaticities[frame], part.votes[i]
            whites[frame] = _white(part.observations[i], ballot, place, offsets, covariances[i])
    return [whites[i] for i in range(len(observations))], {kind: offsets[kind] for kind in Kind}


def _of_kinds() -> Matrix:
    """What is known of the offsets whatever a job shows."""
    return np.diag(np.repeat([1 / KIND_SIGMA[kind] ** 2 for kind in Kind], 2))


def _parts(
    observations: Sequence[FrameObservation],
    votes: Sequence[Votes],
    expected: Sequence[Expected],
    links: Sequence[Pair],
) -> list[Part]:
    """Parts of a job that can be solved each by itself, but for the offsets."""
    walk, linked = _walk(observations, votes), {(link.first, link.second): link for link in links}
    rooms: dict[str, list[int]] = {}
    for i, observation in enumerate(observations):
        rooms.setdefault(observation.room, []).append(i)
    of_one_room = (pair for frames in rooms.values() for pair in itertools.combinations(frames, 2))
    pairs = sorted({*linked, *of_one_room})
    groups = connected(len(observations), [*pairs, *((i, j) for i, j, _ in walk)])
    parts = [
        Part(
            frames,
            [observations[i] for i in frames],
            [votes[i] for i in frames],
            [expected[i] for i in frames],
        )
        for frames in groups
    ]
    at = {frame: (part, i) for part in parts for i, frame in enumerate(part.frames)}
    for i, j in pairs:
        at[i][0].pairs.append((at[i][1], at[j][1], linked.get((i, j))))
    for i, j, weight in walk:
        at[i][0].walk.append((at[i][1], at[j][1], weight))
    return parts


def _one_sky_per_room(observations: Sequence[FrameObservation]) -> list[FrameObservation]:
    """A place is outdoors if most of its frames look it: one blown ceiling makes no sky."""
    seen: dict[str, list[float]] = {}
    for observation in observations:
        seen.setdefault(observation.room, []).append(observation.evidence.open_sky)
    sky = {room: sorted(shares)[(len(shares) - 1) // 2] for room, shares in seen.items()}
    return [
        replace(
            observation,
            evidence=replace(
                observation.evidence, open_sky=min(observation.evidence.open_sky, sky[observation.room])
            ),
        )
        for observation in observations
    ]


def _daylight(observation: FrameObservation) -> Matrix:
    """White to expect under open sky: the camera's own if it was set to daylight, else that of noon."""
    camera = np.array(observation.camera)
    if not observation.camera_known:
        return camera
    _, _, camera_mired = nearest_on_locus(camera)
    off = max(0.0, camera_mired - DAYLIGHT_MIRED[0], DAYLIGHT_MIRED[1] - camera_mired)
    meant = np.exp(-((off / BESIDE_DAYLIGHT_MIRED) ** 2))
    white: Matrix = meant * camera + (1 - meant) * locus(SKY_MIRED)
    return white


def _behind_mean(observation: FrameObservation) -> Matrix:
    """Light that a room of that mean colour usually has: less warm, since what rooms hold is warm.

    Where no lamp is in view it is daylight, whatever the colour of the room.
    """
    if observation.evidence.mean is None:
        return np.array(observation.camera)
    _, _, mired = nearest_on_locus(np.array(observation.evidence.mean) + observation.camera)
    lamp, behind = observation.evidence.lamp, mired - np.interp(mired, MEAN_MIRED, WARMER_MIRED)
    return locus(lamp * behind + (1 - lamp) * min(behind, SKY_MIRED))


def _expected(observation: FrameObservation) -> Expected:
    return Expected(_daylight(observation), _behind_mean(observation))


def _walk(observations: Sequence[FrameObservation], votes: Sequence[Votes]) -> list[tuple[int, int, float]]:
    """A frame that shows little leans on the ones before and after it, but not through the front door."""
    shown, leaning = [sum(weight for _, _, weight in ballot) for ballot in votes], []
    for i in range(len(votes) - 1):
        poor = 1 - min(1.0, min(shown[i], shown[i + 1]) / ENOUGH_ALONE)
        poor *= 1 - abs(observations[i].evidence.open_sky - observations[i + 1].evidence.open_sky)
        if poor > 0:
            leaning.append((i, i + 1, poor / (2 * OTHER_ROOM_SIGMA) ** 2))
    return leaning


def _white(
    observation: FrameObservation,
    votes: Votes,
    log_chromaticity: Matrix,
    offsets: Matrix,
    covariance: NDArray[np.float64],
) -> White:
    decoded = log_chromaticity - observation.camera
    total = sum(weight for _, _, weight in votes)
    followed = sum(kept_weights(observation, votes, log_chromaticity, offsets, NARROW))
    neutral = sum(
        p.area_sr
        for p in observation.evidence.paints
        if np.hypot(*(np.array(p.log_chromaticity) - decoded)) < NARROW
    )
    return White(
        (float(decoded[0]), float(decoded[1])),
        float(np.sqrt(np.trace(covariance) / 2)),
        followed / total if total > 0 else 0.0,
        neutral / (4 * np.pi),
    )
