"""Which files of a room are takes of one stand, and which take is to be finished."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.capture import Capture
from panopipe.colour.spaces import SRGB_FROM_WORKING
from panopipe.colour.transfer import srgb_encode
from panopipe.exposures.recognise import told_of
from panopipe.files.jpeg import preview_jpeg
from panopipe.files.picture import open_picture
from panopipe.frame import FrameFacts, Rows
from panopipe.sphere.rotation import register
from panopipe.studies.sharpness.softness import blur_px
from panopipe.studies.takes.beside import luminance
from panopipe.studies.takes.choose import Choice, choose
from panopipe.studies.takes.stands import linked, profile, stands, strip_rows
from panopipe.studies.takes.take import Fault, Take

WIDTH = 1024
_NARROWEST = 256
"""Columns below which spheres tell too little of where they were taken."""
_PICTURE_WIDTH = 640
_LIT = 0.4
"""Linear light that the pictures' third quartile gets: a room is seen, and its lamps still are lamps."""
_MARK = (255, 176, 0)

Pixels = NDArray[np.uint8]
Look = tuple[Rows, FrameFacts]


@dataclass(frozen=True, slots=True)
class Judged:
    """Takes of one stand and what was found.

    Attributes
    ----------
    members : tuple of int
        Places of the files, in the order of the list.
    choice : Choice
        Which of them, and why.
    pictures : tuple of bytes
        Small JPEGs of them, with what was found outlined.
    """

    members: tuple[int, ...]
    choice: Choice
    pictures: tuple[bytes, ...]


def may_be_takes(files: Sequence[Path], capture: Callable[[Path], Capture]) -> list[tuple[int, ...]]:
    """Runs of files that may hold takes of one stand, by headers alone, which `capture` reads."""
    pairs = linked([capture(file).seconds for file in files])
    first = list(range(len(files)))
    for one, other in pairs:
        kept, gone = sorted((first[one], first[other]))
        first = [kept if run == gone else run for run in first]
    runs = [tuple(place for place, own in enumerate(first) if own == run) for run in dict.fromkeys(first)]
    return [run for run in runs if len(run) > 1]


def takes_among(
    files: Sequence[Path], look: Callable[[Path], Look]
) -> tuple[list[Judged], list[tuple[int, int]]]:
    """Find takes of one stand among files, judge them and choose.

    Parameters
    ----------
    files : sequence of Path
        Files of one room.
    look : callable
        Gives a file's light at `WIDTH`, and its facts; asked only of files that may be takes.

    Returns
    -------
    list of Judged
        One for each stand of two takes or more.
    list of tuple of int
        Pairs of files of which nobody is sure.
    """
    seen = _Seen(files, look)
    times = [told_of(file).seconds for file in files]
    found, unsure = stands(times, [_profile(file) for file in files], seen.agreement)
    return [seen.judged(stand.members) for stand in found], unsure


def judge_takes(files: Sequence[Path], look: Callable[[Path], Look]) -> Judged:
    """Judge files that are takes of one stand because somebody says so.

    Raises
    ------
    ValueError
        If one of them cannot be looked at, or they differ in size.
    OSError
        If one cannot be read.
    """
    return _Seen(files, look).judged(tuple(range(len(files))))


class _Seen:
    """Light of files, looked at once each."""

    def __init__(self, files: Sequence[Path], look: Callable[[Path], Look]) -> None:
        self._files, self._look = files, look
        self._takes: dict[int, Take | None] = {}

    def take(self, place: int) -> Take | None:
        if place not in self._takes:
            try:
                rows, facts = self._look(self._files[place])
            except (ValueError, OSError):
                self._takes[place] = None  # the run says what is wrong with it
            else:
                edges = facts.noise.edge_ratio if facts.noise else 0.0
                blur = blur_px(edges) if edges > 0 else None
                self._takes[place] = Take(rows, facts.clips_at, blur, facts.width, facts.anchor_yaw_deg)
        return self._takes[place]

    def agreement(self, one: int, other: int) -> float:
        first, second = self.take(one), self.take(other)
        if first is None or second is None or first.rows.shape != second.rows.shape:
            return 0.0
        if np.array_equal(first.rows, second.rows):
            return 0.0  # a copy of one file is no take; the page says which frames are the same
        return register(luminance(first.rows), luminance(second.rows)).agreement

    def judged(self, members: tuple[int, ...]) -> Judged:
        takes = [take for take in (self.take(place) for place in members) if take is not None]
        if len(takes) < len(members):
            raise ValueError("not all takes can be looked at")
        choice = choose(takes)
        pictures = tuple(_picture(take, own) for take, own in zip(takes, choice.faults, strict=True))
        return Judged(members, choice, pictures)


def _profile(file: Path) -> NDArray[np.float32] | None:
    """What some strips of a file show; None if it cannot be read or is no sphere."""
    try:
        recorded = open_picture(file, streamed=True)
    except (ValueError, OSError):
        return None
    try:
        samples = recorded.samples
        if samples.width < _NARROWEST:
            return None
        strips = [np.asarray(samples.rows(*rows), np.float32) - np.float32(np.mean(recorded.black))
                  for rows in strip_rows(samples.height)]  # fmt: skip
        return profile(strips)
    except (ValueError, OSError):
        return None
    finally:
        recorded.samples.close()


def _picture(take: Take, faults: Sequence[Fault]) -> bytes:
    """A small picture of a take as its file has it, with what was found outlined."""
    size = (_PICTURE_WIDTH, _PICTURE_WIDTH // 2)
    small = np.asarray(cv2.resize(take.rows, size, interpolation=cv2.INTER_AREA), np.float32)
    small = np.roll(small, round(take.anchor_yaw_deg / 360 * size[0]), axis=1)
    bright = float(np.percentile(luminance(np.ascontiguousarray(small)), 75))
    light = small @ SRGB_FROM_WORKING.T.astype(np.float32) * (_LIT / max(bright, 1e-9))
    codes = np.round(srgb_encode(np.clip(light, 0, 1)) * 255).astype(np.uint8)
    for fault in faults:
        if fault.where is not None:
            mask = cv2.resize(fault.where.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
            outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
            cv2.drawContours(codes, outlines, -1, _MARK, 1)
    return preview_jpeg(codes)
