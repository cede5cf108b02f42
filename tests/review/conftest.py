"""A job with frames of every state, its page, and a browser to open it in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from panopipe.frame import FrameKey
from panopipe.review.make import ReviewSummary, review_records
from panopipe.run.record import FrameRecord
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


@pytest.fixture(scope="session")
def browser() -> Iterator[Chrome]:
    """A headless Chromium; where none is installed, browser tests are skipped, unless it is required."""
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if binary is None or driver is None:
        say = "chromium and its driver are not installed: python tests/review/install_browser.py"
        if os.environ.get("PANOPIPE_BROWSER") == "required":
            pytest.fail(say)
        pytest.skip(say)
    from tests.review.browser import chromium  # noqa: PLC0415 - needs selenium, which a run without browser does not

    with chromium(binary, driver) as opened:
        yield opened
