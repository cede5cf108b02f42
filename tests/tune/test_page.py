"""The page in a real browser."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest
from axe_core_python.selenium import Axe
from selenium.common.exceptions import NoAlertPresentException
from selenium.webdriver import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from panopipe.job import open_job
from panopipe.pool.dispatch import Inline
from panopipe.recipe.edit import carried
from panopipe.recipe.journal import set_values, write_step
from panopipe.run.session import Options
from panopipe.sphere.turn import levelling_rotation
from panopipe.state.lock import JobLock
from panopipe.tune.server import Server
from panopipe.tune.session import Session
from tests.review.browser import requests
from tests.tune.conftest import HOSTILE_NAME, HOSTILE_ROOM, RECIPE, with_plugin, write_job

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

pytestmark = pytest.mark.browser

FRAMES = ("hall/hall-01", "hall/hall-02", "lounge/lounge-01", "study/study-01")


@dataclass(frozen=True)
class Sitting:
    folder: Path
    server: Server

    def says(self, file: str) -> str:
        path = self.folder / file
        return path.read_text(encoding="utf-8") if path.is_file() else ""


@pytest.fixture(scope="module")
def sitting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sitting]:
    with with_plugin():
        folder = write_job(tmp_path_factory.mktemp("job") / "fenhollow", FRAMES)
        session = Session(folder, "hall/hall-01", Options(executor=lambda *_: Inline()))
        session.look()
        server = Server(session)
        server.serve_beside()
        yield Sitting(folder, server)
        server.close()


@pytest.fixture
def page(browser: Chrome, sitting: Sitting) -> Iterator[Chrome]:
    """The page on a job that says what it said at first."""
    (sitting.folder / "recipe.toml").write_text(RECIPE, encoding="utf-8")
    shutil.rmtree(sitting.folder / "overrides", ignore_errors=True)
    (sitting.folder / ".panopipe/settings-journal.json").unlink(missing_ok=True)
    requests(browser)
    browser.get_log("browser")
    show(browser, sitting)
    yield browser
    browser.execute_script("window.onbeforeunload = null; document.documentElement.dataset.tried = 0;")
    leave(browser)


def show(browser: Chrome, sitting: Sitting) -> None:
    browser.get(sitting.server.address)
    settled(browser)


def leave(browser: Chrome) -> None:
    """Leave without being asked about what is not kept."""
    browser.get("about:blank")
    with suppress(NoAlertPresentException):
        browser.switch_to.alert.accept()


def settled(browser: Chrome) -> None:
    wait(
        browser, "return document.documentElement.dataset.ready && !document.documentElement.dataset.working"
    )


def wait(browser: Chrome, script: str, *words: Any) -> Any:
    return WebDriverWait(browser, 60, poll_frequency=0.05).until(
        lambda driver: driver.execute_script(script, *words)
    )


def control(page: Chrome, name: str) -> Any:
    box = page.find_element(By.CSS_SELECTOR, f"[data-name='{name}']")
    page.execute_script(
        "arguments[0].closest('details').open = true; arguments[0].scrollIntoView({block: 'center'})", box
    )
    return box


def field(page: Chrome, name: str) -> Any:
    return control(page, name).find_element(By.CSS_SELECTOR, ".row input, .row select")


def type_in(page: Chrome, name: str, text: str) -> None:
    box = field(page, name)
    box.send_keys(Keys.CONTROL + "a")
    box.send_keys(text + Keys.TAB)
    settled(page)


def middle(page: Chrome) -> Any:
    """Mean colour of the sphere's picture, right of the divide."""
    page.execute_async_script(
        "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(done));"
    )
    data = page.find_element(By.ID, "sphere").screenshot_as_png
    seen = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return seen[:, int(seen.shape[1] * 0.55) : int(seen.shape[1] * 0.85)].reshape(-1, 3).mean(axis=0)


def press(page: Chrome, element_id: str) -> None:
    page.find_element(By.ID, element_id).click()


def keep(page: Chrome, level: str) -> list[str]:
    """Keep what was tried, and return the lines that were shown before."""
    press(page, "keep")
    wait(page, "return document.querySelector('#keep-dialog .lines')")
    chosen = page.find_element(By.CSS_SELECTOR, f"#keep-dialog [value='{level}']")
    chosen.click()
    wait(page, "return !document.getElementById('write').disabled")
    lines = page.find_element(By.CSS_SELECTOR, "#keep-dialog .lines").text.splitlines()
    press(page, "write")
    wait(page, "return !document.getElementById('keep-dialog').open")
    settled(page)
    return lines


def test_it_opens_without_a_word_in_the_console(page: Chrome, sitting: Sitting) -> None:
    assert Select(page.find_element(By.ID, "frames")).first_selected_option.text == "hall/hall-01"
    assert page.get_log("browser") == []
    names = [box.get_attribute("data-stage") for box in page.find_elements(By.CSS_SELECTOR, ".stage-box")]
    assert names == ["decode", "tone", "monochrome", "balance", "nadir", "level", "export"]


def test_no_request_goes_beyond_this_machine(page: Chrome, sitting: Sitting) -> None:
    type_in(page, "tone.exposure_ev", "1")
    asked = requests(page)
    assert any(address.endswith("picture") for address in asked)
    own = sitting.server.address
    assert [
        a for a in asked if not a.startswith((own, "blob:" + own[: own.index("/", 8)], "data:", "about:"))
    ] == []


TRIES: dict[str, Callable[[Chrome], None]] = {
    "a number": lambda page: type_in(page, "tone.exposure_ev", "2"),
    "a slider": lambda page: field_slide(page, "tone.exposure_ev", Keys.END),
    "auto": lambda page: control(page, "tone.exposure_ev").find_element(By.CSS_SELECTOR, ".auto").click(),
    "a switch": lambda page: field(page, "tone.use").click(),
    "a choice": lambda page: Select(field(page, "decode.white")).select_by_value("fixed"),
    "a whole number": lambda page: type_in(page, "export.quality", "1"),
    "a plugin's setting": lambda page: type_in(page, "monochrome.share", "1"),
}


def field_slide(page: Chrome, name: str, *keys: str) -> None:
    control(page, name).find_element(By.CSS_SELECTOR, "input[type='range']").send_keys(*keys)


@pytest.mark.parametrize("kind", TRIES)
def test_each_kind_of_control_changes_the_picture_and_nothing_else(
    page: Chrome, sitting: Sitting, kind: str
) -> None:
    before = middle(page)
    TRIES[kind](page)
    settled(page)
    if kind not in ("auto", "a whole number"):
        assert np.abs(middle(page) - before).max() > 1
    assert page.execute_script("return document.documentElement.dataset.tried") == "1"
    assert sitting.says("recipe.toml") == RECIPE
    assert not (sitting.folder / "overrides").exists()
    assert page.get_log("browser") == []


def test_lists_and_words_are_typed(page: Chrome) -> None:
    type_in(page, "export.widths", "256, 128")
    assert field(page, "export.widths").get_attribute("value") == "256, 128"
    type_in(page, "export.widths", "wide")
    said = control(page, "export.widths").find_element(By.CSS_SELECTOR, ".wrong").text
    assert "a list of whole numbers" in said


def test_a_value_that_is_not_allowed_is_said_beside_it(page: Chrome) -> None:
    type_in(page, "tone.exposure_ev", "99")
    said = control(page, "tone.exposure_ev").find_element(By.CSS_SELECTOR, ".wrong")
    assert "a number from" in said.text
    Select(field(page, "nadir.fill")).select_by_value("picture")
    settled(page)
    said = control(page, "nadir.fill").find_element(By.CSS_SELECTOR, ".wrong")
    assert "needs patch_picture" in said.text


def test_what_auto_chose_and_where_a_value_comes_from_stand_beside_it(page: Chrome, sitting: Sitting) -> None:
    assert "auto: " in control(page, "tone.exposure_ev").find_element(By.CSS_SELECTOR, ".auto").text
    assert "(recipe.toml:6)" in control(page, "monochrome.share").text
    assert "(built-in)" in control(page, "tone.shadows_ev").text


def test_one_press_makes_a_value_inherited_again(page: Chrome, sitting: Sitting) -> None:
    back = control(page, "monochrome.share").find_element(By.CSS_SELECTOR, ".back")
    back.click()
    settled(page)
    assert float(field(page, "monochrome.share").get_attribute("value")) == 1.0  # the stage's own
    lines = keep(page, "frame")
    assert lines[-1] == "- [monochrome] share = 0.0"
    assert "share" not in sitting.says("recipe.toml")
    assert "# the house, in the evening" in sitting.says("recipe.toml")


@pytest.mark.parametrize(("level", "where"), [("frame", "hall/hall-01"), ("room", "hall"), ("job", "job")])
def test_what_is_kept_is_letter_by_letter_what_set_writes(
    page: Chrome, sitting: Sitting, tmp_path: Path, level: str, where: str
) -> None:
    other = shutil.copytree(sitting.folder, tmp_path / "by-command")
    type_in(page, "tone.shadows_ev", "0.8")
    type_in(page, "monochrome.share", "0.25")
    Select(field(page, "nadir.fill")).select_by_value("soft")
    settled(page)
    lines = keep(page, level)
    change = set_values(
        open_job(other), where, ["tone.shadows_ev=0.8", "monochrome.share=0.25", "nadir.fill=soft"]
    )
    assert (sitting.folder / change.file).read_bytes() == (other / change.file).read_bytes()
    assert lines == [change.file, *change.lines]
    assert page.execute_script("return document.documentElement.dataset.tried") == "0"


def test_undo_and_redo_go_through_what_was_tried_and_what_was_kept(page: Chrome, sitting: Sitting) -> None:
    type_in(page, "tone.exposure_ev", "1")
    type_in(page, "tone.exposure_ev", "2")
    press(page, "undo")
    settled(page)
    assert float(field(page, "tone.exposure_ev").get_attribute("value")) == 1
    press(page, "redo")
    settled(page)
    keep(page, "room")
    assert "exposure_ev = 2" in sitting.says("overrides/hall.toml")
    press(page, "undo")
    wait(page, "return document.documentElement.dataset.tried === '1'")
    assert sitting.says("overrides/hall.toml") == ""
    settled(page)
    press(page, "redo")
    wait(page, "return document.documentElement.dataset.tried === '0'")
    assert "exposure_ev = 2" in sitting.says("overrides/hall.toml")


def test_a_click_makes_a_spot_neutral(page: Chrome, sitting: Sitting) -> None:
    page.find_element(By.CSS_SELECTOR, "[data-tool='neutral']").click()
    page.execute_script("panopipe.sphere.look({yaw: 40, pitch: 10, divide: 0})")
    before = middle(page)
    ActionChains(page).move_to_element(page.find_element(By.ID, "sphere")).click().perform()
    settled(page)
    yaw, pitch = (
        float(field(page, f"balance.neutral_{name}_deg").get_attribute("value")) for name in ("yaw", "pitch")
    )
    assert (yaw, pitch) == pytest.approx((40, 10), abs=0.3)
    assert np.ptp(middle(page)) < np.ptp(before)


def test_the_spot_is_told_in_the_frame_as_it_was_taken(page: Chrome) -> None:
    """A frame that is levelled shows the spot elsewhere; `sphere.turn` says where it lies in the file."""
    look = np.array([0.3, 0.2, 0.9])
    told = page.execute_script("return panopipe.asTaken(arguments[0], 7, 25)", look.tolist())
    assert told == pytest.approx(levelling_rotation(7, 25) @ look, abs=1e-12)


def test_the_ring_under_the_camera_is_dragged(page: Chrome, sitting: Sitting) -> None:
    page.find_element(By.CSS_SELECTOR, "[data-tool='foot']").click()
    sphere = page.find_element(By.ID, "sphere")
    degrees = 20.0
    reach = np.tan(np.radians(degrees)) / np.tan(np.radians(75 / 2)) * sphere.size["height"] / 2
    hand = ActionChains(page).move_to_element_with_offset(sphere, 8, 0).click_and_hold()
    hand.move_by_offset(round(reach) - 8, 0).release().perform()
    settled(page)
    radius = float(field(page, "nadir.foot_radius_m").get_attribute("value"))
    margin = float(field(page, "nadir.margin_deg").get_attribute("value"))
    assert np.degrees(np.arctan(radius / 1.5)) + margin == pytest.approx(degrees, abs=0.4)


def test_the_horizon_is_turned(page: Chrome) -> None:
    page.find_element(By.CSS_SELECTOR, "[data-tool='horizon']").click()
    page.execute_script("panopipe.sphere.look({yaw: 0, pitch: 0})")
    handle = page.find_element(By.ID, "handle-right")
    sphere = page.find_element(By.ID, "sphere")
    pixels = 40
    ActionChains(page).click_and_hold(handle).move_by_offset(0, -pixels).release().perform()
    settled(page)
    tilt = float(field(page, "level.tilt_deg").get_attribute("value"))
    toward = float(field(page, "level.toward_yaw_deg").get_attribute("value"))
    # The plane through the eye and the line: its ends lie 30 degrees to the left and right at one height, and
    # one was moved. Its normal is where the zenith should be.
    focal = sphere.size["height"] / 2 / np.tan(np.radians(75 / 2))
    aside = np.tan(np.radians(30))
    up = np.cross([-aside, 0, 1], [aside, pixels / focal, 1])
    assert tilt == pytest.approx(np.degrees(np.arccos(up[1] / np.linalg.norm(up))), abs=0.3)
    assert toward == pytest.approx(np.degrees(np.arctan2(up[0], up[2])), abs=3)


def test_the_piece_at_full_size_follows_the_pointer(page: Chrome) -> None:
    press(page, "loupe-on")
    wait(page, "return document.getElementById('loupe').dataset.shown === '1'")
    first = page.find_element(By.ID, "piece").get_attribute("src")
    sphere = page.find_element(By.ID, "sphere")
    ActionChains(page).move_to_element_with_offset(sphere, -100, 40).perform()
    wait(page, "return Number(document.getElementById('loupe').dataset.shown) > 1")
    assert page.find_element(By.ID, "piece").get_attribute("src") != first


def test_light_is_told_by_its_share_of_the_sphere(page: Chrome) -> None:
    """Half a sphere of blank white, a quarter of solid black, the rest one stop below white (code 188)."""
    light = page.execute_async_script(
        "const done = arguments[0], canvas = document.createElement('canvas');"
        "canvas.width = 512; canvas.height = 256;"
        "const ink = canvas.getContext('2d');"
        "for (const [grey, left, top, width] of [[255, 0, 0, 512], [0, 0, 128, 256], [188, 256, 128, 256]]) {"
        "  ink.fillStyle = `rgb(${grey} ${grey} ${grey})`; ink.fillRect(left, top, width, 128); }"
        "const made = new Image(); made.src = canvas.toDataURL();"
        "made.decode().then(() => { const { bars, white, colour, black } = panopipe.lightOf(made);"
        "  done([[...bars], white, colour, black]); });"
    )
    bars, white, colour, black = light
    assert (white, colour, black) == (pytest.approx(0.5), 0, pytest.approx(0.25))
    assert bars[-1] == pytest.approx(0.5)
    assert bars[-2] == pytest.approx(0.25)  # 188 is 0.503 of white: a hundredth above one stop below it
    assert bars[0] == pytest.approx(0.25)
    assert "Blank white" in page.find_element(By.CSS_SELECTOR, "#light .ends").text


def test_blank_white_is_striped_when_asked(page: Chrome) -> None:
    type_in(page, "tone.exposure_ev", "6")
    type_in(page, "tone.highlights_ev", "0")
    canvas = page.find_element(By.ID, "sphere")

    def reddish() -> int:
        shown = cv2.imdecode(np.frombuffer(canvas.screenshot_as_png, np.uint8), cv2.IMREAD_COLOR).astype(int)
        return int(np.count_nonzero((shown[..., 2] > 150) & (shown[..., 0] < 60)))

    before = reddish()
    page.find_element(By.ID, "mark-ends").click()
    assert page.find_element(By.ID, "mark-ends").get_attribute("aria-pressed") == "true"
    wait(
        page,
        "return new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))",
    )
    assert reddish() > before + 100
    page.find_element(By.ID, "mark-ends").click()


def test_at_rest_the_picture_becomes_as_fine_as_the_file(browser: Chrome, tmp_path: Path) -> None:
    with with_plugin():
        folder = write_job(tmp_path / "fenhollow", ("hall/hall-01",), width=2048)
        session = Session(folder, "", Options(executor=lambda *_: Inline()))
        session.look()
        server = Server(session)
        server.serve_beside()
        try:
            browser.get(server.address)
            settled(browser)
            wait(browser, "return document.documentElement.dataset.fine === 'true'")
            fine = "return panopipe.sphere.pictures.after.naturalWidth"
            assert browser.execute_script(fine) == 2048
            type_in(browser, "tone.exposure_ev", "1")
            assert browser.execute_script(fine) == 1536
            wait(browser, "return document.documentElement.dataset.fine === 'true'")
            assert browser.execute_script(fine) == 2048
            assert browser.execute_script(fine.replace("after", "before")) == 2048
            browser.execute_script("document.documentElement.dataset.tried = 0;")
            leave(browser)
        finally:
            server.close()


def test_carry_shows_other_rooms_and_writes_what_the_command_writes(
    page: Chrome, sitting: Sitting, tmp_path: Path
) -> None:
    type_in(page, "monochrome.share", "1")
    keep(page, "room")
    other = shutil.copytree(sitting.folder, tmp_path / "by-command")
    press(page, "carry")
    pictures = "[...document.querySelectorAll('#carry-dialog img')]"
    wait(page, f"return {pictures}.length === 4 && {pictures}.every((one) => one.naturalWidth > 0)")
    assert not (sitting.folder / "overrides/lounge.toml").exists()
    page.find_element(By.CSS_SELECTOR, "#carry-dialog input[value='lounge']").click()
    wait(page, "return !document.getElementById('write-carry').disabled")
    assert "overrides/lounge.toml" in page.find_element(By.CSS_SELECTOR, "#carry-dialog .lines").text
    press(page, "write-carry")
    wait(page, "return !document.getElementById('carry-dialog').open")
    job = open_job(other)
    write_step(job, "carry", carried(job, "hall", ["lounge"], []))
    for file in ("overrides/lounge.toml", "overrides/hall.toml"):
        assert sitting.says(file) == (other / file).read_text()
    assert not (sitting.folder / "overrides/study.toml").exists()


def test_a_second_page_takes_what_the_first_one_kept(page: Chrome, sitting: Sitting) -> None:
    first = page.current_window_handle
    page.switch_to.new_window("tab")
    try:
        show(page, sitting)
        type_in(page, "tone.shadows_ev", "0.4")
        page.switch_to.window(first)
        type_in(page, "tone.exposure_ev", "1.5")
        keep(page, "room")
        page.switch_to.window(page.window_handles[1])
        wait(page, "return document.querySelector('[data-name=\"tone.exposure_ev\"] input').value === '1.5'")
        assert float(field(page, "tone.shadows_ev").get_attribute("value")) == 0.4
        assert "overrides/hall.toml" in control(page, "tone.exposure_ev").text
    finally:
        page.execute_script("window.stop()")
        leave(page)
        page.close()
        page.switch_to.window(first)


def test_a_run_at_work_is_said_and_not_disturbed(page: Chrome, sitting: Sitting) -> None:
    with JobLock(sitting.folder):
        wait(page, "return document.getElementById('notice').textContent.includes('A run works on this job')")
        before = (sitting.folder / ".panopipe/lock").read_bytes()
        type_in(page, "tone.exposure_ev", "1")
        assert (sitting.folder / ".panopipe/lock").read_bytes() == before
    wait(page, "return document.getElementById('notice').hidden")


def test_it_says_when_the_terminal_has_ended(page: Chrome) -> None:
    page.execute_cdp_cmd("Network.enable", {})
    gone = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    page.execute_cdp_cmd("Network.emulateNetworkConditions", gone)
    try:
        wait(page, "return document.getElementById('notice').textContent.includes('has ended')")
    finally:
        there = {"offline": False, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        page.execute_cdp_cmd("Network.emulateNetworkConditions", there)
        page.get_log("browser")


def test_hostile_names_are_just_names(browser: Chrome, tmp_path: Path) -> None:
    with with_plugin():
        folder = write_job(tmp_path, ("x/x-01", "y/y-01"))
        room = HOSTILE_ROOM.replace("/", "")
        (folder / "originals/x/x-01.dng").rename(folder / f"originals/x/{HOSTILE_NAME}.dng")
        (folder / "originals/x").rename(folder / f"originals/{room}")
        session = Session(folder, "", Options(executor=lambda *_: Inline()))
        session.look()
        server = Server(session)
        server.serve_beside()
        browser.get_log("browser")
        browser.get(server.address)
        settled(browser)
        assert browser.title == "Job: tune"
        assert HOSTILE_NAME in Select(browser.find_element(By.ID, "frames")).first_selected_option.text
        type_in(browser, "tone.exposure_ev", "1")
        keep(browser, "room")
        assert "exposure_ev = 1" in (folder / f"overrides/{room}.toml").read_text()
        press(browser, "carry")
        wait(browser, "return document.querySelector('#carry-dialog img').naturalWidth > 0")
        assert browser.get_log("browser") == []
        leave(browser)
        server.close()


def test_all_can_be_done_by_keyboard(page: Chrome, sitting: Sitting) -> None:
    def keys(*words: str) -> None:
        ActionChains(page).send_keys(*words).perform()

    def go(script: str) -> None:
        """Go on with the tab key until it is there: whatever cannot be reached so is not there."""
        for _ in range(200):
            keys(Keys.TAB)
            if page.execute_script(
                f'return Boolean(document.activeElement && document.activeElement.matches("{script}"))'
            ):
                return
        pytest.fail(f"the tab key does not come to {script}")

    go("[data-name='tone.exposure_ev'] input[type=number]")
    keys("1.5", Keys.TAB)
    settled(page)
    page.execute_script(
        "document.getElementById('title').tabIndex = -1; document.getElementById('title').focus()"
    )
    go("#keep")
    keys(Keys.ENTER)
    wait(page, "return document.querySelector('#keep-dialog .lines')")
    go("#keep-dialog input")
    keys(Keys.ARROW_DOWN)
    go("#write")
    keys(Keys.ENTER)
    wait(page, "return !document.getElementById('keep-dialog').open")
    assert "exposure_ev = 1.5" in sitting.says("overrides/hall.toml")
    settled(page)
    go("[data-tool='neutral']")
    keys(Keys.SPACE)
    page.find_element(By.ID, "sphere").send_keys(Keys.ARROW_RIGHT, Keys.ENTER)
    settled(page)
    assert field(page, "balance.neutral_yaw_deg").get_attribute("value") != ""
    page.find_element(By.ID, "divide").send_keys(Keys.ARROW_LEFT)
    assert float(page.find_element(By.ID, "divide").get_attribute("aria-valuenow")) < 50
    page.find_element(By.ID, "sphere").send_keys(Keys.CONTROL + "z")
    wait(page, "return document.documentElement.dataset.tried === '0'")


@pytest.mark.parametrize(("width", "height"), [(390, 844), (1440, 900), (3840, 2160)])
def test_it_fits_the_screen(page: Chrome, sitting: Sitting, width: int, height: int) -> None:
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    try:
        show(page, sitting)
        assert page.execute_script("return document.documentElement.scrollWidth <= innerWidth")
        box = page.find_element(By.ID, "stage").rect
        assert box["width"] > 0.6 * width
        assert box["height"] > 0.3 * height
        if width < 500:
            small = page.execute_script(
                "return [...document.querySelectorAll('button, select, input:not([type=checkbox])')]"
                ".filter((one) => one.offsetParent && one.getBoundingClientRect().height < 24).length"
            )
            assert small == 0  # WCAG 2.2, success criterion 2.5.8: 24 CSS pixels
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.parametrize("shown", ["page", "keep", "carry"])
def test_an_accessibility_checker_finds_nothing(page: Chrome, shown: str) -> None:
    if shown == "keep":
        type_in(page, "tone.exposure_ev", "1")
        type_in(page, "tone.shadows_ev", "99")
    if shown != "page":
        press(page, shown)
        wait(page, f"return document.querySelector('#{shown}-dialog button')")
        time.sleep(0.3)
    page.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    found = Axe().run(page)["violations"]
    assert [(one["id"], [node["html"][:120] for node in one["nodes"]][:3]) for one in found] == []


def test_settings_are_found_by_their_words(page: Chrome) -> None:
    page.find_element(By.ID, "find").send_keys("windows")
    seen = [
        box.get_attribute("data-name")
        for box in page.find_elements(By.CSS_SELECTOR, ".control")
        if box.is_displayed()
    ]
    assert "tone.highlights_ev" in seen
    assert "export.quality" not in seen


def test_another_origin_gets_nothing(page: Chrome, sitting: Sitting) -> None:
    """A page from elsewhere that knows the very address cannot read, nor change, anything."""
    leave(page)
    page.get("data:text/html,<title>elsewhere</title>")
    answer = page.execute_async_script(
        "const done = arguments[1];"
        "fetch(arguments[0] + 'keep', {method: 'POST', headers: {'Content-Type': 'application/json'},"
        " body: JSON.stringify({frame: 0, draft: {'tone.exposure_ev': 1}, level: 'job', write: true})})"
        ".then((reply) => reply.text().then((text) => done('read ' + text)), () => done('nothing'));",
        sitting.server.address,
    )
    assert answer == "nothing"
    assert sitting.says("recipe.toml") == RECIPE
