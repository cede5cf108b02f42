"""Equations of the joint solution, round by round, for all frames in one go.

What does not change between rounds is laid out once: the votes of all frames one after another, what holds
each frame by itself, and the pairs that hold together.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from panopipe.colour.spaces import Matrix
from panopipe.studies.white.equations import Equations, System, Terms
from panopipe.studies.white.evidence import Kind
from panopipe.studies.white.matches import Pair
from panopipe.studies.white.near_locus import nearest_lights
from panopipe.studies.white.votes import LOCUS_FREE, FrameObservation, Votes, robust_weight

VOTE_SIGMA = 0.03
"""How far a white paint's vote lies from the truth, in the plane: about 2 delta E 2000."""
SAME_ROOM_SIGMA = 0.04
OTHER_ROOM_SIGMA = 0.3
LIKE_LIGHT = 0.05
"""Beyond this difference two rooms are taken to have two lights."""
LOCUS_SIGMA = 0.1
"""Lights further beside the locus than `LOCUS_FREE` are held by this."""
CAMERA_SIGMA = 0.6
"""How far lights lie from what the camera was set to, about 100 mired."""
POOR_SIGMA = 0.1
"""How far the light of a room that shows next to no paint lies from what its mean colour lets expect."""
ENOUGH_VOTES = 0.3
"""Weight of its votes from which a room needs no such help."""
SKY_SIGMA, LEAST_SKY = 0.07, 0.02
"""How far light under open sky lies from daylight, and how surely a sky is open that holds a frame to it."""
LEAST_HEARD = 0.25
"""Share of a frame's votes that counts at least: outvoted among themselves, they never all fall silent."""
HAND_WEIGHT = 1e7
HAND_VOTE = 0.1
"""Weight of the votes of a hand-set frame, which now speak of the job's paints alone: the light on the spot
that was read is not quite the light of the room."""


class Expected(NamedTuple):
    """Lights that a frame lets expect before anything is solved: under open sky, and from its mean colour."""

    daylight: Matrix
    behind_mean: Matrix


@dataclass(frozen=True, slots=True)
class Part:
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
    expected: list[Expected]
    pairs: list[tuple[int, int, Pair | None]] = field(default_factory=list)
    walk: list[tuple[int, int, float]] = field(default_factory=list)


class Rounds:
    """Equations of a job, round by round: what does not change from one to the next is laid out once.

    Frames are numbered part by part; after them come the offsets of the kinds.
    """

    def __init__(self, parts: Sequence[Part]) -> None:
        frames = [frame for part in parts for frame in part.observations]
        every, kinds = np.arange(len(frames)), len(frames)
        self._votes, self._frames = _AllVotes(parts), _AllFrames(parts)
        self._ties = _Ties(parts, self._frames.rooms)
        terms = Terms.joined(
            [
                Terms.of_two(self._votes.frame, kinds + self._votes.kind, self._votes.house),
                *[Terms.of_one(every)] * len(self._frames.targets),
                Terms.of_two(self._ties.first, self._ties.second, -1.0),
            ]
        )
        self._equations = Equations([len(part.frames) for part in parts], len(Kind), terms)
        self._targets = np.concatenate([self._votes.place, *self._frames.targets, self._ties.target])

    def systems(self, places: Matrix, offsets: Matrix, tolerance: float) -> list[System]:
        """Equations of each part, where frames and offsets stand now."""
        weights = [self._votes.weights(places, offsets, tolerance), *self._frames.weights]
        weights.append(self._ties.weights(places, tolerance))
        beside = self._frames.beside_locus(places)
        return self._equations.systems(np.concatenate(weights), self._targets, *beside)


class _AllVotes:
    """Votes of all frames, one after another."""

    def __init__(self, parts: Sequence[Part]) -> None:
        observations = [frame for part in parts for frame in part.observations]
        ballots = [ballot for part in parts for ballot in part.votes]
        flat = [vote for ballot in ballots for vote in ballot]
        self.frame = np.repeat(np.arange(len(ballots)), [len(ballot) for ballot in ballots])
        self.kind = np.array([paint.kind for paint, _, _ in flat], np.intp)
        self.place = np.array([place for _, place, _ in flat]).reshape(-1, 2)
        self._weight = np.array([weight for _, _, weight in flat])
        house = np.array([1 - observation.evidence.open_sky for observation in observations])
        self.house = house[self.frame]
        self._spoken = np.array([1.0 if frame.hand is None else HAND_VOTE for frame in observations])
        self._least = LEAST_HEARD * np.bincount(self.frame, self._weight, len(observations))

    def weights(self, places: Matrix, offsets: Matrix, tolerance: float) -> Matrix:
        """Weight of each in the equations; frames whose votes are all outvoted are heard a little."""
        off = self.place - places[self.frame] - self.house[:, None] * offsets[self.kind]
        kept = self._weight * robust_weight(off, tolerance)
        total = np.bincount(self.frame, kept, len(places))
        heard = np.maximum(1.0, self._least / np.maximum(total, 1e-9)) * self._spoken
        return np.asarray(heard[self.frame] * kept / VOTE_SIGMA**2)


class _AllFrames:
    """What holds each frame by itself: its camera, an open sky, a mean colour, a white set by hand.

    Attributes
    ----------
    rooms : list of str
        Room of each.
    targets, weights : sequence of ndarray of shape (n, 2), (n,)
        Places that it is held to, and how much, one after another.
    """

    def __init__(self, parts: Sequence[Part]) -> None:
        observations = [frame for part in parts for frame in part.observations]
        expected = [one for part in parts for one in part.expected]
        shown: dict[str, float] = {}
        for frame, ballot in zip(observations, (b for part in parts for b in part.votes), strict=True):
            shown[frame.room] = shown.get(frame.room, 0.0) + sum(weight for _, _, weight in ballot)
        self.rooms = [frame.room for frame in observations]
        camera = np.array([frame.camera for frame in observations], np.float64)
        hand = np.array([(0, 0) if frame.hand is None else frame.hand for frame in observations], np.float64)
        by_hand = np.array([frame.hand is not None for frame in observations])
        sky = np.array([frame.evidence.open_sky for frame in observations])
        poor = 1 - np.minimum(1.0, np.array([shown[room] for room in self.rooms]) / ENOUGH_VOTES)
        self.targets = (
            camera,
            np.array([one.daylight for one in expected]),
            np.array([one.behind_mean for one in expected]),
            hand + camera,
        )
        self.weights = (
            np.full(len(camera), 1 / CAMERA_SIGMA**2),
            np.where(sky > LEAST_SKY, sky / SKY_SIGMA**2, 0),
            poor * np.maximum(0.0, 1 - 2 * sky) / POOR_SIGMA**2,
            by_hand * HAND_WEIGHT,
        )
        known = np.array([frame.camera_known for frame in observations])
        self._free = np.where(known, LOCUS_FREE, 2 * LOCUS_FREE)

    def beside_locus(self, places: Matrix) -> tuple[Matrix, Matrix]:
        """What holds frames whose lights lie too far beside the locus: equations and right sides of each."""
        foot, normal = nearest_lights(places)
        beside = np.einsum("ij,ij->i", normal, places - foot)
        weight = np.where(np.abs(beside) > self._free, 1 / LOCUS_SIGMA**2, 0)
        target = np.einsum("ij,ij->i", normal, foot) + np.copysign(self._free, beside)
        matrices = weight[:, None, None] * normal[:, :, None] * normal[:, None]
        return matrices, (weight * target)[:, None] * normal


class _Ties:
    """Pairs of frames: those of one room, those that share surfaces, and neighbours in the walk.

    One room, one light; other rooms only where shared surfaces show like lights.
    """

    def __init__(self, parts: Sequence[Part], rooms: Sequence[str]) -> None:
        starts = np.cumsum([0, *(len(part.frames) for part in parts)])
        pairs = [
            (start + i, start + j, link, _between(part.observations[i], part.observations[j], link))
            for start, part in zip(starts, parts, strict=False)
            for i, j, link in part.pairs
        ]
        walk = [
            (start + i, start + j, weight)
            for start, part in zip(starts, parts, strict=False)
            for i, j, weight in part.walk
        ]
        self.first, self.second = (np.array([tie[at] for tie in (*pairs, *walk)], np.intp) for at in (0, 1))
        self._pairs, self._walk = len(pairs), np.array([weight for _, _, weight in walk])
        self.target = np.array([*(tie[3] for tie in pairs), *[(0.0, 0.0)] * len(walk)]).reshape(-1, 2)
        size = Counter(rooms)
        self._same = np.array([rooms[i] == rooms[j] for i, j, _, _ in pairs], bool)
        sigma = np.where(self._same, SAME_ROOM_SIGMA, OTHER_ROOM_SIGMA)
        scatter = np.array([0.0 if link is None else link.shared.scatter for _, _, link, _ in pairs])
        share = np.where(self._same, [2.0 / size[rooms[i]] for i, _, _, _ in pairs], 1.0)
        self._strength = share / (sigma**2 + scatter**2)

    def weights(self, places: Matrix, tolerance: float) -> Matrix:
        """Weight of each in the equations."""
        first, second = self.first[: self._pairs], self.second[: self._pairs]
        off = places[first] - places[second] - self.target[: self._pairs]
        trusted = robust_weight(off, np.where(self._same, tolerance, LIKE_LIGHT))
        return np.concatenate([self._strength * trusted, self._walk])


def _between(first: FrameObservation, second: FrameObservation, link: Pair | None) -> Matrix:
    """How the light of one frame differs from that of another, as their files and what both see tell."""
    between = np.array(first.camera) - second.camera
    return between if link is None else np.asarray(np.array(link.shared.ratio[:2]) + between)
