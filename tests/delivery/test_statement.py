"""The statement: what was done to each picture, in words; whatever a job is called is text in it."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from panopipe.delivery.doings import doings, made_from
from panopipe.delivery.statement import Delivered, Statement, statement_html
from panopipe.frame import FrameKey
from panopipe.job.model import Group
from panopipe.registry import BUILT_IN
from panopipe.review.finding import Finding, FrameReview
from panopipe.stage import Rights
from panopipe.state.record import Effective, FrameRecord
from tests.review.conftest import HOSTILE_NAME, HOSTILE_NOTE, HOSTILE_ROOM

ORDER = ("decode", "denoise", "light", "tone", "vibrance", "balance", "nadir", "level", "sharpen", "export")


def record(*, order: tuple[str, ...] = ORDER, **notes: dict[str, float | str]) -> FrameRecord:
    return FrameRecord(FrameKey("hall", "hall-01"), "finished", ("a.dng",), order=order, notes=notes)


def here(one: FrameRecord) -> str:
    return " ".join(doing.here for doing in doings(one) if doing.here)


def text_of(html: bytes) -> str:
    """What a reader sees."""
    parts: list[str] = []
    parser = HTMLParser()
    parser.handle_data = parts.append  # type: ignore[method-assign]
    parser.feed(html.decode())
    return " ".join(" ".join(parts).split())


@pytest.mark.parametrize(
    ("notes", "said"),
    [
        (
            {"nadir": {"fill_method": "floor", "pole_shadows": 1}},
            "rebuilt from the floor around it. The support's",
        ),
        ({"nadir": {"fill_method": "seen from hall/hall-02"}}, "was taken from hall/hall-02, which shows it"),
        ({"nadir": {"fill_method": "nothing found"}}, "Nothing stood under the camera"),
        ({"nadir": {"fill_method": "something new"}}, "Under the camera: something new."),
        ({"level": {"levelled_deg": 0.84}}, "Turned upright by 0.8 degrees."),
        ({"light": {"evened_mired": 61.0}}, "Lamplight and daylight were evened (61 mired apart)."),
        ({"decode": {"clipped_share_percent": 0.25}}, "rebuilt (0.25 % of the sphere)"),
        (
            {"tone": {"exposure_ev": 0.4, "highlights_ev": -2.0}},
            "all +0.4 EV, bright parts \N{MINUS SIGN}2.0 EV.",
        ),
        ({"balance": {"set_by_hand": "yes"}}, "Its white was set by hand."),
    ],
)
def test_what_was_noted_is_told(notes: dict[str, dict[str, float | str]], said: str) -> None:
    assert said in here(record(**notes))


@pytest.mark.parametrize("notes", [{}, {"light": {"evened_mired": 0.0}}, {"level": {"levelled_deg": 0.0}}])
def test_what_was_not_done_is_not_told(notes: dict[str, dict[str, float | str]]) -> None:
    assert here(record(**notes)) == ""


def test_a_stage_that_was_switched_off_did_nothing() -> None:
    off = replace(
        record(nadir={"fill_method": "floor"}), settings={"nadir": {"use": Effective(False, "recipe.toml:3")}}
    )
    assert here(off) == ""


def test_every_stage_of_the_house_has_its_words_and_a_stranger_its_summary() -> None:
    told = doings(record(order=(*BUILT_IN, "of-somebody")))
    assert [doing.always for doing in told if doing.always.startswith("Stage ")] == [
        "Stage of-somebody: is not installed any longer."
    ]


def test_several_originals_are_told() -> None:
    merged = replace(record(decode={"exposures_merged": "a +0 EV"}), originals=("a", "b", "c"))
    assert made_from(merged) == "Made from 3 exposures of one place, merged."
    assert made_from(record()) == ""


def test_a_chosen_take_is_told_and_nothing_of_who_was_on_the_others() -> None:
    group = Group("takes", ("b.dng", "a.dng"), "b has a visitor of 2 %", chosen="a.dng", doubt="b is sharper")
    said = made_from(record(), [group])
    assert said == "Chosen from 2 takes of one place. Which of them is best was unsure."


def test_hostile_names_are_text_and_what_is_common_is_told_once() -> None:
    finding = Finding("stage-nadir", "Nadir", crossed=True, sentence=HOSTILE_NOTE)
    one = replace(record(nadir={"fill_method": "floor"}), key=FrameKey(HOSTILE_ROOM, HOSTILE_NAME))
    pictures = [Delivered(f"{HOSTILE_NAME}.jpg", FrameReview(one, (finding,)), 64, 32) for _ in range(2)]
    rights = Rights(HOSTILE_ROOM, HOSTILE_NAME, HOSTILE_NOTE)
    html = statement_html(Statement(HOSTILE_ROOM, rights, pictures, [(one.key, "failed: \x1b[2J")]))
    assert re.findall(rb"<(?:script|b|svg|img)\b", html) == []
    assert b"\x1b" not in html
    text = text_of(html)
    for hostile in (HOSTILE_ROOM, " ".join(HOSTILE_NAME.split()), HOSTILE_NOTE):
        assert hostile in text
    assert text.count("White was balanced over all rooms.") == 1


def test_the_same_facts_give_the_same_bytes() -> None:
    statement = Statement("t", Rights(), [Delivered("a.jpg", FrameReview(record()), 64, 32)])
    assert statement_html(statement) == statement_html(statement)
