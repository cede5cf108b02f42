"""The page of the proofs, opened from disk."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from selenium.webdriver.common.by import By

from panopipe.job import open_job
from panopipe.review.proof_page import write_proof_page
from tests.review.browser import open_page, requests

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

HOSTILE = "<img src=x onerror=document.title='broken'>'\"&"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    for name in ("hall/h1", "hall/h2", f"lounge/{HOSTILE}"):
        for folder in ("originals", "proofs", *(["proofs/before"] if "h1" in name else [])):
            path = tmp_path / folder / f"{name}.{'dng' if folder == 'originals' else 'jpg'}"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(cv2.imencode(".jpg", np.full((64, 128, 3), 90, np.uint8))[1].tobytes())
    (tmp_path / "proofs/hall/h2.jpg").unlink()
    return tmp_path


@pytest.mark.browser
def test_by_room_the_proof_before_stands_beside_the_new_one(browser: Chrome, job: Path) -> None:
    page = job / write_proof_page(open_job(job))
    requests(browser)
    browser.get_log("browser")
    open_page(browser, page)
    assert [head.text for head in browser.find_elements(By.TAG_NAME, "h2")] == ["hall", "lounge"]
    assert [head.text for head in browser.find_elements(By.TAG_NAME, "h3")] == ["h1", HOSTILE]
    browser.execute_script("document.querySelectorAll('img').forEach((one) => { one.loading = 'eager'; })")
    shown = browser.execute_async_script(
        "const done = arguments[0], all = [...document.images];"
        "Promise.all(all.map((one) => one.decode())).then(() => done(all.map((one) => one.naturalWidth)));"
    )
    assert shown == [128, 128, 128]
    assert browser.title == "Job: proofs"
    assert browser.get_log("browser") == []
    assert not [address for address in requests(browser) if address.startswith("http")]
