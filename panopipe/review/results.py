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
        "findings": [_finding(one, job) for one in review.findings],
        "frames": [_frame(one, job) for one in review.frames],
    }


def _frame(one: FrameReview, job: str) -> dict[str, Any]:
    return {
        "room": one.key.room,
        "name": one.key.name,
        "state": one.state,
        "doubt": round(one.doubt, 3),
        "outputs": list(one.record.outputs),
        "error": one.record.error,
        "findings": [_finding(item, job) for item in one.findings],
    }


def _finding(one: Finding, job: str) -> dict[str, Any]:
    return {
        "check": one.check,
        "value": rounded(one.value),
        "bar": rounded(one.bar),
        "unit": one.unit,
        "crossed": one.crossed,
        "sentence": one.sentence,
        "remedy": one.remedy,
        "command": quoted(one.command, job) if one.command else "",
    }


def rounded(value: float | None) -> float | None:
    """Four significant digits; None for what JSON cannot hold."""
    return float(f"{value:.4g}") if value is not None and math.isfinite(value) else None
