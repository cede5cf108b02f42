"""What all tests share: a browser that looks at pages and pictures as a user's does, and no hurry."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

settings.register_profile("unhurried", deadline=None)  # a machine with other work to do is no fault
settings.load_profile("unhurried")


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
