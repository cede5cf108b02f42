"""Small stages whose arithmetic is plain, for tests of the run's schedule."""

import errno
import os
import signal
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Rows
from panopipe.pipeline.engine import reduce_rows
from panopipe.setting import choice, number, switch, whole
from panopipe.stage import (
    Applied,
    FrameReader,
    JobFacts,
    Note,
    Observation,
    Output,
    Prepared,
    Rights,
    RowStage,
    Sink,
    SinkStage,
    Solution,
    SpanStage,
    StageContext,
)

HALL_1 = FrameKey("hall", "hall-01")


def light(width: int = 96, seed: int = 1) -> Rows:
    """A frame of noise, some of it above white and some below zero."""
    return (np.random.default_rng(seed).random((width // 2, width, 3), np.float32) * 2 - 0.1).astype(
        np.float32
    )


class OpenedArray(FrameReader):
    """A frame that is already in memory; counts what is read."""

    def __init__(self, rows: Rows, key: FrameKey = HALL_1) -> None:
        self.rows = rows
        self.facts = FrameFacts(key, rows.shape[1], rows.shape[0])
        self.notes = {"opened_ev": 0.5}
        self.read_rows: list[tuple[int, int]] = []

    def reduced(self, width: int) -> Rows:
        return reduce_rows(self.rows, width)

    def read(self, first: int, last: int) -> Rows:
        self.read_rows.append((first, last))
        return self.rows[first:last].copy()

    def close(self) -> None:
        pass


@dataclass(frozen=True)
class GainSettings:
    """Settings of the gain."""

    gain_ev: float = number(0, "gain", low=-5, high=5, unit="EV")


class Gain(RowStage[GainSettings, Any]):
    """Scales by a gain and by the mean of the frame as it comes in."""

    name = "gain"
    version = 1
    summary = "Scales light."
    Settings = GainSettings
    notes: ClassVar[Mapping[str, Note]] = {"mean": Note("mean of the frame as it comes in")}

    def prepare(self, context: StageContext, settings: GainSettings) -> Prepared:
        if settings.gain_ev == 0:
            return Prepared()
        mean = float(context.reduced.rows.mean(dtype=np.float64))
        return Prepared(np.float32(2**settings.gain_ev * (1 + mean)), {"mean": mean}, ("a gain was set",))

    def apply(self, band: Band, settings: GainSettings, prepared: np.float32) -> Rows:
        # A term of the row as well, so that a wrong `first` cannot pass.
        row = (np.arange(band.first, band.last, dtype=np.float32) + np.float32(0.5)) / np.float32(band.height)
        band.rows[...] *= prepared * (1 + row[:, None, None])
        return band.rows


@dataclass(frozen=True)
class MirrorSettings:
    """Settings of the mirror."""

    first: int = whole(0, "first row in percent", low=0, high=100)
    last: int = whole(100, "end row in percent", low=0, high=100)


class Mirror(SpanStage[MirrorSettings, Any]):
    """Turns its rows upside down and adds the mean of the reduced frame."""

    name = "mirror"
    version = 1
    summary = "Turns rows upside down."
    Settings = MirrorSettings
    notes: ClassVar[Mapping[str, Note]] = {"rows_changed": Note("rows turned")}

    def span(self, facts: FrameFacts, settings: MirrorSettings) -> tuple[int, int]:
        return settings.first * facts.height // 100, settings.last * facts.height // 100

    def prepare(self, context: StageContext, settings: MirrorSettings) -> Prepared:
        return Prepared((context.reduced.rows.mean(), dict(context.neighbours)))

    def apply(self, band: Band, settings: MirrorSettings, prepared: tuple[np.float32, dict]) -> Applied:
        mean, neighbours = prepared
        rows = band.rows[::-1] + mean + sum(other.rows for other in neighbours.values())
        return Applied(np.ascontiguousarray(rows, np.float32), {"rows_changed": len(rows)}, ("mirrored",))


@dataclass(frozen=True)
class RawSettings:
    """Settings of the raw sink."""


class Raw(SinkStage[RawSettings]):
    """Gives the rows as they are."""

    name = "raw"
    version = 1
    summary = "Writes float rows."
    Settings = RawSettings

    def outputs(self, settings: RawSettings) -> tuple[str, ...]:
        return (".raw",)

    def start(self, context: StageContext, settings: RawSettings, rights: Rights) -> Sink:
        return _RawSink()


class _RawSink(Sink):
    def __init__(self) -> None:
        self.rows: list[Rows] = []
        self.next = 0

    def take(self, band: Band) -> None:
        assert band.first == self.next
        self.next = band.last
        self.rows.append(band.rows.copy())

    def finish(self) -> Sequence[Output]:
        return (Output(".raw", np.concatenate(self.rows).tobytes()),)


@dataclass(frozen=True)
class EvenSettings:
    """Settings of the evening out."""

    strength: float = number(1, "how much of the difference to even out", low=0, high=1)
    look_around: bool = switch(False, "look at the next frame's rows too")


class Even(SpanStage[EvenSettings, Any]):
    """Brings all frames to one mean; can look at its neighbour."""

    name = "even"
    version = 1
    summary = "Evens out the mean of all frames."
    Settings = EvenSettings
    notes: ClassVar[Mapping[str, Note]] = {
        "goal": Note("mean that all frames get"),
        "neighbours": Note("neighbours that were seen"),
    }

    def survey(self, frame: Frame, settings: EvenSettings) -> dict[str, Any]:
        return {"mean": float(frame.rows.mean(dtype=np.float64)), "size": frame.rows.shape}

    def solve(
        self, observed: Mapping[FrameKey, Observation[EvenSettings]], job: JobFacts
    ) -> dict[FrameKey, Solution]:
        means = {key: one.seen["mean"] for key, one in observed.items()}
        goal = means.get(job.reference) or sum(sorted(means.values())) / len(means)
        keys = sorted(observed)
        return {
            key: Solution(
                float(goal / means[key]),
                notes={"goal": goal},
                neighbours=tuple(keys[:1]) if observed[key].settings.look_around else (),
            )
            for key in keys
        }

    def span(self, facts: FrameFacts, settings: EvenSettings) -> tuple[int, int]:
        return 0, facts.height

    def prepare(self, context: StageContext, settings: EvenSettings) -> Prepared:
        return Prepared((1 + (context.solution - 1) * settings.strength, dict(context.neighbours)))

    def apply(self, band: Band, settings: EvenSettings, prepared: tuple[float, dict]) -> Applied:
        gain, neighbours = prepared
        rows = band.rows * np.float32(gain)
        for other in neighbours.values():
            rows = (rows + other.rows) / 2
        return Applied(rows.astype(np.float32), {"neighbours": float(len(neighbours))})


@dataclass(frozen=True)
class MoodySettings:
    """Settings of the moody stage."""

    mood: str = choice("good", "what to do", choices=("good", "raise", "wrong", "die", "hang", "full"))


class Moody(RowStage[MoodySettings, Any]):
    """Fails in every way that a stage can."""

    name = "moody"
    version = 1
    summary = "Fails on demand."
    Settings = MoodySettings

    def prepare(self, context: StageContext, settings: MoodySettings) -> Prepared:
        match settings.mood:
            case "raise":
                raise RuntimeError("in a mood\nof two lines")
            case "die":
                os.kill(os.getpid(), signal.SIGKILL)
            case "hang":
                time.sleep(600)
            case "full":
                raise OSError(errno.ENOSPC, "No space left on device")
        return Prepared(1)

    def apply(self, band: Band, settings: MoodySettings, prepared: Any) -> Rows:
        return band.rows[:, 1:] if settings.mood == "wrong" else band.rows
