"""The units of work as data: look at a frame, solve for a stage, finish a frame. Small values, picklable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from panopipe.capture import Capture
from panopipe.frame import FrameFacts, FrameKey
from panopipe.pipeline.steps import AnyStep, Step
from panopipe.registry import loaded_stage
from panopipe.stage import JobFacts, Rights, Solution
from panopipe.state.file_stamp import FileStamp
from panopipe.state.serialization import loads, packages_of


@dataclass(frozen=True, slots=True)
class Chain:
    """A frame's stages by name with their settings, source first."""

    stages: tuple[tuple[str, Any], ...]

    def steps(self) -> tuple[AnyStep, ...]:
        """The same with the stages loaded."""
        return tuple(Step(loaded_stage(name), settings) for name, settings in self.stages)


@dataclass(frozen=True, slots=True)
class FrameFiles:
    """Where a frame's files are.

    Attributes
    ----------
    folder : str
        The job folder.
    key : FrameKey
        The frame.
    paths : tuple of str
        Its originals, relative to the job folder.
    reduced : str
        Where its light at reduced size is kept between look and finish, relative to the job folder.
    before : str
        Where the picture of the frame as decoded goes, relative to the job folder.
    small : str
        Where its light at `BEFORE_WIDTH` is kept for proofs, relative to the job folder; empty if it is not.
    small_of : FrameFacts or None
        For a proof: facts of the frame, which is then opened from `small`.
    width : int
        For a proof: its width.
    """

    folder: str
    key: FrameKey
    paths: tuple[str, ...]
    reduced: str = ""
    before: str = ""
    small: str = ""
    small_of: FrameFacts | None = None
    width: int = 0

    def at(self, path: str) -> Path:
        """Absolute path of a file of the job."""
        return Path(self.folder) / path


@dataclass(frozen=True, slots=True)
class SurveyTask:
    """Look at one frame: hash its files, reduce it, observe it for the stages that survey.

    Attributes
    ----------
    files : FrameFiles
        The frame; `reduced` and `small` are folders here, as the name in them follows from the hash.
    source : tuple of str and settings
        The source stage.
    surveys : tuple of (stage, settings)
        Stages that observe the frame.
    known : mapping of str to FileStamp
        Originals whose hash is known and whose size and time are unchanged.
    facts : FrameFacts or None
        Facts of the frame, if a look before found them.
    pixels : int
        Size of the frame, for the memory that it takes; a guess by its files.
    """

    files: FrameFiles
    source: tuple[str, Any]
    surveys: tuple[tuple[str, Any], ...]
    known: Mapping[str, FileStamp]
    facts: FrameFacts | None = None
    pixels: int = 0


@dataclass(frozen=True, slots=True)
class SurveyResult:
    """What looking at a frame found.

    Attributes
    ----------
    stamps : mapping of str to FileStamp
        Size, time and hash of the originals.
    facts : FrameFacts
        Of the frame.
    seen : mapping of str to str
        By stage, its observation, spelled by `panopipe.state.serialization`.
    seconds : mapping of str to float
        Seconds of CPU by stage.
    peak_bytes : int
        Peak resident memory.
    """

    stamps: Mapping[str, FileStamp]
    facts: FrameFacts
    seen: Mapping[str, str]
    seconds: Mapping[str, float]
    peak_bytes: int


@dataclass(frozen=True, slots=True)
class SeenFrame:
    """A frame as a stage saw it: the fingerprint of its source, and the settings that the look was handed.

    By them the ledger holds its facts and the observation.
    """

    source: str
    settings: Any


@dataclass(frozen=True, slots=True)
class SolveTask:
    """Solve for all frames of a job that a stage saw.

    Attributes
    ----------
    folder : str
        The folder that holds the ledger, which is read.
    stage : str
        The stage.
    frames : mapping of FrameKey to SeenFrame
        The frames.
    job : JobFacts
        What the solution may know besides.
    """

    folder: str
    stage: str
    frames: Mapping[FrameKey, SeenFrame]
    job: JobFacts


@dataclass(frozen=True, slots=True)
class SolveResult:
    """What solving gave: a file with the solutions, why some frames could not be read again, CPU, memory."""

    handed_over: str
    unreadable: Mapping[FrameKey, str]
    seconds: Mapping[str, float]
    peak_bytes: int


@dataclass(frozen=True, slots=True)
class NeighbourTask:
    """How to bring rows of another frame: its files, the stages before the one that asks, their solutions."""

    files: FrameFiles
    chain: Chain
    solutions: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Made:
    """Finished files whose picture is right: metadata alone is to be written.

    Attributes
    ----------
    target : str
        The files without their suffix, relative to the job folder.
    files : mapping of str to FileStamp
        By suffix.
    capture : Capture
        How the frame was taken, as the stages left it.
    """

    target: str
    files: Mapping[str, FileStamp]
    capture: Capture


@dataclass(frozen=True, slots=True)
class FinishTask:
    """Finish one frame.

    Attributes
    ----------
    files : FrameFiles
        The frame.
    chain : Chain
        All its stages.
    stamps : mapping of str to FileStamp
        Originals as they were looked at; a file that changed since fails the frame.
    solutions : mapping of str to str
        By stage, as `panopipe.state.serialization` spells them.
    pictures : mapping of str to mapping of str to str
        By stage and setting: pictures inside the job folder.
    rights : Rights
        For the metadata.
    neighbours : mapping of FrameKey to NeighbourTask
        Frames whose rows a stage wants.
    target : str
        Finished files without their suffix, relative to the job folder.
    doing : str
        File in which the worker says what it is at, relative to the job folder; empty for none.
    main_only : bool
        Write the main file only.
    pixels : int
        Size of the frame, for the memory that it takes.
    made : Made or None
        The files as they are, if only their metadata is to be written.
    """

    files: FrameFiles
    chain: Chain
    stamps: Mapping[str, FileStamp]
    solutions: Mapping[str, str]
    pictures: Mapping[str, Mapping[str, str]]
    rights: Rights
    neighbours: Mapping[FrameKey, NeighbourTask]
    target: str
    doing: str = ""
    main_only: bool = False
    pixels: int = 0
    made: Made | None = None


@dataclass(frozen=True, slots=True)
class FinishResult:
    """What finishing a frame gave: its files as written, findings, seconds of CPU, peak memory.

    `capture` is how it was taken, as the stages left it; `relabelled` says that metadata alone was written.
    """

    files: Mapping[str, FileStamp]
    notes: Mapping[str, Mapping[str, float | str]] = field(default_factory=dict)
    review_reasons: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stage_seconds: Mapping[str, float] = field(default_factory=dict)
    peak_bytes: int = 0
    wall_seconds: float = 0.0
    capture: Capture | None = None
    relabelled: bool = False


def read_solutions(spelled: Mapping[str, str]) -> dict[str, Solution]:
    """Solutions by stage from how they were spelled.

    Raises
    ------
    ValueError
        If one is not what was spelled.
    """
    return {stage: loads(text, packages_of(loaded_stage(stage))) for stage, text in spelled.items()}
