"""The page in a real browser, opened from disk."""

from __future__ import annotations

import copy
import json
import shlex
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest
import tomlkit
from scipy.spatial.transform import Rotation
from selenium.webdriver import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from panopipe.review import assets
from panopipe.review.accepted import ACCEPTED
from panopipe.review.make import review_records
from panopipe.sphere.geometry import pixel_of, yaw_pitch
from tests.review.browser import open_page, requests
from tests.review.conftest import HOSTILE_NAME, HOSTILE_NOTE, HOSTILE_ROOM, Made

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

pytestmark = pytest.mark.browser


SAID = "The frame leans by 1.0 degrees: its upright edges meet that far from the zenith, toward yaw 30."


@pytest.fixture
def opened(page: Chrome, made: Made) -> Chrome:
    open_frame(page, made, 0)
    return page


def open_frame(page: Chrome, made: Made, which: int) -> None:
    short = assets.identity(made.records[which].key)
    page.find_element(By.CSS_SELECTOR, f"#rooms [data-frame='{short}']").click()
    wait(page, "return document.querySelector('.stage[data-ready]') !== null")


def wait(page: Chrome, script: str, *words: Any) -> None:
    WebDriverWait(page, 20, poll_frequency=0.05).until(lambda one: one.execute_script(script, *words))


def view(page: Chrome) -> dict[str, float]:
    found: dict[str, float] = json.loads(
        page.find_element(By.ID, "sphere").get_attribute("data-view") or "{}"
    )
    return found


def press(page: Chrome, *keys: str) -> None:
    ActionChains(page).send_keys(*keys).perform()


def shot(page: Chrome) -> Any:
    """What the sphere shows, once drawn, as the screen has it."""
    page.execute_async_script(
        "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(done));"
    )
    return decoded(page.find_element(By.ID, "sphere").screenshot_as_png)


def decoded(data: bytes) -> Any:
    return cv2.cvtColor(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)


def middle_of(seen: Any) -> Any:
    """Colour in the middle; four pixels meet there when the view has an even number of them."""
    height, width = seen.shape[:2]
    return (
        seen[(height - 1) // 2 : height // 2 + 1, (width - 1) // 2 : width // 2 + 1]
        .reshape(-1, 3)
        .mean(axis=0)
    )


def test_it_opens_from_disk_without_a_word_in_the_console(page: Chrome) -> None:
    assert page.current_url.startswith("file://")
    assert (
        page.find_element(By.ID, "summary").text
        == "8 frames in 4 rooms: 5 fine, 1 wants a look, 1 failed, 1 not run yet."
    )
    assert page.get_log("browser") == []


def test_no_request_leaves_the_machine(opened: Chrome) -> None:
    asked = requests(opened)
    assert any("previews" in address for address in asked)
    assert [address for address in asked if not address.startswith(("file:", "blob:", "about:"))] == []


def test_large_pictures_are_loaded_only_when_a_frame_opens(page: Chrome, made: Made) -> None:
    assert not any("previews" in address for address in requests(page))
    open_frame(page, made, 0)
    assert sum("previews" in address for address in requests(page)) == 2


def test_dragging_turns_the_view(opened: Chrome) -> None:
    before = view(opened)
    hand = ActionChains(opened).move_to_element_with_offset(opened.find_element(By.ID, "sphere"), -200, -50)
    hand.click_and_hold().move_by_offset(60, 30).move_by_offset(60, 30).release().perform()
    after = view(opened)
    assert after["yaw"] < before["yaw"] - 5
    assert after["pitch"] > before["pitch"] + 2


def test_the_wheel_brings_nearer(opened: Chrome) -> None:
    sphere = opened.find_element(By.ID, "sphere")
    before = view(opened)["field"]
    opened.execute_script(
        "arguments[0].dispatchEvent(new WheelEvent('wheel', {deltaY: -300, cancelable: true}))", sphere
    )
    assert view(opened)["field"] < before * 0.9


def test_two_fingers_bring_nearer(opened: Chrome) -> None:
    before = view(opened)["field"]
    opened.execute_script(
        """const s = document.getElementById('sphere'); s.setPointerCapture = () => {};
        const at = (kind, id, x) => s.dispatchEvent(new PointerEvent(
            kind, {pointerId: id, clientX: x, clientY: 300, pointerType: 'touch'}));
        at('pointerdown', 11, 300); at('pointerdown', 12, 400); at('pointermove', 12, 500);
        at('pointerup', 11, 300); at('pointerup', 12, 500);"""
    )
    assert view(opened)["field"] == pytest.approx(before / 2, rel=0.01)


def test_the_divide_moves(opened: Chrome) -> None:
    handle = opened.find_element(By.CSS_SELECTOR, ".divide")
    middle = shot(opened)
    knob = handle.find_element(By.TAG_NAME, "span")
    ActionChains(opened).click_and_hold(knob).move_by_offset(-200, 0).release().perform()
    moved = shot(opened)
    assert view(opened)["divide"] < 0.45
    assert int(handle.get_attribute("aria-valuenow") or 50) < 45
    height, width = middle.shape[:2]
    between = (slice(height // 3, height // 2), slice(width // 2 - 150, width // 2 - 60))
    assert moved[between].mean() > 1.2 * middle[between].mean()  # the before-picture is darker


def test_the_line_of_the_divide_leaves_hands_and_wheel_to_the_picture(opened: Chrome) -> None:
    """A fault once seen: a strip over the whole height swallowed them in the middle of the picture."""
    without_marks(opened)
    under, caught = opened.execute_script(
        "const box = document.querySelector('.divide').getBoundingClientRect();"
        "const at = (y) => document.elementFromPoint(box.left + box.width / 2, box.top + y * box.height);"
        "const knob = document.querySelector('.divide span').getBoundingClientRect();"
        "return [[0.05, 0.3, 0.5, 0.7].map((y) => at(y).id),"
        " document.elementFromPoint(knob.left + knob.width / 2, knob.top + knob.height / 2).tagName]"
    )
    assert under == ["sphere"] * 4
    assert caught == "SPAN"


def test_the_finished_file_is_seen_at_its_own_pixels(opened: Chrome, made: Made) -> None:
    press(opened, "l")
    wait(opened, "return document.querySelector('.loupe').dataset.ready === 'true'")
    opened.execute_script("document.getElementById('sphere').focus()")
    press(opened, "f", Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    seen = decoded(opened.find_element(By.CSS_SELECTOR, ".loupe").screenshot_as_png)[2:-2, 2:-2]
    picture = cv2.cvtColor(cv2.imread(str(made.job / made.records[0].outputs[0])), cv2.COLOR_BGR2RGB)
    height, width = picture.shape[:2]
    column = round((view(opened)["yaw"] / 360 + 0.5) * width)
    rows, columns = (min(40, side // 2 - 2) for side in seen.shape[:2])
    cut = picture[height // 2 - rows : height // 2 + rows, column - columns : column + columns].astype(int)
    middle = seen[seen.shape[0] // 2 - rows :, seen.shape[1] // 2 - columns :][: 2 * rows, : 2 * columns]
    off = min(
        np.abs(np.roll(middle, (y, x), axis=(0, 1)).astype(int) - cut)[3:-3, 3:-3].mean()
        for y in (-1, 0, 1)
        for x in (-1, 0, 1)
    )
    assert off < 1.5  # half pixels of the page apart, and the browser's own decoder
    press(opened, "l")
    assert not opened.find_element(By.CSS_SELECTOR, ".loupe").is_displayed()


def test_the_sphere_takes_the_whole_width_when_asked(opened: Chrome) -> None:
    before = opened.find_element(By.ID, "sphere").size["width"]
    press(opened, "w")
    assert opened.find_element(By.ID, "sphere").size["width"] > 1.2 * before
    press(opened, "w")
    assert opened.find_element(By.ID, "sphere").size["width"] == before


def many_frames(made: Made, folder: Path, times: int, shared: str = "") -> Path:
    """The page of a job that has each frame many times; a check that is shared is crossed in all of them."""
    shutil.copytree(made.summary.page.parent, folder)
    script = (folder / "page/data.js").read_text()
    data = json.loads(script.removeprefix("panopipe.data(").removesuffix(");\n"))
    data["frames"] = [
        {**copy.deepcopy(frame), "name": f"{frame['name']} {turn}", "id": f"{turn:06d}{frame['id'][6:]}"}
        for turn in range(times)
        for frame in data["frames"]
    ]
    for frame in data["frames"]:
        for finding in frame["findings"]:
            if finding["check"] == shared:
                finding |= {"crossed": True, "command": ["panopipe", "set", "JOB", "x/y", "level.tilt_deg=2"]}
                frame["state"] = "look"
    (folder / "page/data.js").write_text(f"panopipe.data({json.dumps(data)});\n")
    return folder / "index.html"


def test_many_doubts_are_grouped_and_folded(browser: Chrome, made: Made, tmp_path: Path) -> None:
    open_page(browser, many_frames(made, tmp_path / "review", 10))
    cards = browser.find_elements(By.CSS_SELECTOR, "#doubt-list > .doubt:not(.job)")
    groups = browser.find_elements(By.CSS_SELECTOR, "#doubt-list > .group > details > summary")
    assert len(cards) == 4
    assert [group.text for group in groups] == ["Failed: 6 more frames", "Horizon: 10 more frames"]
    assert not browser.find_elements(By.CSS_SELECTOR, "#doubt-list .group .doubt .picture")[0].is_displayed()
    groups[1].click()
    assert groups[1].find_element(By.XPATH, "..").find_element(By.CSS_SELECTOR, ".doubt").is_displayed()
    browser.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    assert all(
        group.get_attribute("open") for group in browser.find_elements(By.CSS_SELECTOR, ".group > details")
    )


def test_what_all_frames_share_is_one_thing_about_the_job(
    browser: Chrome, made: Made, tmp_path: Path
) -> None:
    open_page(browser, many_frames(made, tmp_path / "review", 3, shared="tilt"))
    said = browser.find_element(By.CSS_SELECTOR, "#doubt-list > .job").text
    assert said.startswith("Horizon: 18 of 18 frames")
    command = browser.find_element(By.CSS_SELECTOR, "#doubt-list > .job code").text
    assert shlex.split(command)[-2:] == ["job", "level.tilt_deg=2"]
    assert len(browser.find_elements(By.CSS_SELECTOR, "#doubt-list > .doubt.look")) == 0


def test_it_is_light_where_the_system_prefers_that(browser: Chrome, made: Made) -> None:
    light = {"features": [{"name": "prefers-color-scheme", "value": "light"}]}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", light)
    try:
        open_page(browser, made.summary.page)
        ground = browser.execute_script("return getComputedStyle(document.documentElement).backgroundColor")
        assert ground == "rgb(220, 220, 220)"
        browser.execute_script((files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8"))
        found = browser.execute_async_script("axe.run().then((one) => arguments[0](one.violations))")
        assert [
            (one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in ("serious", "critical")
        ] == []
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


@pytest.mark.parametrize(("key", "yaw", "pitch"), [("f", 0, 0), ("s", -180, 0), ("d", 0, -90), ("u", 0, 90)])
def test_a_view_is_one_key_away(opened: Chrome, key: str, yaw: float, pitch: float) -> None:
    press(opened, Keys.ARROW_LEFT, Keys.ARROW_UP, key)
    assert (view(opened)["yaw"], view(opened)["pitch"]) == (yaw, pitch)


@pytest.mark.parametrize("keys", ["f", "s", "d", "u", "f" + Keys.ARROW_LEFT * 3 + Keys.ARROW_DOWN])
def test_the_middle_of_the_view_is_the_finished_file(opened: Chrome, made: Made, keys: str) -> None:
    without_marks(opened)
    opened.execute_script("document.querySelector('.divide').focus()")
    press(opened, Keys.HOME)
    opened.execute_script("document.getElementById('sphere').focus()")
    press(opened, *keys)
    seen = shot(opened)
    looking = view(opened)
    assert looking["divide"] == 0
    picture = cv2.cvtColor(cv2.imread(str(made.job / made.records[0].outputs[0])), cv2.COLOR_BGR2RGB)
    expected = np.mean([sampled(picture, ray) for ray in middle_rays(looking, *seen.shape[:2])], axis=0)
    assert np.abs(middle_of(seen) - expected).max() <= 3


def without_marks(opened: Chrome) -> None:
    """Hide the marks of other stands, one of which lies in the middle of the view."""
    opened.execute_script(
        "for (const mark of document.querySelectorAll('[data-to]')) mark.style.display = 'none'"
    )


def middle_rays(looking: dict[str, float], height: int, width: int) -> Any:
    """Directions of the view's pixels in the middle, by the definition of yaw and pitch."""
    half = np.tan(np.radians(looking["field"] / 2)) * 2 / height
    turn = Rotation.from_euler("YX", [looking["yaw"], -looking["pitch"]], degrees=True)
    across = [(x + 0.5 - width / 2) * half for x in range((width - 1) // 2, width // 2 + 1)]
    down = [(y + 0.5 - height / 2) * half for y in range((height - 1) // 2, height // 2 + 1)]
    return [turn.apply([x, -y, 1.0]) for x in across for y in down]


def sampled(picture: Any, ray: Any) -> Any:
    """Colour of a whole frame in a direction, bilinear, the row next to a pole continued to it."""
    column, row = (float(one) for one in pixel_of(*yaw_pitch(ray), picture.shape[1]))
    row = min(max(row, 0.0), picture.shape[0] - 1.0)
    left, top = int(np.floor(column)), int(np.floor(row))
    rows = picture[[top, min(top + 1, picture.shape[0] - 1)]][
        :, [left % picture.shape[1], (left + 1) % picture.shape[1]]
    ]
    return np.einsum("r,c,rcx->x", [1 - row % 1, row % 1], [1 - column % 1, column % 1], rows.astype(float))


def test_next_and_previous_walk_through_the_frames(opened: Chrome) -> None:
    press(opened, "n")
    wait(opened, "return document.getElementById('frame-title').textContent === 'kitchen/kitchen-02'")
    press(opened, "p")
    wait(opened, "return document.getElementById('frame-title').textContent === 'kitchen/kitchen-01'")


def test_closing_brings_the_focus_back(opened: Chrome) -> None:
    press(opened, Keys.ESCAPE)
    wait(opened, "return !document.getElementById('frame').open")
    assert "kitchen-01" in opened.switch_to.active_element.text


def go_round(page: Chrome) -> None:
    """Press Tab until it comes to an element for the second time; each one reached is marked."""
    for _ in range(400):
        press(page, Keys.TAB)
        again = page.execute_script(
            "const one = document.activeElement, known = one.dataset.reached;"
            "if (!one.closest('main, dialog')) return false;"
            "one.dataset.reached = '1'; return Boolean(known);"
        )
        if again:
            return
    raise AssertionError("Tab never comes round")


UNREACHED = """const all = 'a[href], button, input, summary, [tabindex="0"]';
    return [...document.querySelectorAll(`${arguments[0]} :is(${all})`)]
    .filter((one) => !one.disabled && one.checkVisibility() && !one.dataset.reached)
    .filter((one) => one.type !== 'radio' || !document.querySelector(`[name=${one.name}][data-reached]`))
    .map((one) => one.outerHTML.slice(0, 200))"""


def test_the_keyboard_alone_reaches_everything_on_the_page(page: Chrome) -> None:
    page.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    go_round(page)
    assert page.execute_script(UNREACHED, "main") == []


def test_the_keyboard_alone_reaches_everything_in_a_frame(opened: Chrome) -> None:
    opened.execute_script(
        "document.querySelectorAll('dialog details').forEach((one) => { one.open = true; })"
    )
    go_round(opened)
    assert opened.execute_script(UNREACHED, "dialog") == []


def test_what_has_the_focus_is_seen(page: Chrome) -> None:
    press(page, Keys.TAB, Keys.TAB)
    style = page.execute_script(
        "const s = getComputedStyle(document.activeElement);"
        "return [s.outlineStyle, parseFloat(s.outlineWidth)]"
    )
    assert style[0] == "solid"
    assert style[1] >= 2


@pytest.mark.parametrize("place", ["page", "frame", "two"])
def test_the_accessibility_checker_finds_nothing_serious(page: Chrome, made: Made, place: str) -> None:
    if place == "frame":
        open_frame(page, made, 0)
        page.execute_script(
            "document.querySelectorAll('dialog details').forEach((one) => { one.open = true; })"
        )
    elif place == "two":
        page.find_element(By.ID, "two").click()
    page.execute_script((files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8"))
    found = page.execute_async_script("axe.run().then((one) => arguments[0](one.violations))")
    assert [
        (one["id"], one["impact"], [node["html"][:120] for node in one["nodes"]][:3]) for one in found
    ] == []


def test_hostile_names_are_text(page: Chrome, made: Made) -> None:
    texts = page.execute_script(
        "return [...document.querySelectorAll('.card .name, .room > h3')].map((one) => one.textContent)"
    )
    assert HOSTILE_NAME in texts
    assert any(text.startswith(HOSTILE_ROOM) for text in texts)
    open_frame(page, made, 5)
    assert (
        page.find_element(By.ID, "frame-title").get_attribute("textContent")
        == f"{HOSTILE_ROOM}/{HOSTILE_NAME}"
    )
    assert HOSTILE_NOTE in (page.find_element(By.CSS_SELECTOR, ".panel").get_attribute("textContent") or "")
    time.sleep(0.2)
    assert page.title == "Fenhollow: review"
    assert page.get_log("browser") == []


def test_commands_are_quoted_for_the_shell(page: Chrome, made: Made) -> None:
    open_frame(page, made, 5)
    typed = page.execute_script(
        "return [...document.querySelectorAll('dialog code')].map((one) => one.textContent)"
    )
    words = shlex.split(typed[-1])
    assert words == ["panopipe", "run", str(made.job), "--frame", f"{HOSTILE_ROOM}/{HOSTILE_NAME}"]


def test_order_and_choice(page: Chrome) -> None:
    page.find_element(By.CSS_SELECTOR, "input[value=doubted]").click()
    names = [one.text for one in page.find_elements(By.CSS_SELECTOR, ".card .name")]
    assert sorted(names) == ["lounge-02", "lounge-03"]
    page.find_element(By.CSS_SELECTOR, "input[value=doubt]").click()
    names = [one.text for one in page.find_elements(By.CSS_SELECTOR, ".card .name")]
    assert names == ["lounge-03", "lounge-02"]


@contextmanager
def as_wide_as(page: Chrome, width: int) -> Iterator[None]:
    """The page on a screen so many pixels wide, a phone's below 500."""
    size = {"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 500}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        yield
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.parametrize("width", [390, 1440])
def test_nothing_is_wider_than_the_screen(page: Chrome, made: Made, width: int) -> None:
    with as_wide_as(page, width):
        assert page.execute_script("return document.documentElement.scrollWidth") <= width
        open_frame(page, made, 0)
        assert page.execute_script("return document.getElementById('frame').scrollWidth") <= width


def swipe(page: Chrome, selector: str, across: int) -> None:
    """A finger that goes sideways over something, above the middle, where no mark lies on a sphere."""
    box = page.execute_script(
        "const one = document.querySelector(arguments[0]); one.scrollIntoView({ block: 'center' });"
        "const { x, y, width, height } = one.getBoundingClientRect();"
        "return [x + width / 2, y + height / 4];",
        selector,
    )
    for kind, steps in (("touchStart", (0,)), ("touchMove", (0.3, 0.7, 1)), ("touchEnd", ())):
        for share in steps or (None,):
            points = [] if share is None else [{"x": box[0] + share * across, "y": box[1]}]
            page.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


def test_a_finger_goes_on_to_the_next_frame_but_turns_the_sphere(page: Chrome, made: Made) -> None:
    page.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    try:
        with as_wide_as(page, 390):
            open_frame(page, made, 0)
            first = page.find_element(By.ID, "frame-title").text
            swipe(page, "#sphere", -120)
            wait(page, "return JSON.parse(document.getElementById('sphere').dataset.view).yaw !== 0")
            assert page.find_element(By.ID, "frame-title").text == first
            swipe(page, ".panel h3", -120)
            title = "const one = document.getElementById('frame-title'); return one && one.textContent"
            wait(page, f"{title} !== arguments[0]", first)  # it is missing while the next frame is built
            swipe(page, ".panel h3", 120)
            wait(page, f"{title} === arguments[0]", first)
    finally:
        page.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})


def test_two_frames_side_by_side_turn_together_or_alone(page: Chrome) -> None:
    page.find_element(By.ID, "two").click()
    wait(page, "return document.querySelectorAll('#pair canvas[data-shown]').length === 2")
    rooms = (
        "return [...document.querySelectorAll('#pair select')]"
        ".map((one) => one.selectedOptions[0].parentElement.label)"
    )
    assert len(set(page.execute_script(rooms))) == 2

    def views() -> list[dict[str, float]]:
        return [
            json.loads(one.get_attribute("data-view"))
            for one in page.find_elements(By.CSS_SELECTOR, "#pair canvas")
        ]

    page.find_element(By.CSS_SELECTOR, "#pair canvas").click()
    press(page, Keys.ARROW_RIGHT, Keys.ARROW_UP, "+")
    left, right = views()
    assert left == right
    assert left["yaw"] != 0
    page.find_element(By.ID, "pair-together").click()
    page.find_element(By.CSS_SELECTOR, "#pair canvas").click()
    press(page, Keys.ARROW_RIGHT)
    assert views()[0] != views()[1] == right
    press(page, Keys.ESCAPE)
    wait(page, "return !document.querySelector('#pair canvas')")


@pytest.mark.parametrize("width", [320, 390])
def test_a_choice_stays_with_its_box_and_beside_its_label(page: Chrome, width: int) -> None:
    with as_wide_as(page, width):
        places = page.execute_script(
            "const at = (one) => one.getBoundingClientRect();"
            "return [...document.querySelectorAll('.choices label')].map((one) => ["
            "at(one.closest('fieldset').querySelector('legend')).right, at(one.querySelector('input')).left,"
            "at(one.querySelector('input')).right, at(one.querySelector('span')).left,"
            "at(one.querySelector('span')).top - at(one.querySelector('input')).bottom])"
        )
    assert len(places) == 4
    for legend, box, box_end, words, words_under_box in places:
        assert legend < box < box_end < words
        assert words_under_box < 0


def test_a_command_breaks_between_words_and_is_taken_as_it_is_typed(page: Chrome, made: Made) -> None:
    with as_wide_as(page, 320):
        open_frame(page, made, 0)
        typed, chosen, whole = page.execute_script(
            "const code = [...document.querySelectorAll('dialog code')].at(-1);"
            "code.scrollIntoView(); getSelection().selectAllChildren(code);"
            "const option = [...code.children].find((one) => one.textContent === '--frame');"
            "const line = parseFloat(getComputedStyle(code).lineHeight);"
            "const high = option.getBoundingClientRect().height;"
            "return [code.textContent, String(getSelection()), high < 1.5 * line]"
        )
    command = ["panopipe", "run", str(made.job), "--frame", str(made.records[0].key)]
    assert shlex.split(typed) == command
    assert chosen == typed
    assert whole


def test_a_doubt_can_be_accepted_by_a_command_and_shows_so(browser: Chrome, made: Made) -> None:
    leaning = made.records[4]
    doubt = {"frame": str(leaning.key), "check": "tilt", "sentence": SAID, "value": 9.0}
    (made.job / ACCEPTED).write_text(tomlkit.dumps({"doubt": [doubt]}))
    try:
        review_records(made.job, made.records, title="Fenhollow")
        open_page(browser, made.summary.page)
        said = browser.find_element(By.ID, "summary").text
        assert said == "8 frames in 4 rooms: 6 fine, 1 failed, 1 not run yet, 1 doubt accepted."
        open_frame(browser, made, 4)
        code = browser.find_element(By.CSS_SELECTOR, "dialog details.accepted code")
        typed = shlex.split(code.get_attribute("textContent") or "")
        assert typed[3:] == [str(leaning.key), "tilt", "--take-back"]
    finally:
        (made.job / ACCEPTED).unlink()
        review_records(made.job, made.records, title="Fenhollow")
    open_page(browser, made.summary.page)
    code = browser.find_element(By.CSS_SELECTOR, "#doubts details.accept code")
    assert shlex.split(code.get_attribute("textContent") or "")[3:] == [str(leaning.key), "tilt"]


def test_it_prints_as_a_contact_sheet(page: Chrome) -> None:
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        hidden, cards, ground = page.execute_script(
            "return [getComputedStyle(document.querySelector('.choices')).display,"
            "document.querySelectorAll('.card img').length,"
            "getComputedStyle(document.documentElement).backgroundColor]"
        )
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert (hidden, cards, ground) == ("none", 6, "rgb(255, 255, 255)")
