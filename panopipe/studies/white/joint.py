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
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix
from panopipe.studies.white.cones import locus
from panopipe.studies.white.equations import Eliminated, System, connected
from panopipe.studies.white.evidence import Kind
from panopipe.studies.white.matches import Pair
from panopipe.studies.white.near_locus import nearest_on_locus
from panopipe.studies.white.votes import (
    DAYLIGHT_MIRED,
    LOCUS_FREE,
    NARROW,
    FrameObservation,
    Votes,
    first_guesses,
    kept_weights,
    robust_weight,
    votes_of,
)

VOTE_SIGMA = 0.03
"""How far a white paint's vote lies from the truth, in the plane: about 2 delta E 2000."""
KIND_SIGMA: Mapping[Kind, float] = {Kind.CEILING: 0.012, Kind.WALL: 0.06, Kind.LOW: 0.05}
"""How far whole kinds of white may be off neutral in a house: ceilings are white (common practice)."""
SAME_ROOM_SIGMA = 0.04
OTHER_ROOM_SIGMA = 0.3
LIKE_LIGHT = 0.05
"""Beyond this difference two rooms are taken to have two lights."""
LOCUS_SIGMA = 0.1
"""Beyond that they are held by this."""
CAMERA_SIGMA = 0.6
"""How far lights lie from what the camera was set to, about 100 mired."""
POOR_SIGMA = 0.1
"""How far the light of a room that shows next to no paint lies from what its mean colour lets expect."""
ENOUGH_VOTES, ENOUGH_ALONE = 0.3, 0.2
"""Weight of its votes from which a room needs no such help, and a frame none of its neighbours'."""
MEAN_MIRED, WARMER_MIRED = (300.0, 440.0), (70.0, 12.0)
"""How much warmer than its light a room's mean colour is, in mired. Rendered rooms of deep colours show 24 to
48 where lamps alone burn (a mean of 390 to 450), 54 to 92 where daylight mixes in, and over 90 by daylight
alone: the less a light lacks blue, the more of it wood and paint take before it comes back."""
SKY_MIRED = 1e6 / 5800
"""Daylight between sun with sky at noon (5500 K, the old balance of daylight film) and an overcast sky
(6500 K): common practice."""
SKY_SIGMA = 0.07
BESIDE_DAYLIGHT_MIRED = 6.0
"""A camera this far beyond that range was set for a house, not for daylight: 4500 to 4800 K are usual."""
LEAST_HEARD = 0.25
"""Share of a frame's votes that counts at least: outvoted among themselves, they never all fall silent."""
HAND_WEIGHT = 1e7
HAND_VOTE = 0.1
"""Weight of the votes of a hand-set frame, which now speak of the job's paints alone: the light on the spot
that was read is not quite the light of the room."""
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


@dataclass(frozen=True, slots=True)
class _Part:
    """Frames that nothing ties to the others but the job's usual whites, in walking order.

    Attributes
    ----------
    frames : list of int
        Their numbers in the job; all else counts from 0 within the part.
    observations, votes, expected : list
        What is known of each.
    pairs : list of (int, int, Pair or None)
        Those of one room, and those that share surfaces.
    walk : list of (int, int, float)
        Neighbours in the walk, and the weight with which they lean on each other.
    """

    frames: list[int]
    observations: list[FrameObservation]
    votes: list[Votes]
    expected: list[_Expected]
    pairs: list[tuple[int, int, Pair | None]] = field(default_factory=list)
    walk: list[tuple[int, int, float]] = field(default_factory=list)


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
    offsets, matrix, eliminated = np.zeros((len(Kind), 2)), _of_kinds(), list[Eliminated]()
    for turn in range(_ROUNDS):
        tolerance = max(NARROW, 0.4 * 0.88**turn)
        eliminated = [
            _gather(part, log_chromaticities[part.frames], offsets, tolerance).eliminated(len(Kind))
            for part in parts
        ]
        matrix = np.sum([_of_kinds(), *(one.matrix for one in eliminated)], axis=0)
        right = np.sum([one.right for one in eliminated], axis=0)
        offsets = np.asarray(np.linalg.solve(matrix, right)).reshape(-1, 2)
        for part, one in zip(parts, eliminated, strict=True):
            log_chromaticities[part.frames] = one.at(offsets)
    whites = {}
    for part, one in zip(parts, eliminated, strict=True):
        covariances = one.covariances(np.asarray(np.linalg.inv(matrix)))
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
    expected: Sequence[_Expected],
    links: Sequence[Pair],
) -> list[_Part]:
    """Parts of a job that can be solved each by itself, but for the offsets."""
    walk, linked = _walk(observations, votes), {(link.first, link.second): link for link in links}
    rooms: dict[str, list[int]] = {}
    for i, observation in enumerate(observations):
        rooms.setdefault(observation.room, []).append(i)
    of_one_room = (pair for frames in rooms.values() for pair in itertools.combinations(frames, 2))
    pairs = sorted({*linked, *of_one_room})
    groups = connected(len(observations), [*pairs, *((i, j) for i, j, _ in walk)])
    parts = [
        _Part(
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


class _Expected(NamedTuple):
    """Lights that a frame lets expect before anything is solved: under open sky, and from its mean colour."""

    daylight: Matrix
    behind_mean: Matrix


def _expected(observation: FrameObservation) -> _Expected:
    return _Expected(_daylight(observation), _behind_mean(observation))


def _gather(part: _Part, places: Matrix, offsets: Matrix, tolerance: float) -> System:
    """Equations of a part: its frames' unknowns, then the offsets."""
    system = System(len(part.frames) + len(Kind))
    shown: dict[str, float] = {}
    for observation, ballot in zip(part.observations, part.votes, strict=True):
        shown[observation.room] = shown.get(observation.room, 0.0) + sum(weight for _, _, weight in ballot)
    for i, observation in enumerate(part.observations):
        _add_frame(system, observation, part.votes[i], i, places[i], offsets, tolerance)
        sky = observation.evidence.open_sky
        if sky > 0.02:
            system.add([(i, 1.0)], part.expected[i].daylight, sky / SKY_SIGMA**2)
        poor = (1 - min(1.0, shown[observation.room] / ENOUGH_VOTES)) * max(0.0, 1 - 2 * sky)
        system.add([(i, 1.0)], part.expected[i].behind_mean, poor / POOR_SIGMA**2)
        if observation.hand is not None:
            system.add([(i, 1.0)], np.array(observation.hand) + observation.camera, HAND_WEIGHT)
    _add_rooms(system, part, places, tolerance)
    for i, j, weight in part.walk:
        system.add([(i, 1.0), (j, -1.0)], np.zeros(2), weight)
    return system


def _add_frame(
    system: System,
    observation: FrameObservation,
    votes: Votes,
    i: int,
    here: Matrix,
    offsets: Matrix,
    tolerance: float,
) -> None:
    count = system.count - len(Kind)
    kept, house = (
        kept_weights(observation, votes, here, offsets, tolerance),
        1 - observation.evidence.open_sky,
    )
    heard = max(1.0, LEAST_HEARD * sum(weight for _, _, weight in votes) / max(sum(kept), 1e-9))
    if observation.hand is not None:
        heard *= HAND_VOTE
    for (paint, log_chromaticity, _), strength in zip(votes, kept, strict=True):
        system.add(
            [(i, 1.0), (count + paint.kind, house)], log_chromaticity, heard * strength / VOTE_SIGMA**2
        )
    system.add([(i, 1.0)], np.array(observation.camera), 1 / CAMERA_SIGMA**2)
    foot, normal, _ = nearest_on_locus(here)
    beside = float(normal @ (here - foot))
    free = LOCUS_FREE if observation.camera_known else 2 * LOCUS_FREE
    if abs(beside) > free:
        system.add_across(i, normal, float(normal @ foot) + np.copysign(free, beside), 1 / LOCUS_SIGMA**2)


def _add_rooms(system: System, part: _Part, places: Matrix, tolerance: float) -> None:
    """One room, one light; other rooms only where shared surfaces show like lights."""
    size = Counter(observation.room for observation in part.observations)
    for i, j, link in part.pairs:
        first, second = part.observations[i], part.observations[j]
        same = first.room == second.room
        between = np.array(first.camera) - second.camera
        target = between if link is None else np.array(link.shared.ratio[:2]) + between
        sigma = SAME_ROOM_SIGMA if same else OTHER_ROOM_SIGMA
        scatter = 0.0 if link is None else link.shared.scatter
        off = places[i] - places[j] - target
        share = 2.0 / size[first.room] if same else 1.0
        strength = share * robust_weight(off, tolerance if same else LIKE_LIGHT) / (sigma**2 + scatter**2)
        system.add([(i, 1.0), (j, -1.0)], target, strength)


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
