"""Doubts that somebody looked at and accepted, kept with the job in a file that a person can read.

`JOB/accepted.toml` holds one entry for each: what was said, of which frame, and how much. It goes on holding
after a new run as long as the check says the same; where it says something else, or more, the doubt shows
again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from panopipe.files.regular import open_regular
from panopipe.files.toml import TomlError, parse_toml
from panopipe.frame import FrameKey
from panopipe.job.names import composed
from panopipe.review.finding import Finding, FrameReview, JobReview

ACCEPTED = "accepted.toml"
NEVER = frozenset({"file", "unread", "accepted"})
"""Checks whose findings nobody can accept: there is no picture to look at, or no list of them."""

_MOST_BYTES = 1 << 23
_WORSE = 0.1
"""How much further beyond its bar a value may lie and still be what was seen, as a share of it: about what a
light change of settings moves it by (common practice, no source)."""
_SAME_PLACE_DEG = 5.0
"""How far what was found may have moved and still be the same thing (common practice, no source)."""
_NUMBER = re.compile(r"(?<![\w/.-])[+-]?\d+(?:\.\d+)?(?![\w/-])")
"""A number that stands alone; digits in the name of a frame are part of the name."""


@dataclass(frozen=True, slots=True)
class Acceptance:
    """One doubt that was accepted.

    Attributes
    ----------
    frame : str
        Room and name, as ROOM/FRAME; empty for a finding on the job as a whole.
    check : str
        Short name of the check.
    sentence : str
        What it said.
    value : float or None
        What it measured, if anything.
    look : tuple of float or None
        Yaw and pitch in degrees where it lay, if in one place.
    """

    frame: str
    check: str
    sentence: str
    value: float | None = None
    look: tuple[float, float] | None = None

    def covers(self, frame: str, finding: Finding) -> bool:
        """Whether a finding is the one that was accepted: the same words, no more of it, the same place."""
        return (
            self.is_of(frame, finding)
            and not _is_worse(finding, self.value)
            and _is_near(finding.look, self.look)
        )

    def is_of(self, frame: str, finding: Finding) -> bool:
        """Whether it speaks of the same thing, if perhaps of more or less of it."""
        same = composed(self.frame) == composed(frame) and self.check == finding.check
        return same and _words(self.sentence) == _words(finding.sentence)


def read_accepted(folder: Path) -> tuple[Acceptance, ...]:
    """What was accepted in a job; nothing if there is no such file.

    Raises
    ------
    TomlError
        If the file is no TOML, or holds something else; the message says where.
    OSError
        If it cannot be read.
    """
    path = folder / ACCEPTED
    if not path.exists() and not path.is_symlink():
        return ()
    if path.is_symlink():
        raise TomlError(0, "is a link; put the file itself there")
    with open_regular(path) as file:
        data = file.read(_MOST_BYTES + 1)
    if len(data) > _MOST_BYTES:
        raise TomlError(0, f"is larger than {_MOST_BYTES >> 20} MiB; no job has so many doubts")
    values = parse_toml(data).values
    entries = values.get("doubt", [])
    if not isinstance(entries, list) or not all(isinstance(entry, Mapping) for entry in entries):
        raise TomlError(0, "holds doubts as [[doubt]], each with frame, check and sentence")
    return tuple(_acceptance(entry) for entry in entries)


def with_accepted(review: JobReview, accepted: Iterable[Acceptance]) -> JobReview:
    """The same review, with what was accepted marked."""
    by_place: dict[tuple[str, str], list[Acceptance]] = {}
    for one in accepted:
        by_place.setdefault((composed(one.frame), one.check), []).append(one)

    def marked(frame: str, findings: Sequence[Finding]) -> tuple[Finding, ...]:
        return tuple(_marked(by_place.get((composed(frame), f.check), ()), frame, f) for f in findings)

    frames = tuple(replace(frame, findings=marked(str(frame.key), frame.findings)) for frame in review.frames)
    return replace(review, frames=frames, findings=marked("", review.findings))


def acceptable(review: JobReview, frame: FrameKey | None) -> tuple[Finding, ...]:
    """What a person can accept of a frame, or of the job as a whole: doubts, those accepted already, too."""
    findings = review.findings if frame is None else _frame_of(review, frame).findings
    return tuple(finding for finding in findings if finding.crossed and finding.check not in NEVER)


def _frame_of(review: JobReview, key: FrameKey) -> FrameReview:
    return next(frame for frame in review.frames if frame.key == key)


def _marked(accepted: Iterable[Acceptance], frame: str, finding: Finding) -> Finding:
    can_be = finding.crossed and finding.check not in NEVER
    if can_be and any(one.covers(frame, finding) for one in accepted):
        return replace(finding, accepted=True)
    return finding


def _is_worse(now: Finding, seen: float | None) -> bool:
    """Whether a value lies further beyond its bar than what was seen did."""
    if now.value is None or seen is None:
        return now.value is not seen
    bar = now.bar or 0.0
    return abs(now.value - bar) > abs(seen - bar) + _WORSE * abs(seen)


def _is_near(now: tuple[float, float] | None, seen: tuple[float, float] | None) -> bool:
    """Whether two directions, given as yaw and pitch in degrees, are about the same."""
    if now is None or seen is None:
        return now is seen
    (yaw, pitch), (yaw_seen, pitch_seen) = np.radians(now), np.radians(seen)
    across = np.cos(pitch) * np.cos(pitch_seen) * np.cos(yaw - yaw_seen)
    return bool(np.sin(pitch) * np.sin(pitch_seen) + across >= np.cos(np.radians(_SAME_PLACE_DEG)))


def _words(sentence: str) -> str:
    return " ".join(_NUMBER.sub("#", sentence).split())


def _acceptance(entry: Mapping[str, Any]) -> Acceptance:
    frame, check, sentence = (entry.get(name, "") for name in ("frame", "check", "sentence"))
    value, look = entry.get("value"), entry.get("look")
    texts = all(isinstance(text, str) for text in (frame, check, sentence)) and check
    places = look is None or (isinstance(look, list) and len(look) == 2 and all(map(_is_number, look)))
    if not texts or not places or not (value is None or _is_number(value)):
        raise TomlError(
            0,
            f"the doubt of {frame or 'the job'} needs check and sentence as text, value and look as numbers",
        )
    return Acceptance(
        frame,
        check,
        sentence,
        None if value is None else float(value),
        (float(look[0]), float(look[1])) if look else None,
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
