"""Doubts of a finished frame, ticked off on the page in a real browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from axe_core_python.selenium import Axe
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from panopipe.job import open_job
from panopipe.pool.dispatch import Inline
from panopipe.recipe import load_recipe
from panopipe.review.make import make_review
from panopipe.review.tick import tick
from panopipe.run.job_run import run_job
from panopipe.run.session import Options
from panopipe.state.lock import JobLock
from panopipe.tune.server import Server
from panopipe.tune.session import Session
from tests.tune.conftest import RECIPE, write_job
from tests.tune.test_page import Sitting, leave, press, show, wait

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

pytestmark = pytest.mark.browser


def finished_job(folder: Path) -> Path:
    """A job whose frames are finished and reviewed; the seam of each is doubted, and the study's zenith."""
    # What is rebuilt of so small a floor is doubted or not by a hair, and no matter here.
    write_job(folder, ("hall/hall-01", "hall/hall-02", "study/study-01"), RECIPE + "\n[nadir]\nuse = false\n")
    run_job(open_job(folder), load_recipe(open_job(folder)), Options(executor=lambda *_: Inline()))
    make_review(folder)
    return folder


@pytest.fixture
def finished(browser: Chrome, plugin: None, tmp_path: Path) -> Iterator[Sitting]:
    """A sitting on a finished job, its page open on the study."""
    folder = finished_job(tmp_path / "fenhollow")
    session = Session(folder, "study/study-01", Options(executor=lambda *_: Inline()))
    session.look()
    server = Server(session)
    server.serve_beside()
    sitting = Sitting(folder, server)
    show(browser, sitting)
    wait(browser, "return document.querySelectorAll('#finished-doubts li').length === 2")
    yield sitting
    leave(browser)
    server.close()


def ticked(page: Chrome, check: str) -> Any:
    return page.find_element(By.CSS_SELECTOR, f"#finished-doubts [data-check='{check}']")


def wait_for_tick(page: Chrome, check: str, is_on: bool) -> None:
    script = """const box = document.querySelector(`#finished-doubts [data-check="${arguments[0]}"]`);
        return box && !box.disabled && box.checked === arguments[1]
            && box.closest("li").classList.contains("accepted") === arguments[1]"""
    wait(page, script, check, is_on)


def test_a_doubt_ticked_off_is_letter_by_letter_what_accept_writes(
    browser: Chrome, finished: Sitting, tmp_path: Path
) -> None:
    """File, page and results are those of `panopipe accept`."""
    other = shutil.copytree(finished.folder, tmp_path / "by-command" / "fenhollow")
    ticked(browser, "seam").click()
    wait_for_tick(browser, "seam", is_on=True)
    wait_for_tick(browser, "zenith", is_on=False)
    tick(other, "study/study-01", ["seam"], accepted=True)
    for file in ("accepted.toml", "review/results.json", "review/index.html"):
        assert (finished.folder / file).read_bytes() == (other / file).read_bytes()
    assert ticked(browser, "seam") == browser.switch_to.active_element
    assert browser.get_log("browser") == []


def test_a_tick_is_undone_and_done_again(browser: Chrome, finished: Sitting) -> None:
    ticked(browser, "seam").click()
    wait_for_tick(browser, "seam", is_on=True)
    said = finished.says("accepted.toml")
    press(browser, "undo")
    wait_for_tick(browser, "seam", is_on=False)
    assert "seam" not in finished.says("accepted.toml")
    press(browser, "redo")
    wait_for_tick(browser, "seam", is_on=True)
    assert finished.says("accepted.toml") == said
    ticked(browser, "seam").send_keys(Keys.SPACE)
    wait_for_tick(browser, "seam", is_on=False)
    assert "seam" not in finished.says("accepted.toml")


def test_each_frame_shows_its_own_doubts_and_where_they_lie(browser: Chrome, finished: Sitting) -> None:
    item = ticked(browser, "zenith").find_element(By.XPATH, "./ancestor::li")
    assert "straight up" in item.text
    item.find_element(By.TAG_NAME, "button").click()
    assert browser.execute_script("return panopipe.sphere.view.pitch") == 90
    Select(browser.find_element(By.ID, "frames")).select_by_visible_text("hall/hall-01")
    wait(browser, "return document.querySelectorAll('#finished-doubts li').length === 1")
    ticked(browser, "seam").click()
    wait_for_tick(browser, "seam", is_on=True)
    assert "hall/hall-01" in finished.says("accepted.toml")
    assert "study" not in finished.says("accepted.toml")


def test_a_tick_during_a_run_writes_nothing_and_says_why(browser: Chrome, finished: Sitting) -> None:
    with JobLock(finished.folder):
        ticked(browser, "seam").click()
        wait_for_tick(browser, "seam", is_on=False)
        assert "a run works on this job" in wait(
            browser, "const n = document.getElementById('notice'); return !n.hidden && n.textContent"
        )
    assert not (finished.folder / "accepted.toml").exists()


def test_an_accessibility_checker_finds_nothing_in_doubts(browser: Chrome, finished: Sitting) -> None:
    found = Axe().run(browser)["violations"]
    assert [(one["id"], [node["html"][:120] for node in one["nodes"]][:3]) for one in found] == []
