"""A job with frames of every state, and its page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from panopipe.frame import FrameKey
from panopipe.review.make import ReviewSummary, review_records
from panopipe.state.record import FrameRecord
from tests.review.pictures import finished, room

HOSTILE_ROOM = "</script><b>bold</b>&\"'"
HOSTILE_NAME = "<img src=x onerror=document.title='broken'> $(rm) `x` " + "long " * 40
HOSTILE_NOTE = "<svg onload=document.title='broken'>"


@dataclass(frozen=True)
class Made:
    """A job folder, its records and its review."""

    job: Path
    records: list[FrameRecord]
    summary: ReviewSummary


def white(n: int) -> dict[str, float | str]:
    return {
        "white_before_x": 0.38 + 0.01 * n,
        "white_before_y": 0.385,
        "white_after_x": 0.314,
        "white_after_y": 0.331,
    }


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Six finished frames (one leans, one has hostile names), one that failed, one that waits."""
    job = tmp_path_factory.mktemp("fenhollow job")
    plain = [("kitchen", f"kitchen-0{n}") for n in (1, 2, 3)] + [
        ("lounge", "lounge-01"),
        ("lounge", "lounge-02"),
        ("attic", "x"),
    ]
    records = [
        finished(job, place, name, room(768, seed=n, lean_deg=2.0 * (n == 4)), notes={"balance": white(n)})
        for n, (place, name) in enumerate(plain)
    ]
    hostile = {"balance": white(5) | {"set_by_hand": HOSTILE_NOTE}}
    records[5] = replace(
        records[5], key=FrameKey(HOSTILE_ROOM, HOSTILE_NAME), taken=HOSTILE_NOTE, notes=hostile
    )
    records.append(
        FrameRecord(
            FrameKey("lounge", "lounge-03"), "failed", error="lounge/lounge-03.dng: cut short; copy it again"
        )
    )
    records.append(FrameRecord(FrameKey("terrace", "terrace-01"), "waiting"))
    return Made(job, records, review_records(job, records, title="Fenhollow"))
