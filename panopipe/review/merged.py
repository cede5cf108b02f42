"""Check of a merged frame: how much of it moved between its exposures, and where."""

from __future__ import annotations

from panopipe.review.case import Case, in_finished, noted, number
from panopipe.review.finding import Finding, excess
from panopipe.review.references import MERGED, MOVED, MOVED_PITCH, MOVED_SHARE, MOVED_YAW

BAR = 1.0
"""Percent of the sphere, as of a curtain two hands wide at two metres (common practice, no source)."""


def moved(case: Case) -> Finding:
    """Whether so much moved that a person should see which moment was chosen."""
    if noted(case.record, MERGED) is None:
        return Finding("moved", "Moved between exposures", sentence="One exposure.")
    share = number(case.record, MOVED_SHARE)
    if share is None:
        return Finding("moved", "Moved between exposures", 0.0, BAR, "%", sentence="Nothing moved.")
    look = (
        in_finished(case.record, number(case.record, MOVED_YAW) or 0.0),
        number(case.record, MOVED_PITCH) or 0.0,
    )
    where = noted(case.record, MOVED)
    sentence = f"Something moved between the exposures; those of one moment are used there: {where}."
    if share < BAR:
        return Finding("moved", "Moved between exposures", share, BAR, "%", sentence=sentence, look=look)
    return Finding(
        "moved", "Moved between exposures", share, BAR, "%", True, sentence,
        "The sphere opens there. If its border shows, keep the files apart (separate, in job.toml).",
        (), excess(share, BAR), look,
    )  # fmt: skip
