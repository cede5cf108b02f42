"""What the review doubts of a frame as it was finished last: ticked off while the frame is looked at."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from panopipe.frame import FrameKey
from panopipe.review.accepted import acceptable
from panopipe.review.finding import Finding, JobReview
from panopipe.review.tick import review_now, tick
from panopipe.state.lock import run_at_work


class Doubts:
    """Doubts of a job's frames.

    Parameters
    ----------
    folder : Path
        The job folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._looking = threading.Lock()

    def of(self, key: FrameKey) -> list[dict[str, Any]]:
        """Doubts of a frame as plain values; none before it was finished, or while a run is at it.

        Raises
        ------
        ValueError, OSError
            If the job's files are wrong, or what was measured cannot be kept.
        """
        if run_at_work(self._folder):
            return []
        with self._looking:
            return _plain(review_now(self._folder), key)

    def tick(self, key: FrameKey, check: str, *, accepted: bool) -> list[dict[str, Any]]:
        """Accept what a check doubts of a frame, or take that back, as the command does; return its doubts.

        Raises
        ------
        ValueError, OSError
            If a run works on the job, there is no such doubt, or it cannot be written.
        """
        if at_work := run_at_work(self._folder):
            raise ValueError(f"a run works on this job ({at_work}); tick doubts off when it has ended")
        with self._looking:
            tick(self._folder, key.exact, [check], accepted=accepted)
            return _plain(review_now(self._folder), key)


def _plain(review: JobReview, key: FrameKey) -> list[dict[str, Any]]:
    if not any(frame.key == key for frame in review.frames):
        return []
    return [_said(finding) for finding in acceptable(review, key)]


def _said(finding: Finding) -> dict[str, Any]:
    return {
        "check": finding.check,
        "title": finding.title,
        "sentence": finding.sentence,
        "accepted": finding.accepted,
        "look": finding.look,
    }
