"""Doubts ticked off, or shown again: the file that keeps it, and the page that says so."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from panopipe.job import open_job
from panopipe.review import accepting
from panopipe.review.accepting import Doubt
from panopipe.review.finding import JobReview
from panopipe.review.make import look_over, make_review
from panopipe.state.ledger import read_records


def review_now(job_folder: Path) -> JobReview:
    """What the review says of a job as it is now; the page is left as it is.

    Raises
    ------
    OSError
        If what was measured cannot be kept.
    ValueError
        If the job's own files are wrong.
    """
    job = open_job(job_folder)
    return look_over(job_folder, read_records(job_folder), title=job.title or job.folder.name, job=job)


def tick(job_folder: Path, where: str, checks: Sequence[str] = (), *, accepted: bool) -> list[Doubt]:
    """Accept doubts, or take that back, and make page and results anew; return the doubts.

    Raises
    ------
    ValueError, OSError
        As `accepting.accept` and `make_review`.
    """
    change = accepting.accept if accepted else accepting.take_back
    doubts = change(open_job(job_folder), review_now(job_folder), where, checks)
    make_review(job_folder)
    return doubts
