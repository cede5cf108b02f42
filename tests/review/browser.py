"""A headless Chromium that opens pages from disk, and what its log says."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from selenium.webdriver import Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service

FLAGS = (
    "--headless=new",
    "--no-sandbox",  # tests run as root in a container
    "--use-angle=swiftshader",  # WebGL without a graphics card
    "--enable-unsafe-swiftshader",
    "--force-color-profile=srgb",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)


@contextmanager
def chromium(binary: str, driver: str, *, width: int = 1440, height: int = 900) -> Iterator[Chrome]:
    """Open a browser with a profile of its own; it and the profile are gone afterwards."""
    options = ChromeOptions()
    options.binary_location = binary
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    with TemporaryDirectory(prefix="chromium-", ignore_cleanup_errors=True) as profile:
        for flag in (*FLAGS, f"--window-size={width},{height}", f"--user-data-dir={profile}"):
            options.add_argument(flag)
        browser = Chrome(options=options, service=Service(driver))
        try:
            yield browser
        finally:
            browser.quit()


def open_page(browser: Chrome, page: Path, fragment: str = "") -> None:
    """Open a page from disk and wait until it says that it is ready."""
    browser.get("about:blank")
    browser.get(page.resolve().as_uri() + fragment)
    browser.execute_async_script(
        "const done = arguments[0];"
        "(function look() { document.documentElement.dataset.ready ? done() : setTimeout(look, 20); })();"
    )


def requests(browser: Chrome) -> list[str]:
    """Addresses that the page asked for since the last call."""
    found = []
    for entry in browser.get_log("performance"):
        message: dict[str, Any] = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            found.append(message["params"]["request"]["url"])
    return found
