"""The review's findings as JSON for scripts."""

from __future__ import annotations

import json
import math
from typing import Any

from panopipe.review.finding import Finding, FrameReview, JobReview
from panopipe.review.words import quoted


def as_json(review: JobReview, *, job: str) -> bytes:
    """All findings as UTF-8 JSON; the same review gives the same bytes."""
    return (json.dumps(plain(review, job=job), ensure_ascii=False, indent=2) + "\n").encode(
        "utf-8", "surrogateescape"
    )


def plain(review: JobReview, *, job: str) -> dict[str, Any]:
    """All findings as plain values: counts, what concerns the job, then frame by frame in walking order."""
    return {
        "title": review.title,
        "counts": {state: review.count(state) for state in ("fine", "look", "failed", "waiting")},
        "findings": [_finding(finding, job) for finding in review.findings],
        "frames": [_frame(frame, job) for frame in review.frames],
    }


def _frame(frame: FrameReview, job: str) -> dict[str, Any]:
    return {
        "room": frame.key.room,
        "name": frame.key.name,
        "state": frame.state,
        "doubt": round(frame.doubt, 3),
        "outputs": list(frame.record.outputs),
        "error": frame.record.error,
        "findings": [_finding(item, job) for item in frame.findings],
    }


def _finding(finding: Finding, job: str) -> dict[str, Any]:
    return fields_of(finding) | {"command": quoted(finding.command, job) if finding.command else ""}


def fields_of(finding: Finding) -> dict[str, Any]:
    """What the page and the results say alike of a finding."""
    return {
        "check": finding.check,
        "value": rounded(finding.value),
        "bar": rounded(finding.bar),
        "unit": finding.unit,
        "crossed": finding.crossed,
        "accepted": finding.accepted,
        "sentence": finding.sentence,
        "remedy": finding.remedy,
    }


def rounded(value: float | None) -> float | None:
    """Four significant digits; None for what JSON cannot hold."""
    return float(f"{value:.4g}") if value is not None and math.isfinite(value) else None
