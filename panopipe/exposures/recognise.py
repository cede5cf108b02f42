"""Which files of a room show one place: facts of their capture name candidates, their pictures decide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from panopipe.capture import Capture
from panopipe.errors import one_line
from panopipe.exposures.opening import LIKELY_NOISE, exposure_value, reduced_share
from panopipe.files.capture_time import capture_of
from panopipe.files.picture import open_picture
from panopipe.files.recorded import CameraColour
from panopipe.studies.bracket.grouping import Found, grouped
from panopipe.studies.bracket.register import Look, register
from panopipe.studies.bracket.series import Shot, chains

_WIDTH = 512
_WALLS = (1 / 3, 2 / 3)
"""Shares of the height between which is looked: 30 degrees to both sides of the horizon hold near and far,
and a third of the file is decoded."""


def told_of(file: Path) -> Capture:
    """Facts of a file's capture; none if it does not say or cannot be read."""
    try:
        return capture_of(file)
    except OSError:
        return Capture()


def candidates(files: Sequence[Path], capture: Callable[[Path], Capture] = told_of) -> list[tuple[int, ...]]:
    """Runs of files that may be exposures of one place, by their facts; in the order they were taken.

    Nothing but headers is read, by `capture`. A file that does not tell is left alone.
    """
    return [tuple(run) for run in chains([_shot(file, capture) for file in files])]


def _shot(file: Path, capture: Callable[[Path], Capture]) -> Shot:
    is_raw = file.suffix.lower() == ".dng"  # finished colours stay apart
    facts = capture(file) if is_raw else Capture()
    return Shot(file.stem, facts, exposure_value(facts))


def recognise(files: Sequence[Path]) -> tuple[list[Found], list[str]]:
    """Decide by their pictures which of the files of one run are exposures of one place.

    Parameters
    ----------
    files : sequence of Path
        A run of `candidates`, in its order.

    Returns
    -------
    list of Found
        Groups of two or more.
    list of str
        A line for each file that facts put into a group and its picture does not.
    """
    shots = [_shot(file, told_of) for file in files]
    looks = [_look(file) for file in files]
    return grouped(shots, looks, lambda one, other: register(one, other, finest=_WIDTH))


def _look(file: Path) -> Look | str:
    """A small picture of a file, or why there is none."""
    try:
        recorded = open_picture(file, streamed=True)
    except (ValueError, OSError) as error:
        return one_line(error)
    try:
        if not isinstance(recorded.colour, CameraColour):
            return ""
        noise = recorded.noise_profile if recorded.noise_profile is not None else LIKELY_NOISE
        share = reduced_share(recorded, np.ones(3), 0, _WIDTH, _WALLS)
        return Look(share, noise / max(recorded.samples.width / share.shape[1], 1) ** 2)
    except (ValueError, OSError) as error:
        return one_line(error)
    finally:
        recorded.samples.close()
