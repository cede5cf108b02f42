"""Links and map of a delivery: in the names of its pictures, and only of what is in it."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import pytest

from panopipe.delivery.make import deliver
from panopipe.delivery.map import map_svg
from panopipe.delivery.plan import Options
from panopipe.frame import FrameKey
from panopipe.stage import Sightline, Stand
from panopipe.state.links_schema import LINKS_SCHEMA
from panopipe.state.run_log import SilentReporter
from panopipe.state.stands import keep_stands
from tests.delivery.jobs import finished_job
from tests.scenes.plan_house import random_house

H1, H2, L7 = FrameKey("hall", "hall-01"), FrameKey("hall", "hall-02"), FrameKey("lounge", "IMG_7")
STANDS = {
    H1: Stand(0, 0.0, 0.0, 90.0, sights=(Sightline(H2, 0.0, 2.0, 0.9),)),
    H2: Stand(0, 2.0, 0.0, 0.0, sights=(Sightline(H1, -90.0, 2.0, 0.9),)),
    L7: Stand(1, 0.0, 3.0, 0.0, sights=(Sightline(H1, 1.0, 9.0, 0.2),)),
}
NAMES = {H1: "one", H2: "<two>", L7: "three\x1b"}
SVG = "{http://www.w3.org/2000/svg}"


def test_links_and_map_are_delivered_in_the_names_of_the_pictures(tmp_path: Path) -> None:
    job = finished_job(tmp_path / "job")
    keep_stands(job, STANDS)
    place = deliver(job, Options(width=192, names="{room}/{number}"), SilentReporter()).path
    links = json.loads((place / "links.json").read_text())
    jsonschema.validate(links, LINKS_SCHEMA)
    assert all((place / frame["file"]).is_file() and frame["width"] == 192 for frame in links["frames"])
    assert {link["to"] for frame in links["frames"] for link in frame["links"]} <= {
        frame["id"] for frame in links["frames"]
    }
    assert "map.svg" in (place / "SHA256SUMS").read_text()
    keep_stands(job, {**STANDS, H2: replace(STANDS[H2], x_m=2.5)})
    again = deliver(job, Options(width=192, names="{room}/{number}"), SilentReporter())
    assert {"links.json", "map.svg"} <= set(again.made)
    assert len(again.kept) == 3


def test_where_nobody_looked_there_is_neither(tmp_path: Path) -> None:
    place = deliver(finished_job(tmp_path / "job"), Options(), SilentReporter()).path
    assert not (place / "links.json").exists()
    assert not (place / "map.svg").exists()


def test_the_map_is_to_scale_each_line_drawn_once_and_names_are_text() -> None:
    root = ElementTree.fromstring(map_svg("<Fenhollow>", STANDS, NAMES))
    dots = [(float(one.get("cx", 0)), float(one.get("cy", 0))) for one in root.iter(f"{SVG}circle")]
    bar = next(one for one in root.iter(f"{SVG}line") if one.get("class") == "scale")
    metre = float(bar.get("x2", 0)) - float(bar.get("x1", 0))
    assert dots[1][0] - dots[0][0] == pytest.approx(2 * metre, abs=0.2)
    assert dots[1][1] == dots[0][1]
    assert dots[2][0] > dots[1][0]  # the other part beside it
    assert sum(1 for _ in root.iter(f"{SVG}line")) == 2  # the pair, and the bar; not across parts
    assert [one.text for one in root.iter(f"{SVG}text")][:3] == ["one", "<two>", "three "]


@pytest.mark.parametrize("parts", [1, 7])
def test_names_of_sixty_frames_can_be_read_on_a_sheet_that_fits_a_screen(parts: int) -> None:
    """No name lies over another or over a dot; a digit of 14 pixels is 9 wide (DejaVu Sans: 0.636 em)."""
    house = random_house(471, 60)
    keys = [FrameKey("", stand.name) for stand in house.stands]
    stands = {
        key: Stand(number % parts, stand.x, stand.z)
        for number, (key, stand) in enumerate(zip(keys, house.stands, strict=True))
    }
    drawn = map_svg("t", stands, {key: f"{number:02d}-{key.name}" for number, key in enumerate(keys)})
    root = ElementTree.fromstring(drawn)
    assert float(root.get("width", 0)) <= 1600
    dots = [(float(one.get("cx", 0)), float(one.get("cy", 0))) for one in root.iter(f"{SVG}circle")]
    boxes = []
    for one in root.iter(f"{SVG}text"):
        if one.get("class") != "quiet":
            wide, x, y = 9 * len(one.text or ""), float(one.get("x", 0)), float(one.get("y", 0))
            left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[one.get("text-anchor", "")]
            boxes.append((left, y - 11, left + wide, y))
    assert len(boxes) == len(dots) == len(keys)
    assert all(left >= 0 and right <= float(root.get("width", 0)) for left, _, right, _ in boxes)
    over = [(a, b) for a, b in itertools.combinations(boxes, 2)
            if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]]  # fmt: skip
    hidden = [(x, y) for x, y in dots for left, top, right, low in boxes
              if left < x < right and top < y < low]  # fmt: skip
    assert not over and not hidden


def test_the_map_names_the_frames_that_are_not_on_it_on_a_sheet_that_holds_its_words() -> None:
    """Letters of 12 pixels, 0.636 em wide as a digit of DejaVu Sans."""
    drawn = map_svg("t", {**STANDS, L7: Stand()}, NAMES)
    root = ElementTree.fromstring(drawn)
    said = [one for one in root.iter(f"{SVG}text") if one.get("class") == "quiet"]
    assert "could not be told: three ." in " ".join(one.text or "" for one in said)
    assert max(float(one.get("y", 0)) for one in said) < float(root.get("height", 0))
    assert all(20 + 0.636 * 12 * len(one.text or "") <= float(root.get("width", 0)) for one in said)


def test_a_shoot_of_which_nothing_is_placed_has_no_map() -> None:
    assert map_svg("t", {H1: Stand()}, NAMES) == b""
    assert map_svg("t", STANDS, {}) == b""
