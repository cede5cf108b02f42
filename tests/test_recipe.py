"""Recipes: what is in force and why, every fault with its line, changes that leave comments alone."""

import json
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import jsonschema
import pytest

from panopipe.errors import JobError
from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.recipe import effective, load_recipe
from panopipe.recipe.edit import carried
from panopipe.recipe.journal import (
    JOURNAL,
    put_again,
    read_journal,
    set_values,
    take_back,
    unset_values,
    write_step,
)
from panopipe.recipe.schema import recipe_schema
from panopipe.recipe.table import stage_lines, stages_lines
from panopipe.setting import rules
from panopipe.stages.nadir import Nadir

FRAMES = ("hall/h1", "hall/h2", "lounge/l1")
ORDER = '[pipeline]\norder = ["decode", "tone", "vibrance", "nadir", "export"]\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in FRAMES:
        path = tmp_path / f"originals/{name}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    write(tmp_path, "recipe.toml", ORDER)
    return tmp_path


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path) -> list[str]:
    with pytest.raises(JobError) as caught:
        load_recipe(open_job(folder))
    return [str(fault) for fault in caught.value.faults]


def test_the_nearest_file_has_its_way_and_is_named(folder: Path) -> None:
    write(folder, "recipe.toml", ORDER + "# warm\n[tone]\nexposure_ev = 0.1\nshadows_ev = 0.5\n")
    write(folder, "overrides/hall.toml", "[tone]\nexposure_ev = 0.2\n[export]\nquality = 90\n")
    write(folder, "overrides/hall/h2.toml", "[tone]\nexposure_ev = 0.3\n[vibrance]\nuse = false\n")
    found = effective(open_job(folder), FrameKey("hall", "h2"))
    tone = found.values["tone"]
    assert (tone["exposure_ev"].value, tone["exposure_ev"].origin) == (0.3, "overrides/hall/h2.toml:2")
    assert tone["shadows_ev"].origin == "recipe.toml:6"
    assert tone["highlights_ev"].origin == "built-in"
    assert found.stages["tone"].exposure_ev == 0.3
    assert found.stages["export"].quality == 90
    assert found.order == ("decode", "tone", "nadir", "export")
    other = effective(open_job(folder), FrameKey("lounge", "l1"))
    assert (other.stages["tone"].exposure_ev, other.order[2]) == (0.1, "vibrance")


def test_every_fault_is_told_with_file_line_key_and_the_nearest_name(folder: Path) -> None:
    write(
        folder,
        "recipe.toml",
        """[pipeline]
order = ["decode", "toen", "export"]
[tone]
exposre_ev = 1
shadows_ev = 99
highlights_ev = "bright"
[vibrence]
amount = 1
[export]
use = false
quality = 90.5
[decode]
use = "yes"
""",
    )
    write(folder, "overrides/hal.toml", "")
    write(folder, "overrides/lounge.toml", "tone = 3\n")
    told = "\n".join(faults(folder))
    for words in (
        "recipe.toml:2: [pipeline] order: no stage toen is installed; did you mean tone?",
        "recipe.toml:4: [tone] exposre_ev: no such setting; did you mean exposure_ev?",
        "recipe.toml:5: [tone] shadows_ev: 99 is not allowed here; a number from",
        'recipe.toml:6: [tone] highlights_ev: "bright" is not allowed here',
        "recipe.toml:7: [vibrence]: no stage of this name is installed; did you mean vibrance?",
        "recipe.toml:10: [export] use: export is an end of the pipeline",
        "recipe.toml:11: [export] quality: 90.5 is not allowed here; a whole number from 1 to 100",
        'recipe.toml:13: [decode] use: "yes" is not allowed here; true or false is',
        "overrides/hal.toml: rename or remove it: no room or frame has this name; did you mean hall?",
        "overrides/lounge.toml:1: tone: must be a table",
    ):
        assert words in told


@pytest.mark.parametrize(
    ("old", "new"),
    [("contrast_percent", "slope_percent"), ("white_point_ev", "shoulder_ev"), ("black_point_ev", "toe_ev")],
)
def test_a_name_of_older_recipes_is_told_the_new_one(folder: Path, old: str, new: str) -> None:
    write(folder, "recipe.toml", f"[tone]\n{old} = 3\n")
    assert faults(folder) == [f"recipe.toml:2: [tone] {old}: is called {new} now; rename it"]


@pytest.mark.parametrize(
    ("order", "says"),
    [
        ('["tone", "export"]', "must begin with a stage that reads files"),
        ('["decode", "tone"]', "must end with a stage that makes files"),
        ('["decode", "tone", "tone", "export"]', "tone stands there twice"),
        ('["decode", "export", "tone", "export"]', "stands there twice"),
        ("[]", "must begin"),
        ('"decode"', "must be a list of stages"),
    ],
)
def test_an_order_that_cannot_be_is_refused(folder: Path, order: str, says: str) -> None:
    write(folder, "recipe.toml", f"[pipeline]\norder = {order}\n")
    (line,) = faults(folder)
    assert says in line


def test_a_stage_that_is_not_installed_says_so(folder: Path) -> None:
    write(folder, "recipe.toml", '[pipeline]\norder = ["decode", "glow", "export"]\n[glow]\nstrength = 1\n')
    order, table = faults(folder)
    assert order.startswith(
        "recipe.toml:2: [pipeline] order: no stage glow is installed; install its package"
    )
    assert table.startswith("recipe.toml:3: [glow]: no stage of this name is installed; install its package")


@pytest.mark.parametrize("name", ["../patch.png", "/etc/passwd", "sub\\\\patch.png", "gone.png", "link.png"])
def test_a_picture_must_lie_in_the_job_folder(folder: Path, name: str) -> None:
    outside = folder.with_name("outside.png")
    outside.write_bytes(b"")
    try:
        (folder / "link.png").symlink_to(outside)
    except OSError:
        pytest.skip("making links needs a right on Windows")
    picture = next(key for key, rule in rules(Nadir.Settings).items() if rule.kind == "picture")
    write(folder, "recipe.toml", ORDER + f'[nadir]\n{picture} = "{name}"\n')
    (line,) = faults(folder)
    assert line.startswith(f"recipe.toml:4: [nadir] {picture}: ")


def test_a_table_of_a_stage_that_no_frame_goes_through_gets_a_word(folder: Path) -> None:
    write(folder, "recipe.toml", ORDER + "[balance]\nstrength = 0.5\n[tone]\nuse = false\n")
    recipe = load_recipe(open_job(folder))
    assert recipe.idle() == (
        "recipe.toml: [balance] is set, but balance is not in the order of the pipeline",
    )


def test_what_a_stage_refuses_is_told_with_its_line(folder: Path) -> None:
    write(folder, "overrides/hall.toml", "[export]\nquality = 90\nwidths = [4096, 4097]\n")
    (line,) = faults(folder)
    assert line.startswith("overrides/hall.toml:3: [export] widths: 4097 cannot be")


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ('[nadir]\nfill = "picture"\n', '[nadir] fill: "picture" needs patch_picture'),
        ("[balance]\nneutral_yaw_deg = 10\n", "[balance] neutral_yaw_deg: needs neutral_pitch_deg beside it"),
        (
            "[balance]\nneutral_pitch_deg = 10\n",
            "[balance] neutral_pitch_deg: needs neutral_yaw_deg beside it",
        ),
    ],
)
def test_what_cannot_work_together_is_refused_before_the_night(folder: Path, table: str, says: str) -> None:
    (folder / "recipe.toml").unlink()
    write(folder, "overrides/hall/h2.toml", table)
    (line,) = faults(folder)
    assert line.startswith(f"overrides/hall/h2.toml:2: {says}")


def test_the_schema_says_what_the_check_says(folder: Path) -> None:
    schema = recipe_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    good = "[tone]\nexposure_ev = 'auto'\nuse = false\n[export]\nquality = 90\nwidths = [4096]\n"
    assert validator.is_valid(tomllib.loads(good))
    for bad in (
        "[tone]\nexposure_ev = 99",
        "[tone]\nx = 1",
        "[export]\nquality = 0",
        "[toen]",
        "[tone]\nuse = 1",
    ):
        assert not validator.is_valid(tomllib.loads(bad)), bad
        write(folder, "recipe.toml", bad)
        assert faults(folder)
    json.dumps(schema)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[tone]\nexposure_ev = 0,3\n", "recipe.toml:2: is not TOML: something follows the value"),
        ("[tone]\nexposure_ev = 0.3 EV\n", "recipe.toml:2: is not TOML: something follows the value"),
        ("[tone]\nexposure_ev = auto\n", "recipe.toml:2: is not TOML: write a number"),
        ("[tone]\nshadows_ev = 1\nshadows_ev = 2\n", "recipe.toml:3: is not TOML: a key stands there twice"),
        ("[tone]\n[export]\n[tone]\n", "recipe.toml:3: is not TOML: a table stands there twice"),
        ("[tone\n", "recipe.toml:1: is not TOML: Expected ']'"),
        (
            '[rights]\ncreator = "A. Fen"\n',
            "recipe.toml:1: [rights]: no stage of this name is installed; it belongs",
        ),
        ("exposure_ev = 1\n", "recipe.toml:1: [exposure_ev]: stands in no table; write [STAGE]"),
    ],
)
def test_what_is_easily_mistyped_is_told_in_plain_words(folder: Path, text: str, says: str) -> None:
    write(folder, "recipe.toml", text)
    (line,) = faults(folder)
    assert line.startswith(says)


def test_setting_a_value_keeps_comments_and_order(folder: Path) -> None:
    text = ORDER + "# the long evening\n[tone] # by hand\nshadows_ev = 0.5   # corners\nexposure_ev = 0.1\n"
    path = write(folder, "recipe.toml", text)
    job = open_job(folder)
    change = set_values(job, "job", ["tone.exposure_ev=0.25"])
    assert change.lines == ("- [tone] exposure_ev = 0.1", "+ [tone] exposure_ev = 0.25")
    assert path.read_text() == text.replace("0.1", "0.25")
    assert set_values(job, "job", ["tone.exposure_ev=0.25"]).lines == ()
    set_values(job, "hall/h1", ["tone.exposure_ev=auto"])
    assert (folder / "overrides/hall/h1.toml").read_text() == '[tone]\nexposure_ev = "auto"\n'


@pytest.mark.parametrize(
    ("where", "assignment", "says"),
    [
        ("job", "tone.exposure_ev=99", "99 is not allowed here"),
        ("job", "tone.exposre_ev=1", "did you mean exposure_ev"),
        ("job", "exposure_ev=1", "write STAGE.KEY=VALUE"),
        ("attic", "tone.exposure_ev=1", "no room or frame attic in this job"),
    ],
)
def test_a_wrong_value_is_not_written(folder: Path, where: str, assignment: str, says: str) -> None:
    before = (folder / "recipe.toml").read_text()
    with pytest.raises(ValueError, match=says):
        set_values(open_job(folder), where, [assignment])
    assert (folder / "recipe.toml").read_text() == before


def test_a_frame_named_like_a_place_is_told_from_it(folder: Path) -> None:
    for name in ("hall", "job"):
        write(folder, f"originals/{name}.dng", "")
    job = open_job(folder)
    for word, room in (("job", "the whole job"), ("hall", "the room hall")):
        with pytest.raises(ValueError, match=f"{word} could be {room} or the frame {word}; write "):
            set_values(job, word, ["tone.exposure_ev=1"])
    set_values(job, "./job", ["tone.exposure_ev=1"])
    assert (folder / "overrides/job.toml").read_text() == "[tone]\nexposure_ev = 1\n"
    unset_values(job, "./job", ["tone.exposure_ev"])
    for place in ("hall/", "./hall"):
        with pytest.raises(JobError, match=r"hall.toml: would be of the room hall and of the frame hall"):
            set_values(job, place, ["tone.exposure_ev=1"])
    assert not (folder / "overrides/hall.toml").exists()
    write(folder, "overrides/hall.toml", "[tone]\nexposure_ev = 0.2\n")
    (line,) = faults(folder)
    assert line.startswith("overrides/hall.toml: would be of the room hall")


def test_carrying_gives_a_room_the_same_settings_and_no_more(folder: Path) -> None:
    write(folder, "overrides/hall.toml", "[tone]\nexposure_ev = 0.2\n[vibrance]\nuse = false\n")
    goal = write(
        folder, "overrides/lounge.toml", "# lounge\n[tone]\nshadows_ev = 1.0 # dark\nexposure_ev = 0.9\n"
    )
    job = open_job(folder)
    (change,) = carried(job, "hall", ["lounge"], ["tone"])
    assert change.lines == (
        "- [tone] shadows_ev = 1.0",
        "- [tone] exposure_ev = 0.9",
        "+ [tone] exposure_ev = 0.2",
    )
    assert "shadows_ev" in goal.read_text()
    write_step(job, "carry", [change])
    assert goal.read_text() == "# lounge\n[tone]\nexposure_ev = 0.2\n"
    (change,) = carried(job, "hall", ["lounge"], [])
    write_step(job, "carry", [change])
    hall, lounge = (effective(open_job(folder), FrameKey(*key)) for key in (("hall", "h1"), ("lounge", "l1")))
    assert hall.stages == lounge.stages


def test_a_frames_settings_can_be_carried_too(folder: Path) -> None:
    write(folder, "overrides/hall.toml", "[tone]\nexposure_ev = 0.2\nshadows_ev = 0.1\n")
    write(folder, "overrides/hall/h1.toml", "[tone]\nexposure_ev = 0.3\n")
    (change,) = carried(open_job(folder), "hall/h1", ["lounge"], [])
    assert change.lines == ("+ [tone] exposure_ev = 0.3", "+ [tone] shadows_ev = 0.1")
    with pytest.raises(ValueError, match="sets nothing for vibrance"):
        carried(open_job(folder), "hall", ["lounge"], ["vibrance"])
    with pytest.raises(ValueError, match="no settings of its own"):
        carried(open_job(folder), "lounge", ["hall"], [])
    with pytest.raises(ValueError, match="is the room to carry from"):
        carried(open_job(folder), "hall", ["hall"], [])


def test_tables_of_stages_name_value_unit_and_bounds() -> None:
    assert any(line.startswith("tone ") for line in stages_lines())
    text = "\n".join(stage_lines("export"))
    assert "quality = 9" in text
    assert "a whole number from 1 to 100" in text
    with pytest.raises(ValueError, match="did you mean export"):
        list(stage_lines("exprot"))


def test_several_values_are_set_together_or_not_at_all(folder: Path) -> None:
    job = open_job(folder)
    change = set_values(job, "hall", ["level.tilt_deg=2", "level.toward_yaw_deg=-90", "tone.shadows_ev=1"])
    assert len(change.lines) == 3
    before = (folder / "overrides/hall.toml").read_text()
    with pytest.raises(ValueError, match="99"):
        set_values(job, "hall", ["level.tilt_deg=3", "tone.exposure_ev=99"])
    assert (folder / "overrides/hall.toml").read_text() == before


def test_a_change_worked_out_from_another_state_of_the_file_is_not_written(folder: Path) -> None:
    write(folder, "overrides/hall.toml", "[tone]\nexposure_ev = 0.5\n")
    job = open_job(folder)
    (change,) = carried(job, "hall", ["lounge"], ["tone"])
    set_values(job, "lounge", ["tone.shadows_ev=1"])
    with pytest.raises(ValueError, match=r"overrides/lounge.toml was changed meanwhile; nothing is written"):
        write_step(job, "carry", [change])
    assert "shadows_ev" in (folder / "overrides/lounge.toml").read_text()


def test_settings_given_at_once_are_all_kept(folder: Path) -> None:
    """A fault once seen: of six commands at once, all with exit code 0, one value was left."""
    keys = ["exposure_ev", "shadows_ev", "highlights_ev", "view_white_percent"]
    with ThreadPoolExecutor() as threads:
        list(threads.map(lambda key: set_values(open_job(folder), "job", [f"tone.{key}=1"]), keys))
    document = tomllib.loads((folder / "recipe.toml").read_text())
    assert document["tone"].keys() == set(keys)


def test_what_is_unset_is_inherited_again(folder: Path) -> None:
    write(folder, "overrides/hall.toml", "[tone]\nexposure_ev = 0.2\n")
    frame = write(folder, "overrides/hall/h1.toml", "# dark\n[tone]\nexposure_ev = 0.3\nshadows_ev = 1.0\n")
    job = open_job(folder)
    change = unset_values(job, "hall/h1", ["tone.exposure_ev"])
    assert change.lines == ("- [tone] exposure_ev = 0.3",)
    assert frame.read_text() == "# dark\n[tone]\nshadows_ev = 1.0\n"
    assert effective(job, FrameKey("hall", "h1")).values["tone"]["exposure_ev"].value == 0.2
    unset_values(job, "hall/h1", ["tone"])
    assert frame.read_text() == "# dark\n"
    unset_values(job, "hall", ["tone"])
    assert not (folder / "overrides/hall.toml").exists()


@pytest.mark.parametrize(
    ("name", "says"),
    [("tone.exposre_ev", r"did you mean tone\.exposure_ev"), ("nadir", "it sets tone.exposure_ev")],
)
def test_what_a_file_does_not_set_cannot_be_unset(folder: Path, name: str, says: str) -> None:
    write(folder, "overrides/hall.toml", "[tone]\nexposure_ev = 0.2\n")
    with pytest.raises(ValueError, match=says):
        unset_values(open_job(folder), "hall", [name])


def test_steps_are_taken_back_and_written_again_letter_by_letter(folder: Path) -> None:
    mark = "\ufeff"
    hall = folder / "overrides/hall.toml"
    hall.parent.mkdir()
    hall.write_bytes(
        f"{mark}# by an editor of another system\r\n[tone]\r\nexposure_ev = 0.2 # dark\r\n".encode()
    )
    job, states = open_job(folder), [hall.read_bytes()]
    for assignment in ("tone.exposure_ev=0.5", "tone.shadows_ev=1", "nadir.margin_deg=2"):
        set_values(job, "hall", [assignment])
        states.append(hall.read_bytes())
    assert states[1] == states[0].replace(b"0.2", b"0.5")
    assert b"\n" not in states[3].replace(b"\r\n", b"")
    for state in states[2::-1]:
        take_back(job)
        assert hall.read_bytes() == state
    with pytest.raises(ValueError, match="nothing to take back"):
        take_back(job)
    for state in states[1:]:
        put_again(job)
        assert hall.read_bytes() == state
    with pytest.raises(ValueError, match="nothing to put back"):
        put_again(job)


def test_a_file_that_a_step_made_goes_with_it(folder: Path) -> None:
    job = open_job(folder)
    set_values(job, "lounge", ["tone.shadows_ev=1"])
    back = take_back(job)
    assert back.changes[0].lines == ("- [tone] shadows_ev = 1",)
    assert not (folder / "overrides/lounge.toml").exists()


def test_a_step_of_several_rooms_is_one(folder: Path) -> None:
    write(folder, "overrides/hall.toml", "[tone]\nexposure_ev = 0.2\n")
    write(folder, "overrides/lounge.toml", "[tone]\nexposure_ev = 0.4\n")
    job = open_job(folder)
    write_step(job, "carry hall/h1 lounge", carried(job, "hall/h1", ["lounge", "hall"], []))
    take_back(job)
    assert (folder / "overrides/lounge.toml").read_text() == "[tone]\nexposure_ev = 0.4\n"
    assert read_journal(job).standing == 0


def test_what_was_changed_by_hand_since_is_left_alone(folder: Path) -> None:
    job = open_job(folder)
    set_values(job, "hall", ["tone.shadows_ev=1"])
    write(folder, "overrides/hall.toml", "[tone]\nshadows_ev = 2\n")
    with pytest.raises(ValueError, match="was changed otherwise"):
        take_back(job)
    assert (folder / "overrides/hall.toml").read_text() == "[tone]\nshadows_ev = 2\n"


@pytest.mark.parametrize(
    "file", ["originals/hall/h1.dng", "overrides/../job.toml", "accepted.toml", "/etc/x.toml"]
)
def test_a_journal_from_a_stranger_writes_files_of_settings_only(folder: Path, file: str) -> None:
    step = {"said": "set", "changes": [{"file": file, "lines": [], "before": "", "content": None}]}
    write(folder, JOURNAL, json.dumps({"steps": [step], "standing": 1}))
    with pytest.raises(ValueError, match="nothing to take back"):
        take_back(open_job(folder))
    assert (folder / "originals/hall/h1.dng").exists()
