"""Drafts: what is tried is checked as a recipe is, and kept as `set` would write it."""

from pathlib import Path

import pytest

from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.recipe import load_recipe
from panopipe.recipe.journal import set_values, take_back, write_step
from panopipe.tune.draft import changes_of, tried

KEY = FrameKey("hall", "h1")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("hall/h1", "hall/h2", "lounge/l1", "alone"):
        path = tmp_path / f"originals/{name}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    (tmp_path / "recipe.toml").write_text("# evening\n[tone]\nexposure_ev = 0.1 # dim\n")
    (tmp_path / "overrides").mkdir()
    (tmp_path / "overrides/hall.toml").write_text("[tone]\nexposure_ev = 0.2\nshadows_ev = 1.0\n")
    return tmp_path


def test_what_is_tried_lies_on_top_and_what_is_given_back_shows_what_lies_below(folder: Path) -> None:
    job = open_job(folder)
    recipe = load_recipe(job)
    settings = tried(job, recipe, KEY, {"tone.shadows_ev": 2, "tone.exposure_ev": None})
    assert settings.stages["tone"].shadows_ev == 2.0
    assert settings.stages["tone"].exposure_ev == 0.1
    assert settings.values["tone"]["exposure_ev"].origin == "recipe.toml:3"
    assert recipe.settings(KEY).stages["tone"].exposure_ev == 0.2


@pytest.mark.parametrize(
    ("draft", "says"),
    [
        ({"tone.exposure_ev": 99}, r"tone\.exposure_ev: 99 is not allowed here"),
        ({"tone.exposre_ev": 1}, r"tone\.exposre_ev: no such setting; did you mean exposure_ev"),
        ({"nadir.fill": "picture"}, r"fill: "),
        ({"balance.neutral_yaw_deg": 10}, r"neutral_yaw_deg: needs neutral_pitch_deg"),
        ({"export.widths": [333]}, r"widths: 333 cannot be"),
        ({"exposure": 1}, "is no STAGE.KEY"),
        ({"nothing.at_all": 1}, r"nothing\.at_all: "),
    ],
)
def test_a_wrong_value_is_told_by_its_name(folder: Path, draft: dict[str, object], says: str) -> None:
    job = open_job(folder)
    with pytest.raises(ValueError, match=says):
        tried(job, load_recipe(job), KEY, draft)


@pytest.mark.parametrize(
    ("level", "where"), [("frame", "hall/h2"), ("room", "lounge"), ("job", "job"), ("frame", "alone")]
)
def test_a_draft_is_kept_letter_by_letter_as_set_writes_it(folder: Path, level: str, where: str) -> None:
    job = open_job(folder)
    key = job.key({"job": "lounge/l1", "lounge": "lounge/l1"}.get(where, where))
    draft = {
        "nadir.fill": "soft",
        "tone.highlights_ev": -1.25,
        "export.widths": [256, 128],
        "tone.toe_ev": "auto",
    }
    words = ["nadir.fill=soft", "tone.highlights_ev=-1.25", "export.widths=[256, 128]", "tone.toe_ev=auto"]
    change = set_values(job, where, words)
    written = (folder / change.file).read_bytes()
    take_back(job)
    (kept,) = changes_of(job, load_recipe(job), key, draft, level)  # type: ignore[arg-type]
    write_step(job, "keep", [kept])
    assert (folder / kept.file).read_bytes() == written
    assert kept.file == change.file


def test_what_a_nearer_file_says_of_the_same_goes(folder: Path) -> None:
    """Else the frame would not look as it was tried."""
    job = open_job(folder)
    set_values(job, "hall/h1", ["tone.exposure_ev=0.9"])
    changes = changes_of(job, load_recipe(job), KEY, {"tone.exposure_ev": 0.5}, "job")
    assert {change.file: change.lines for change in changes} == {
        "recipe.toml": ("- [tone] exposure_ev = 0.1", "+ [tone] exposure_ev = 0.5"),
        "overrides/hall.toml": ("- [tone] exposure_ev = 0.2",),
        "overrides/hall/h1.toml": ("- [tone] exposure_ev = 0.9",),
    }
    write_step(job, "keep", changes)
    assert load_recipe(job).settings(KEY).stages["tone"].exposure_ev == 0.5


def test_what_is_given_back_goes_from_the_file_that_says_it(folder: Path) -> None:
    job = open_job(folder)
    (change,) = changes_of(job, load_recipe(job), KEY, {"tone.exposure_ev": None}, "frame")
    assert (change.file, change.lines) == ("overrides/hall.toml", ("- [tone] exposure_ev = 0.2",))


def test_a_frame_of_no_room_has_no_room_to_keep_for(folder: Path) -> None:
    job = open_job(folder)
    with pytest.raises(ValueError, match="alone is in no room"):
        changes_of(job, load_recipe(job), job.key("alone"), {"tone.exposure_ev": 0.5}, "room")
