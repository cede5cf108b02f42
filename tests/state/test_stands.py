"""Where frames stood, kept and read again, and the open form of the links."""

import json
from pathlib import Path

import jsonschema
import pytest

from panopipe.frame import FrameKey
from panopipe.stage import Sightline, Stand
from panopipe.state.links_schema import LINKS_SCHEMA
from panopipe.state.stands import (
    KEPT,
    Picture,
    keep_stands,
    links_document,
    links_json,
    read_stands,
)

ONE, OTHER, LOST = FrameKey("hall", "hall-01"), FrameKey("bad room", "bäth-01"), FrameKey("", "lost")
STANDS = {
    ONE: Stand(0, 0.0, 0.0, 12.5, False, (Sightline(OTHER, -170.25, 2.31, 0.97),), "", "room-1"),
    OTHER: Stand(0, 1.2, -2.0, 0.0, False, (Sightline(ONE, 9.5, 2.31, 0.97),), "", "room-2"),
    LOST: Stand(doubt="Where it stood could not be told."),
}
PICTURES = {key: Picture(f"{key.name}.jpg", 8192, 4096) for key in STANDS}


def test_what_is_kept_is_read_again(tmp_path: Path) -> None:
    keep_stands(tmp_path, STANDS)
    assert read_stands(tmp_path) == STANDS


@pytest.mark.parametrize("text", ["", "{}", "[1]", '["dict",[["tuple","a","b"],["record","os:system",{}]]]'])
def test_what_is_no_such_file_is_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / KEPT).parent.mkdir()
    (tmp_path / KEPT).write_text(text)
    assert read_stands(tmp_path) == {}


def test_links_keep_to_their_schema() -> None:
    """The schema is what importers are written by; jsonschema is the reference that reads it."""
    jsonschema.Draft202012Validator.check_schema(LINKS_SCHEMA)
    document = json.loads(links_json(links_document("Fenhollow", STANDS, PICTURES)))
    jsonschema.validate(document, LINKS_SCHEMA)
    (link,) = document["frames"][0]["links"]
    assert (link["to"], link["yaw_deg"], link["distance_m"], link["certainty"]) == (
        "frame-002",
        -170.25,
        2.31,
        0.97,
    )
    assert document["frames"][2]["position_m"] is None


def test_links_to_frames_that_are_not_delivered_are_left_out() -> None:
    document = links_document("", STANDS, {ONE: PICTURES[ONE]})
    assert [frame["links"] for frame in document["frames"]] == [[]]


def test_a_frame_that_nobody_placed_has_no_position() -> None:
    document = links_document("", {}, PICTURES)
    jsonschema.validate(document, LINKS_SCHEMA)
    assert all(frame["part"] is None and not frame["links"] for frame in document["frames"])
