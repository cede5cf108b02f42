"""Which file of each frame is delivered: one of the widths that were exported, or what is small enough."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from panopipe.errors import Fault, JobError
from panopipe.files.below import open_below
from panopipe.files.reduced import jpeg_size
from panopipe.frame import FrameKey
from panopipe.review.references import WIDTHS
from panopipe.state.file_stamp import FileStamp, hashed
from panopipe.state.ledger import Entry
from panopipe.state.record import FrameRecord

BYTES_A_MB = 1_000_000
"""A megabyte as SI has it; where somebody means 1,048,576, a file of this size fits as well."""
_HEAD_BYTES = 1 << 18


@dataclass(frozen=True, slots=True)
class Export:
    """One finished file of a frame.

    Attributes
    ----------
    path : str
        Relative to the job folder.
    asked_px : int
        Width that the recipe asked for; 0 for the full width.
    width, height : int
        Its size in pixels: a frame is never enlarged.
    stamp : FileStamp
        The file as it is now.
    by_hand : bool
        Whether it was changed after panopipe wrote it.
    """

    path: str
    asked_px: int
    width: int
    height: int
    stamp: FileStamp
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Chosen:
    """The file of a frame that is delivered; `most_bytes` is set where it has to be coded again for that."""

    record: FrameRecord
    export: Export
    most_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """What is delivered, in walking order, and what a person should know of the choice."""

    chosen: tuple[Chosen, ...]
    remarks: tuple[str, ...] = ()


def exports_of(folder: Path, entry: Entry) -> tuple[Export, ...]:
    """Finished files of a frame as they are now.

    Raises
    ------
    OSError
        If one is gone or cannot be read.
    ValueError
        If one is no JPEG any longer.
    """
    widths = entry.record.settings.get(WIDTHS.stage, {}).get(WIDTHS.key)
    asked = tuple(widths.value) if widths and isinstance(widths.value, list | tuple) else ()
    exports = []
    for place, path in enumerate(entry.record.outputs):
        known, file = entry.files.get(path), folder / path
        with opened_finished(folder, path) as opened:
            width, height = jpeg_size(opened.read(_HEAD_BYTES))
        stamp = known if known and known.same_stat(file) else hashed(file)
        by_hand = known is not None and known.sha256 != stamp.sha256
        exports.append(Export(path, asked[place] if place < len(asked) else 0, width, height, stamp, by_hand))
    return tuple(exports)


def opened_finished(folder: Path, path: str) -> BinaryIO:
    """A finished file for reading; a link is not followed: a job may come from a stranger.

    Raises
    ------
    OSError, ValueError
        If it cannot be opened, or leads elsewhere.
    """
    return os.fdopen(open_below(folder, path, os.O_RDONLY), "rb")


def choose(
    frames: Sequence[tuple[FrameRecord, tuple[Export, ...]]], width: int | None, most_mb: float | None
) -> Choice:
    """Choose the file of each frame.

    Without a size: the main file, or that of the width asked for. With a size: the widest exported width of
    which every file is small enough, since a second coding is a second loss; only where there is none, or
    where the width is given, too, those that are too large are coded again.

    Raises
    ------
    JobError
        If a frame has no file of the width asked for; all such frames are told.
    """
    if width is not None:
        return _small_enough(_of_width(frames, width), most_mb)
    main = tuple(Chosen(record, exports[0]) for record, exports in frames)
    if most_mb is None or not _too_large(main, most_mb):
        return Choice(main)
    for asked in _widths_of_all(frames):
        chosen = _of_width(frames, asked)
        if not _too_large(chosen, most_mb):
            of_main = _some(_too_large(main, most_mb))
            said = (
                f"{of_main}: larger than {most_mb:g} MB, so all are delivered {_px(asked)} wide; "
                "name the width, too, to have the large ones compressed again instead"
            )
            return Choice(chosen, (said,))
    return _small_enough(main, most_mb)


def _small_enough(chosen: tuple[Chosen, ...], most_mb: float | None) -> Choice:
    large = _too_large(chosen, most_mb) if most_mb is not None else ()
    if most_mb is None or not large:
        return Choice(chosen)
    most = int(most_mb * BYTES_A_MB)
    said = f"{_some(large)}: larger than {most_mb:g} MB, so compressed a second time; an export is better"
    again = (Chosen(one.record, one.export, most if one.record.key in large else None) for one in chosen)
    return Choice(tuple(again), (said,))


def _too_large(chosen: Sequence[Chosen], most_mb: float) -> tuple[FrameKey, ...]:
    return tuple(one.record.key for one in chosen if one.export.stamp.size > most_mb * BYTES_A_MB)


def _of_width(frames: Sequence[tuple[FrameRecord, tuple[Export, ...]]], width: int) -> tuple[Chosen, ...]:
    chosen, faults = [], []
    for record, exports in frames:
        fitting = [one for one in exports if width in (one.asked_px, one.width)]
        if fitting:
            chosen.append(Chosen(record, fitting[0]))
        else:
            there = ", ".join(f"{one.width}" for one in exports)
            faults.append(Fault(str(record.key), 0, f"no file {width} px wide was exported (there: {there})"))
    if faults:
        help_ = Fault("export.widths", 0, f"add {width}, then run the job; nothing else is made again")
        raise JobError([*faults, help_])
    return tuple(chosen)


def _widths_of_all(frames: Sequence[tuple[FrameRecord, tuple[Export, ...]]]) -> list[int]:
    """Widths that every frame was exported at, the widest first."""
    common: Mapping[int, int] = {one.asked_px: one.width for one in frames[0][1]}
    shared: Collection[int] = set(common).intersection(*({e.asked_px for e in x} for _, x in frames))
    return sorted(shared, key=lambda asked: -common[asked])


def _px(width: int) -> str:
    return f"{width} px" if width else "as taken"


def _some(keys: Sequence[FrameKey]) -> str:
    return f"{keys[0]}" if len(keys) == 1 else f"{keys[0]} and {len(keys) - 1} more"
