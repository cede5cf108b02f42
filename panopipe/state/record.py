"""What a run leaves behind for each frame: data for the review, for scripts and for the next run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from panopipe.capture import Capture
from panopipe.frame import FrameKey

Status = Literal["finished", "failed", "waiting"]


@dataclass(frozen=True, slots=True)
class Effective:
    """One setting as it was in force: its value and the place it came from.

    Attributes
    ----------
    value : object
        Plain value as TOML would hold it.
    origin : str
        "built-in", or the file inside the job folder that set it, with its line (`recipe.toml:12`).
    """

    value: object
    origin: str


@dataclass(frozen=True, slots=True)
class FrameRecord:
    """State of one frame after the last run that touched it.

    Attributes
    ----------
    key : FrameKey
        Room and name.
    status : Status
        "finished", "failed", or "waiting" when no run came to it yet.
    originals : tuple of str
        Its files, relative to the job folder, with `/` between parts.
    set_aside : tuple of str
        Other takes of its stand, likewise: kept, and not finished.
    outputs : tuple of str
        Finished files, relative to the job folder, the main one first.
    before : str
        A JPEG about 2048 wide of the frame as decoded (sRGB, no other stage), relative to the job folder;
        empty if there is none.
    width, height : int
        Full size of the frame in pixels; 0 when it could not be opened.
    settings : mapping of str to mapping of str to Effective
        Effective settings, by stage, then by key.
    order : tuple of str
        Stages that the frame went through, in order.
    notes : mapping of str to mapping of str to float or str
        What each stage found out, by stage, then by name (the unit is in the name).
    review_reasons : mapping of str to tuple of str
        By stage: plain sentences why a person should look at the frame.
    stage_seconds : mapping of str to float
        Seconds of CPU by stage.
    peak_bytes : int
        Peak resident memory of the worker while on this frame.
    taken : str
        Capture time as EXIF writes it, or empty.
    capture : Capture or None
        How the frame was taken, as its stages left it.
    pictures : mapping of str to str
        Finished files whose metadata can be written anew, and the fingerprint of the picture in each.
    error : str
        For a failed frame, the one line that says what, where, what to do.
    """

    key: FrameKey
    status: Status
    originals: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()
    before: str = ""
    width: int = 0
    height: int = 0
    settings: Mapping[str, Mapping[str, Effective]] = field(default_factory=dict)
    order: tuple[str, ...] = ()
    notes: Mapping[str, Mapping[str, float | str]] = field(default_factory=dict)
    review_reasons: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stage_seconds: Mapping[str, float] = field(default_factory=dict)
    peak_bytes: int = 0
    taken: str = ""
    error: str = ""
    set_aside: tuple[str, ...] = ()
    capture: Capture | None = None
    pictures: Mapping[str, str] = field(default_factory=dict)
