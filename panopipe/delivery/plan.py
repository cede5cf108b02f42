"""The plan of a delivery: which pictures, under which names, and a digest of all that it is made of."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from panopipe import __version__
from panopipe.delivery.checksums import SUMS
from panopipe.delivery.choice import Choice, Chosen, choose, exports_of
from panopipe.delivery.order import walking_order
from panopipe.delivery.readiness import why_missing
from panopipe.delivery.stands import stand_papers
from panopipe.delivery.statement import NAME as STATEMENT
from panopipe.errors import Fault, JobError, one_line
from panopipe.frame import FrameKey
from panopipe.job import REVIEW, Job
from panopipe.job.delivery_facts import DeliveryFacts
from panopipe.job.file_names import DEFAULT_PATTERN, filled, name_faults
from panopipe.review import assets
from panopipe.review.finding import FrameReview, JobReview
from panopipe.state.ledger import Entry
from panopipe.state.serialization import digest

SHEET = "contact-sheet.jpg"
_VERSION = 1
"""Raised when a delivery of the same pictures is made otherwise."""


@dataclass(frozen=True, slots=True)
class Options:
    """What is wanted.

    Attributes
    ----------
    goal : Path or None
        A folder, or a zip by its ending; the job's own folder for deliveries if None.
    names : str
        Pattern for the names of the pictures; what the job file says if empty.
    width : int or None
        One of the exported widths; the main one if None.
    most_mb : float or None
        Largest picture, in megabytes.
    anyway : bool
        Deliver what there is, whatever is missing or in doubt.
    with_position : bool
        Whether pictures may tell where the place lies.
    """

    goal: Path | None = None
    names: str = ""
    width: int | None = None
    most_mb: float | None = None
    anyway: bool = False
    with_position: bool = False

    def settled(self, facts: DeliveryFacts) -> Options:
        """The same, with what the job file says where nothing else is wanted."""
        return replace(
            self,
            names=self.names or facts.names or DEFAULT_PATTERN,
            width=self.width or facts.width,
            most_mb=self.most_mb or facts.under_mb,
        )


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture of the delivery: what was chosen of a frame, and its name there."""

    name: str
    chosen: Chosen
    review: FrameReview
    with_position: bool = False

    @property
    def made_of(self) -> str:
        """Digest of what its bytes depend on, and what was looked for in them."""
        return digest(self.chosen.export.stamp.sha256, self.chosen.most_bytes, self.with_position)


@dataclass(frozen=True, slots=True)
class Plan:
    """All that a delivery is made of."""

    job: Job
    options: Options
    review: JobReview
    pictures: Sequence[Picture]
    missing: Sequence[tuple[FrameKey, str]]
    remarks: Sequence[str]
    extras: Mapping[str, bytes]

    def fingerprint(self) -> str:
        """Digest of it; the same delivery has the same."""
        thumbnails = [_thumbnail_stat(self.job, one.review.key) for one in self.pictures]
        said = [
            (one.name, one.made_of, one.chosen.export.by_hand, one.review.record, one.review.findings)
            for one in self.pictures
        ]
        extras = {name: hashlib.sha256(data).hexdigest() for name, data in self.extras.items()}
        groups = [(group.kind, group.files, bool(group.doubt)) for group in self.job.groups]
        options = (self.options.with_position, self.review.title, self.job.rights, groups)
        return digest(_VERSION, __version__, options, repr(said), self.missing, thumbnails, extras)


def planned(
    job: Job,
    options: Options,
    review: JobReview,
    entries: Mapping[FrameKey, Entry],
) -> Plan:
    """Choose and name the pictures of a delivery.

    Raises
    ------
    ValueError
        If nothing is finished, a width was not exported, or a name cannot be (`JobError` with every fault).
    """
    missing, frames = [], []
    by_key = {frame.key: frame for frame in review.frames}
    for record in walking_order([frame.record for frame in review.frames]):
        why = why_missing(by_key[record.key], entries)
        try:
            if not why:
                frames.append((record, exports_of(job.folder, replace(entries[record.key], record=record))))
        except (OSError, ValueError) as error:
            why = f"its finished file cannot be read ({one_line(error)})"
        if why:
            missing.append((record.key, why))
    if not frames:
        raise ValueError(f"{job.folder.name}: no frame is finished; panopipe run finishes them")
    choice = choose(frames, options.width, options.most_mb)
    pictures = _named(choice, by_key, options)
    papers = stand_papers(job.folder, review.title, [(one.name, one.chosen) for one in pictures])
    return Plan(job, options, review, pictures, missing, choice.remarks, papers)


def _named(choice: Choice, by_key: Mapping[FrameKey, FrameReview], options: Options) -> list[Picture]:
    """The pictures with their names, all of which every system takes.

    Raises
    ------
    JobError
        If one is refused somewhere, or two are one; all are told.
    """
    count, pictures = len(choice.chosen), []
    for number, chosen in enumerate(choice.chosen, 1):
        room, frame = chosen.record.key
        name = filled(options.names, number=number, count=count, room=room, frame=frame) + ".jpg"
        pictures.append(Picture(name, chosen, by_key[chosen.record.key], options.with_position))
    faults = list(name_faults([SUMS, STATEMENT, SHEET, *(one.name for one in pictures)]))
    if faults:
        mend = 'rename the frames, or name the pictures by another pattern, such as --names "{number}"'
        raise JobError([*(Fault("names", 0, fault) for fault in faults), Fault("names", 0, mend)])
    return pictures


def _thumbnail_stat(job: Job, key: FrameKey) -> tuple[int, int]:
    path = assets.names(job.folder / REVIEW, key).thumbnail
    try:
        stat = path.stat()
    except OSError:
        return 0, 0
    return stat.st_size, stat.st_mtime_ns
