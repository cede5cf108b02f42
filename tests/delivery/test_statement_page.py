"""The statement in a real browser, opened from disk."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from panopipe.delivery.make import deliver
from panopipe.delivery.plan import Options
from panopipe.state.run_log import SilentReporter
from tests.delivery.jobs import finished_job
from tests.review.browser import requests

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def statement(tmp_path_factory: pytest.TempPathFactory) -> Path:
    job = finished_job(
        tmp_path_factory.mktemp("job"), (("hall", "h" * 90), ("lounge", "l1"), ("lounge", "l2"))
    )
    return deliver(job, Options(), SilentReporter()).path / "statement.html"


@pytest.fixture
def page(browser: Chrome, statement: Path) -> Chrome:
    requests(browser)
    browser.get_log("browser")
    browser.get(statement.resolve().as_uri())
    return browser


def test_it_opens_without_a_word_in_the_console_and_asks_for_nothing(page: Chrome) -> None:
    shown = page.execute_script("return [...document.images].map((one) => one.naturalWidth)")
    assert shown == [480, 480, 480]
    asked = [
        address
        for address in requests(page)
        if not address.startswith(("file:", "data:", "about:", "chrome:"))
    ]
    assert asked == []
    assert page.get_log("browser") == []


def test_the_accessibility_checker_finds_nothing(page: Chrome) -> None:
    # The page lets no script in; the checker goes in by the browser's own way for tools.
    page.execute_script((files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8"))
    found = page.execute_async_script("axe.run().then((one) => arguments[0](one.violations))")
    assert [(one["id"], one["nodes"][0]["html"][:120]) for one in found] == []


@pytest.mark.parametrize("width", [320, 390, 1440])
def test_nothing_is_wider_than_the_screen(page: Chrome, width: int) -> None:
    size = {"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 500}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        assert page.execute_script("return document.documentElement.scrollWidth") <= width
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_it_prints_on_paper_and_no_picture_is_cut_between_pages(page: Chrome) -> None:
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        rows, head, wide = page.execute_script(
            "const of = (one) => getComputedStyle(one);"
            "return [[...document.querySelectorAll('tbody tr')].map((one) => of(one).breakInside),"
            "of(document.querySelector('thead')).display, document.documentElement.scrollWidth <= innerWidth]"
        )
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert (set(rows), head, wide) == ({"avoid"}, "table-header-group", True)
