"""A browser for the tests that look at pages and pictures as a user's does."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from selenium.webdriver import Chrome


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
