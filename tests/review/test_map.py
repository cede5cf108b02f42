"""The map on the page, and the walk from frame to frame, in a real browser opened from disk."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

import numpy as np
import pytest
from selenium.webdriver import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from panopipe.review import assets
from tests.review.browser import open_page, requests
from tests.review.conftest import Made

if TYPE_CHECKING:
    from selenium.webdriver import Chrome
    from selenium.webdriver.remote.webelement import WebElement

pytestmark = pytest.mark.browser


def stand(page: Chrome, made: Made, which: int) -> WebElement:
    short = assets.identity(made.records[which].key)
    return page.find_element(By.CSS_SELECTOR, f"svg.plan [data-frame='{short}']")


def wait_for(page: Chrome, script: str) -> None:
    WebDriverWait(page, 20, poll_frequency=0.05).until(lambda one: one.execute_script(f"return {script}"))


def title(page: Chrome) -> str:
    return page.find_element(By.ID, "frame-title").text


def open_stand(page: Chrome, made: Made, which: int) -> None:
    element = stand(page, made, which)
    page.execute_script("arguments[0].focus()", element)
    ActionChains(page).send_keys(Keys.ENTER).perform()
    wait_for(page, "document.querySelector('.stage[data-ready]') !== null")


def view(page: Chrome) -> dict[str, float]:
    found: dict[str, float] = json.loads(
        page.find_element(By.ID, "sphere").get_attribute("data-view") or "{}"
    )
    return found


def test_the_plan_shows_stands_lines_and_rooms(page: Chrome) -> None:
    assert len(page.find_elements(By.CSS_SELECTOR, "svg.plan .stand")) == 4
    assert len(page.find_elements(By.CSS_SELECTOR, "svg.plan line.sight")) == 3
    assert len(page.find_elements(By.CSS_SELECTOR, "svg.plan line.weak")) == 1
    assert {one.text for one in page.find_elements(By.CSS_SELECTOR, ".room-name")} == {"kitchen", "lounge"}


def test_frames_without_a_place_are_said(page: Chrome) -> None:
    assert [one.text for one in page.find_elements(By.CSS_SELECTOR, ".unplaced button")] == [
        "lounge/lounge-02"
    ]


def test_a_stand_opens_by_click_and_by_keyboard(page: Chrome, made: Made) -> None:
    for keys in (False, True):
        open_page(page, made.summary.page)
        if keys:
            open_stand(page, made, 1)
        else:
            page.execute_script("arguments[0].scrollIntoView()", stand(page, made, 1))
            ActionChains(page).move_to_element(stand(page, made, 1)).click().perform()
        assert title(page) == "kitchen/kitchen-02"


def test_a_mark_stands_in_the_true_direction(page: Chrome, made: Made) -> None:
    open_stand(page, made, 0)
    ahead = page.find_element(By.CSS_SELECTOR, f".waypoint[data-to='{assets.identity(made.records[2].key)}']")
    aside = page.find_element(By.CSS_SELECTOR, f".waypoint[data-to='{assets.identity(made.records[1].key)}']")
    assert ahead.is_displayed() and not aside.is_displayed()  # at yaw 0, and 90 degrees to the right
    assert "left: 50%" in (ahead.get_attribute("style") or "")


def test_one_walks_on_the_same_way(page: Chrome, made: Made) -> None:
    """From the first to the second, east; it faces 30 degrees, so east is 60 to the right of its middle."""
    open_stand(page, made, 0)
    other = assets.identity(made.records[1].key)
    page.find_element(By.CSS_SELECTOR, f".walk[data-to='{other}']").click()
    wait_for(page, "document.querySelector('.stage[data-ready]') !== null")
    assert title(page) == "kitchen/kitchen-02"
    assert view(page)["yaw"] == pytest.approx(60.0)


def test_a_walk_ends_where_it_began(page: Chrome, made: Made) -> None:
    open_stand(page, made, 0)
    page.find_element(By.CSS_SELECTOR, ".walk").click()
    wait_for(page, "document.querySelector('.stage[data-ready]') !== null")
    ActionChains(page).send_keys(Keys.ESCAPE).perform()
    wait_for(page, "!document.getElementById('frame').open")
    first = assets.identity(made.records[0].key)
    assert page.execute_script("return document.activeElement.dataset.frame") == first


def test_it_tells_how_to_correct_a_link(page: Chrome, made: Made) -> None:
    open_stand(page, made, 0)
    said = page.find_element(By.CSS_SELECTOR, ".panel pre").get_attribute("textContent") or ""
    assert said.splitlines()[:2] == ["[[links]]", 'frames = ["kitchen/kitchen-01", "kitchen/kitchen-02"]']


def test_no_request_leaves_the_machine_and_nothing_is_said_in_the_console(page: Chrome, made: Made) -> None:
    open_stand(page, made, 0)
    page.find_element(By.CSS_SELECTOR, ".walk").click()
    wait_for(page, "document.querySelector('.stage[data-ready]') !== null")
    assert all(address.startswith(("file:", "blob:", "data:")) for address in requests(page))
    assert page.get_log("browser") == []


def luminance(colour: str) -> float:
    """Relative luminance of a computed colour (WCAG 2.2)."""
    share = np.array([int(part) for part in re.findall(r"\d+", colour)[:3]]) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


@pytest.mark.parametrize("scheme", ["dark", "light"])
def test_lines_and_marks_stand_out_in_the_light_and_in_the_dark(
    page: Chrome, made: Made, scheme: str
) -> None:
    """By 3 to 1, as WCAG 2.2 asks of what must be seen (1.4.11); in the light the wedges could not be."""
    page.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    script = "return getComputedStyle(document.querySelector(arguments[0]))[arguments[1]]"
    try:
        ground = luminance(page.execute_script(script, ".part", "backgroundColor"))
        for name, of in ((".sight.sure", "stroke"), (".sight.weak", "stroke"), (".stand .facing", "fill")):
            drawn = luminance(page.execute_script(script, f".plan {name}", of))
            assert (max(drawn, ground) + 0.05) / (min(drawn, ground) + 0.05) >= 3
        open_stand(page, made, 0)
        plate, text = (
            luminance(page.execute_script(script, ".waypoint .to", of)) for of in ("backgroundColor", "color")
        )
        assert (text + 0.05) / (plate + 0.05) >= 4.5  # of text (1.4.3)
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_a_part_is_drawn_as_large_as_its_metres_ask(page: Chrome) -> None:
    """A caption beside it once held a whole house to the caption's width."""
    for figure in page.find_elements(By.CSS_SELECTOR, ".part"):
        metres = float(page.execute_script("return arguments[0].style.getPropertyValue('--wide')", figure))
        room = page.execute_script("return document.querySelector('.parts').clientWidth")
        assert figure.rect["width"] == pytest.approx(min(room, max(256, metres * 67.2 + 16)), abs=1)


@pytest.mark.parametrize("width", [360, 768])
def test_the_map_fits_a_phone(page: Chrome, width: int) -> None:
    page.set_window_size(width, 800)
    try:
        script = (
            "return [...document.querySelectorAll('svg.plan')].map((e) => e.getBoundingClientRect().right)"
        )
        wide = page.execute_script(script)
        inner = page.execute_script("return document.documentElement.clientWidth")
        assert wide and max(wide) <= inner
    finally:
        page.set_window_size(1440, 900)
