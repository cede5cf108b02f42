"""A job with frames of every state, and its page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from panopipe.frame import FrameKey
from panopipe.review.make import ReviewSummary, review_records
from panopipe.stage import Sightline, Stand
from panopipe.state.record import FrameRecord
from panopipe.state.stands import keep_stands
from tests.review.pictures import finished, room

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

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


def stands() -> dict[FrameKey, Stand]:
    """Three frames of the kitchen and one of the lounge in one plan, a weak link, a frame without a place."""
    one, two, three = (FrameKey("kitchen", f"kitchen-0{n}") for n in (1, 2, 3))
    lounge, lost = FrameKey("lounge", "lounge-01"), FrameKey("lounge", "lounge-02")
    return {
        one: Stand(
            0, 0, 0, 0, False, (Sightline(two, 90, 2, 0.99), Sightline(three, 0, 2, 0.9)), "", "room-1"
        ),
        two: Stand(0, 2, 0, 30, False, (Sightline(one, -120, 2, 0.99),), "", "room-1"),
        three: Stand(
            0, 0, 2, 0, False, (Sightline(one, 180, 2, 0.9), Sightline(lounge, 90, 3, 0.4)), "", "room-1"
        ),
        lounge: Stand(
            0, 3, 2, 270, False, (Sightline(three, 0, 3, 0.4),), "The link to it is weak.", "room-2"
        ),
        lost: Stand(doubt="Where it stood could not be told.", room="room-3"),
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
    keep_stands(job, stands())
    return Made(job, records, review_records(job, records, title="Fenhollow"))


@pytest.fixture
def page(browser: Chrome, made: Made) -> Chrome:
    """The page of the made job, opened; what was asked for and logged before is forgotten."""
    from tests.review.browser import open_page, requests  # noqa: PLC0415 - needs selenium

    requests(browser)
    browser.get_log("browser")
    open_page(browser, made.summary.page)
    return browser
