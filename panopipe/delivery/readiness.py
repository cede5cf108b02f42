"""What stands in the way of a delivery: frames that failed, were not run, or want a look."""

from __future__ import annotations

from collections.abc import Mapping

from panopipe.frame import FrameKey
from panopipe.job.places import JOB_WORD
from panopipe.review.finding import Finding, FrameReview, JobReview
from panopipe.state.ledger import Entry

_NOT_DELIVERED = "left-over"
"""The check for files in the folder of finished frames that are of none: they go nowhere by themselves."""


def obstacles(
    review: JobReview, entries: Mapping[FrameKey, Entry], stale: Mapping[FrameKey, str]
) -> list[str]:
    """One line for each thing that a person has to see to or accept before pictures go out.

    Parameters
    ----------
    review : JobReview
        What checks say of the frames.
    entries : mapping of FrameKey to Entry
        What the ledger knows of them.
    stale : mapping of FrameKey to str
        Why a run would make finished frames again.
    """
    lines = [f"{JOB_WORD}: {_said(f)}" for f in review.findings if f.is_open and f.check != _NOT_DELIVERED]
    for frame in review.frames:
        missing = why_missing(frame, entries)
        if frame.key in stale and frame.state != "failed":
            lines.append(f"{frame.key}: not as its settings are now ({stale[frame.key]}); run the job")
        lines += [f"{frame.key}: {text}" for text in ([missing] if missing else map(_said, frame.crossed))]
    return lines


def why_missing(frame: FrameReview, entries: Mapping[FrameKey, Entry]) -> str:
    """Why a frame has no finished picture that could be delivered; empty if it has one."""
    if frame.state == "failed":
        return f"failed: {frame.fault}"
    if frame.state == "waiting" or frame.key not in entries:
        return "not run yet"
    if not entries[frame.key].fingerprint:
        return "its run did not come to its end; run the job again"
    return next((f.sentence for f in frame.findings if f.crossed and f.check == "file"), "")


def _said(finding: Finding) -> str:
    return f"{finding.check}: {finding.sentence}"
