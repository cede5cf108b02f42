"""What a frame's finished files depend on, and its fingerprint."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from panopipe.frame import FrameFacts, FrameKey
from panopipe.job import FINISHED, WORKING, FrameEntry, Job
from panopipe.recipe import FrameSettings, Recipe
from panopipe.recipe.layers import setting_rules
from panopipe.registry import loaded_sink, loaded_stage
from panopipe.run.cache import cache_name
from panopipe.run.tasks import Chain, FrameFiles
from panopipe.stage import Rights
from panopipe.state.file_stamp import FileStamp
from panopipe.state.record import Effective
from panopipe.state.serialization import digest, digest_of
from panopipe.state.solutions import Outline

RUN_VERSION = 1
"""Raised when the run itself gives another picture for the same stages; everything is then made again."""

BEFORE = f"{WORKING}/before"
REDUCED = f"{WORKING}/reduced"
SMALL = f"{WORKING}/small"
DOING = f"{WORKING}/doing"


@dataclass(frozen=True, slots=True)
class Planned:
    """A frame of the run: its files and what is in force for it."""

    entry: FrameEntry
    settings: FrameSettings
    chain: Chain

    @property
    def key(self) -> FrameKey:
        """Room and name."""
        return self.entry.key

    @property
    def paths(self) -> tuple[str, ...]:
        """Originals, relative to the job folder."""
        return tuple(file.path for file in self.entry.files)

    @property
    def source(self) -> tuple[str, Any]:
        """The source stage and its settings."""
        return self.chain.stages[0]

    @property
    def surveys(self) -> tuple[tuple[str, Any], ...]:
        """Stages that observe the frame, with their settings as `Stage.solve` is handed them."""
        return tuple(
            (name, loaded_stage(name).settings_for_survey(given))
            for name, given in self.chain.stages
            if loaded_stage(name).surveys
        )

    @property
    def target(self) -> str:
        """Finished files without suffix, relative to the job folder."""
        return (
            f"{FINISHED}/{self.key.room}/{self.key.name}" if self.key.room else f"{FINISHED}/{self.key.name}"
        )

    @property
    def outputs(self) -> tuple[str, ...]:
        """Finished files, relative to the job folder, the main one first."""
        name, given = self.chain.stages[-1]
        sink = loaded_sink(name)
        return tuple(f"{self.target}{suffix}" for suffix in sink.outputs(given))

    @property
    def before(self) -> str:
        """Picture of the frame as decoded, relative to the job folder."""
        return (
            f"{BEFORE}/{self.key.room}/{self.key.name}.jpg"
            if self.key.room
            else f"{BEFORE}/{self.key.name}.jpg"
        )

    @property
    def pictures(self) -> dict[str, dict[str, str]]:
        """By stage and setting: pictures that the settings name."""
        names: dict[str, dict[str, str]] = {}
        for name, given in self.chain.stages:
            for setting, rule in setting_rules(loaded_stage(name)).items():
                if rule.kind == "picture" and getattr(given, setting):
                    names.setdefault(name, {})[setting] = getattr(given, setting)
        return names

    def effective(self) -> dict[str, dict[str, Effective]]:
        """Settings in force, for the record."""
        return {
            table: {key: Effective(value.value, value.origin) for key, value in values.items()}
            for table, values in self.settings.values.items()
        }

    def files(self, job: Job, source: str = "") -> FrameFiles:
        """Where the frame's files are; `source` is the fingerprint of its source."""
        reduced = cache_name(REDUCED, source) if source else REDUCED
        return FrameFiles(str(job.folder), self.key, self.paths, reduced, self.before)

    def small_files(self, job: Job, source: str, facts: FrameFacts, width: int) -> FrameFiles:
        """The same for a proof of `width` columns."""
        return dataclasses.replace(
            self.files(job, source), small=cache_name(SMALL, source), small_of=facts, width=width
        )

    def to_stage(self, name: str) -> list[tuple[str, int, Any]]:
        """Name, version and settings of the stages before `name`; of all if it is not there."""
        steps = []
        for stage, given in self.chain.stages:
            if stage == name:
                break
            steps.append((stage, loaded_stage(stage).version, given))
        return steps


def plan_frames(job: Job, recipe: Recipe) -> dict[FrameKey, Planned]:
    """All frames of a job with what is in force for them.

    A frame whose finished files would take the place of another's is refused.
    """
    taken: dict[str, FrameKey] = {}
    chains: dict[int, Chain] = {}
    frames = {}
    for key, entry in job.frames.items():
        settings = recipe.settings(key)
        if id(settings) not in chains:  # frames that the same files bear on share their settings
            chains[id(settings)] = Chain(tuple((name, settings.stages[name]) for name in settings.order))
        planned = Planned(entry, settings, chains[id(settings)])
        for path in planned.outputs:
            other = taken.setdefault(path.casefold(), key)
            if other != key and not entry.refused:
                why = f"its finished file {path} would take the place of one of {other}; rename one of them"
                planned = dataclasses.replace(planned, entry=dataclasses.replace(entry, refused=why))
        frames[key] = planned
    return frames


def survey_fingerprint(source: str, stage: str, settings: Any) -> str:
    """Fingerprint of one stage's observation of a frame; `settings` may be those for solving."""
    made = loaded_stage(stage)
    return digest(source, stage, made.version, made.settings_for_look(settings))


def solved_fingerprint(
    job: Job, stage: str, seen: Iterable[tuple[FrameKey, str, Any]], reference: FrameKey | None
) -> str:
    """Fingerprint of one stage's joint solution.

    `seen` are its observations' own and the settings it is solved with, in the frames' order.
    """
    rooms = digest_of((room, tuple(key)) for room, keys in job.rooms.items() for key in keys)
    observed = digest_of((tuple(key), *one) for key, *one in seen)
    by_hand = (
        [job.links, {tuple(key): told for key, told in job.north.items()}] if job.links or job.north else []
    )
    version = loaded_stage(stage).version
    return digest(stage, version, observed, rooms, reference and tuple(reference), *by_hand)


def frame_fingerprint(
    planned: Planned,
    source: str,
    *,
    outlines: Mapping[str, Outline],
    neighbours: Mapping[FrameKey, tuple[Planned, str, Mapping[str, Outline]]],
    stamps: Mapping[str, FileStamp],
    rights: Rights,
) -> str:
    """Fingerprint of all that makes a frame's finished files.

    Parameters
    ----------
    planned : Planned
        The frame.
    source : str
        Fingerprint of its source: originals and source.
    outlines : mapping of str to Outline
        Joint solutions for it, by stage.
    neighbours : mapping of FrameKey to (Planned, source, outlines)
        Frames whose rows it wants.
    stamps : mapping of str to FileStamp
        Hashes of the pictures that the settings name.
    rights : Rights
        For the metadata.
    """
    said, pictures, others = _all_else(planned, outlines, neighbours, stamps)
    return digest(RUN_VERSION, source, planned.to_stage(""), said, pictures, rights, others)


def picture_fingerprints(
    planned: Planned,
    source: str,
    *,
    outlines: Mapping[str, Outline],
    neighbours: Mapping[FrameKey, tuple[Planned, str, Mapping[str, Outline]]],
    stamps: Mapping[str, FileStamp],
) -> dict[str, str]:
    """Fingerprint of all that makes the picture in each finished file, and not its metadata.

    Parameters as of `frame_fingerprint`. Files whose metadata cannot be written anew have none.
    """
    name, given = planned.chain.stages[-1]
    sink, light = loaded_sink(name), planned.to_stage(name)
    made = digest(RUN_VERSION, source, light, *_all_else(planned, outlines, neighbours, stamps))
    return {
        f"{planned.target}{suffix}": digest(made, name, sink.version, coded)
        for suffix, coded in sink.pictures(given).items()
    }


def _all_else(
    planned: Planned,
    outlines: Mapping[str, Outline],
    neighbours: Mapping[FrameKey, tuple[Planned, str, Mapping[str, Outline]]],
    stamps: Mapping[str, FileStamp],
) -> tuple[list[Any], list[Any], list[Any]]:
    """What solutions say, pictures that settings name, and neighbours: beside a frame's own stages."""
    pictures = [stamps[name].sha256 for names in planned.pictures.values() for name in names.values()]
    others = [
        (tuple(key), other_look, other.to_stage(stage), _said(other_outlines, other))
        for stage, outline in sorted(outlines.items(), key=lambda item: item[0])
        for key in outline.neighbours
        if key in neighbours
        for other, other_look, other_outlines in (neighbours[key],)
    ]
    return _said(outlines, planned), pictures, others


def _said(outlines: Mapping[str, Outline], planned: Planned) -> list[tuple[str, str]]:
    """What of the solutions changes the picture: all but their notes."""
    return [(name, outlines[name].picture) for name, _ in planned.chain.stages if name in outlines]
