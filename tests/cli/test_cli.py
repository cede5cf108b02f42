"""The commands as a photographer types them."""

import errno
import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner, Result

from panopipe import registry
from panopipe.cli import app
from panopipe.cli.nearest_option import MEANINGS
from panopipe.pixels import compiled as forms
from panopipe.pool.dispatch import Inline
from panopipe.recipe import journal
from panopipe.registry import loaded_stage
from panopipe.review import make
from panopipe.run import checking, job_run, session
from panopipe.run import forecast as forecasts
from panopipe.state import ledger
from panopipe.state.lock import JobLock
from tests.delivery.jobs import finished_job, note, put_frame
from tests.makers.bracket import room_light, write_bracket
from tests.makers.closed import closed
from tests.review.pictures import room, save
from tests.run.conftest import FAKES, write_frame

ORDER = '[pipeline]\norder = ["decode", "gain", "moody", "raw"]\n'


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A job of three frames, stages of plain arithmetic, no worker processes."""
    for name, cls in FAKES.items():
        monkeypatch.setitem(registry.BUILT_IN, name, f"tests.run.fakes:{cls}")
    for module in (session, checking):
        monkeypatch.setattr(module, "WorkerPool", lambda *_: Inline())
    monkeypatch.setattr(os, "fsync", lambda _: None)  # no test here cuts the power
    monkeypatch.setattr(ledger, "SYNCHRONOUS", "off")
    loaded_stage.cache_clear()
    for number, name in enumerate(["hall/h1", "hall/h2", "lounge/l1"]):
        write_frame(tmp_path / f"originals/{name}.dng", seed=number)
    (tmp_path / "recipe.toml").write_text(ORDER)
    yield tmp_path
    loaded_stage.cache_clear()


def panopipe(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def lines_with(result: Result, start: str) -> list[list[str]]:
    return [line.split() for line in result.stdout.splitlines() if line.startswith(start)]


def test_a_run_ends_with_a_table_per_room(folder: Path) -> None:
    result = panopipe("run", folder, "--no-review")
    assert result.exit_code == 0
    assert lines_with(result, "hall ") == [["hall", "2", "0", "0"]]
    assert lines_with(result, "all ") == [["all", "3", "0", "0"]]
    again = panopipe("run", folder, "--no-review")
    assert lines_with(again, "all ") == [["all", "0", "3", "0"]]


def test_a_frame_that_fails_gives_code_1_and_a_line(folder: Path) -> None:
    panopipe("set", folder, "hall/h2", "moody.mood=raise")
    result = panopipe("run", folder, "--no-review")
    assert result.exit_code == 1
    assert lines_with(result, "hall ") == [["hall", "1", "0", "1"]]
    assert "hall/h2: moody: stopped with a fault of its own" in result.stdout
    assert "Traceback" not in result.output


def test_a_room_that_cannot_be_read_is_named_gives_code_1_and_keeps_what_it_has(folder: Path) -> None:
    attic = folder / "originals/attic"
    write_frame(attic / "a1.dng", seed=9)
    assert panopipe("run", folder).exit_code == 0
    with closed(attic):
        result, checked = panopipe("run", folder), panopipe("check", folder)
        as_json = panopipe("run", folder, "--no-review", "--json")
        only_hall = panopipe("run", folder, "--no-review", "--room", "hall")
        setting = panopipe("set", folder, "attic", "gain.use=false")
    assert [one.exit_code for one in (result, checked, as_json, only_hall)] == [1, 1, 1, 0]
    assert lines_with(result, "all ") == [["all", "0", "3", "0"]]
    named = "originals/attic: the folder cannot be read ("
    assert result.stdout.count(named) == 2  # as the run begins, and where it ends
    assert named in checked.stdout
    assert "no frame attic can be told now: originals/attic cannot be read" in setting.stderr
    assert list(json.loads(as_json.stdout)["unread"]) == ["originals/attic"]
    found = json.loads((folder / "review/results.json").read_text())["findings"]
    assert [one["check"] for one in found] == ["unread"]
    again = panopipe("run", folder, "--no-review")
    assert again.exit_code == 0
    assert lines_with(again, "all ") == [["all", "0", "4", "0"]]
    assert "to look at" not in again.stdout


def test_run_as_json_is_json_and_nothing_else(folder: Path) -> None:
    panopipe("set", folder, "hall/h2", "moody.mood=raise")
    result = panopipe("run", folder, "--no-review", "--json", "--room", "hall")
    found = json.loads(result.stdout)
    assert found["finished"] == ["hall/h1"]
    assert list(found["failed"]) == ["hall/h2"]
    assert (folder / found["log"]).is_file()
    events = (folder / found["log"]).with_suffix(".events.jsonl").read_text().splitlines()
    assert [json.loads(event)["event"] for event in events] == [
        "start", "looked", "looked", "looked", "finished", "failed", "end",
    ]  # fmt: skip


def test_room_and_frame_limit_the_run(folder: Path) -> None:
    result = panopipe("run", folder, "--no-review", "--room", "lounge", "--frame", "hall/h2")
    assert lines_with(result, "all ") == [["all", "2", "0", "0"]]
    wrong = panopipe("run", folder, "--room", "longe")
    assert (wrong.exit_code, wrong.stderr) == (
        2,
        "panopipe: no room longe in this job; did you mean lounge? (rooms: hall, lounge)\n",
    )


def test_a_wrong_recipe_is_refused_before_any_work(folder: Path) -> None:
    (folder / "recipe.toml").write_text(ORDER + "[gain]\ngain_ev = 9\ngian = 1\n")
    for command in ("run", "check", "proof"):
        result = panopipe(command, folder)
        assert result.exit_code == 2
        assert len(result.stderr.splitlines()) == 2
        assert (
            "recipe.toml:4: [gain] gain_ev: 9 is not allowed here; a number from -5 to 5 EV is"
            in result.stderr
        )
    assert not (folder / "finished").exists()


def test_check_opens_every_original_and_writes_nothing(folder: Path) -> None:
    (folder / "originals/lounge/l2.dng").write_text("a text file")
    before = sorted(folder.rglob("*"))
    result = panopipe("check", folder)
    assert result.exit_code == 1
    assert lines_with(result, "hall ") == [["hall", "frames:", "2", "64x32"]]
    assert "lounge/l2: decode: not a DNG" in result.stdout
    assert "the recipe is right; 3 of 4 frames can be taken" in result.stdout
    found = json.loads(panopipe("check", folder, "--json").stdout)
    assert found["frames"] == {"hall/h1": [64, 32], "hall/h2": [64, 32], "lounge/l1": [64, 32]}
    assert list(found["failed"]) == ["lounge/l2"]
    assert sorted(folder.rglob("*")) == before
    (folder / "originals/lounge/l2.dng").unlink()
    assert panopipe("check", folder).exit_code == 0
    assert panopipe("check", folder / "nowhere").exit_code == 2


def test_settings_show_where_each_comes_from(folder: Path) -> None:
    assert panopipe("set", folder, "hall", "gain.gain_ev=0.5").exit_code == 0
    result = panopipe("settings", folder, "hall/h1")
    assert ["gain_ev", "=", "0.5", "overrides/hall.toml:2"] in lines_with(result, "  gain_ev")
    assert ["use", "=", "true", "built-in"] in lines_with(result, "  use")
    changed = panopipe("settings", folder, "lounge/l1", "--changed").stdout
    assert "gain_ev" not in changed
    as_json = json.loads(panopipe("settings", folder, "h1", "--json").stdout)
    assert as_json["gain"]["gain_ev"] == {"value": 0.5, "origin": "overrides/hall.toml:2"}


def test_carry_shows_first_and_writes_when_told(folder: Path) -> None:
    panopipe("set", folder, "hall", "gain.gain_ev=0.5")
    shown = panopipe("carry", folder, "hall", "lounge")
    assert "+ [gain] gain_ev = 0.5" in shown.stdout
    assert "nothing is written yet" in shown.stdout
    assert not (folder / "overrides/lounge.toml").exists()
    panopipe("carry", folder, "hall", "lounge", "--write")
    assert (folder / "overrides/lounge.toml").read_text() == (folder / "overrides/hall.toml").read_text()


def test_what_was_written_is_taken_back_step_by_step(folder: Path) -> None:
    panopipe("set", folder, "hall", "gain.gain_ev=0.5")
    panopipe("carry", folder, "hall", "lounge", "--write")
    panopipe("unset", folder, "hall", "gain.gain_ev")
    listed = panopipe("undo", folder, "--list").stdout.splitlines()
    assert listed == ["unset hall gain.gain_ev", "carry hall lounge", "set hall gain.gain_ev=0.5"]
    assert panopipe("undo", folder).stdout.splitlines() == [
        "taken back: unset hall gain.gain_ev",
        "overrides/hall.toml: + [gain] gain_ev = 0.5",
    ]
    panopipe("undo", folder)
    assert not (folder / "overrides/lounge.toml").exists()
    panopipe("undo", folder, "--again")
    assert (folder / "overrides/lounge.toml").exists()
    assert json.loads(panopipe("undo", folder, "--list", "--json").stdout)[2]["stands"] is False


def test_set_and_carry_answer_scripts(folder: Path) -> None:
    change = {"file": "overrides/hall.toml", "lines": ["+ [gain] gain_ev = 0.5"]}
    assert json.loads(panopipe("set", folder, "hall", "gain.gain_ev=0.5", "--json").stdout) == change
    shown = json.loads(panopipe("carry", folder, "hall", "lounge", "--json").stdout)
    assert shown == {"written": False, "changes": [{**change, "file": "overrides/lounge.toml"}]}


def test_carry_from_a_name_that_is_not_there_names_the_nearest(folder: Path) -> None:
    said = "no room or frame hal in this job; did you mean hall? (known: hall, lounge)"
    assert panopipe("carry", folder, "hal", "lounge").stderr == f"panopipe: {said}\n"


def test_carry_writes_to_all_rooms_or_to_none(folder: Path) -> None:
    panopipe("set", folder, "hall", "gain.gain_ev=0.5")
    result = panopipe("carry", folder, "hall", "lounge", "study", "--write")
    assert result.exit_code == 2
    assert result.stderr == "panopipe: no room study in this job (rooms: hall, lounge)\n"
    assert result.stdout == ""
    assert not (folder / "overrides/lounge.toml").exists()


def test_proofs_go_to_their_folder(folder: Path) -> None:
    result = panopipe("proof", folder, "--frame", "hall/h1", "--width", 256)
    assert result.exit_code == 0
    assert (folder / "proofs/hall/h1.raw").is_file()
    assert result.stdout.splitlines()[-1] == f"proofs: {folder / 'proofs/index.html'}"


def test_a_proof_stands_beside_the_one_before_it(folder: Path) -> None:
    def made(path: str) -> bytes | None:
        return (folder / path).read_bytes() if (folder / path).is_file() else None

    panopipe("proof", folder)
    first = made("proofs/lounge/l1.raw")
    assert made("proofs/before/lounge/l1.raw") is None
    panopipe("set", folder, "lounge", "gain.gain_ev=0.5")
    panopipe("proof", folder, "--room", "lounge")
    second = made("proofs/lounge/l1.raw")
    assert made("proofs/before/lounge/l1.raw") == first != second
    panopipe("proof", folder)
    assert made("proofs/before/lounge/l1.raw") == first
    assert made("proofs/before/hall/h1.raw") is None
    assert made("proofs/lounge/l1.raw") == second


def test_stages_and_schema(folder: Path) -> None:
    assert lines_with(panopipe("stages"), "gain ")
    assert "gain_ev = 0" in panopipe("stages", "gain").stdout
    assert panopipe("stages", "gian").exit_code == 2
    assert "gain" in json.loads(panopipe("schema").stdout)["properties"]


def test_intake_and_verify(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    job = tmp_path_factory.mktemp("jobs") / "new"
    taken = panopipe("intake", folder / "originals", job).stdout
    assert "3 copied and checked, 0 there already\n" in taken
    assert f"Next: panopipe check {job}" in taken
    (folder / "originals/hall/h1.dng").write_bytes(b"another")
    assert "2 there already, 1 not taken\n" in panopipe("intake", folder / "originals", job).stdout
    assert panopipe("verify", job).exit_code == 0
    (job / "originals/hall/h1.dng").unlink()
    result = panopipe("verify", job)
    assert result.exit_code == 1
    assert "originals/hall/h1.dng: is missing" in result.stdout
    assert panopipe("verify", job / "nowhere").stderr == f"panopipe: {job}/nowhere: no such folder\n"


def test_intake_says_what_does_not_open_while_the_card_still_holds_it(folder: Path, tmp_path: Path) -> None:
    (folder / "originals/hall/h1.dng").write_bytes(b"cut short")
    taken = panopipe("intake", folder / "originals", tmp_path / "new")
    assert taken.exit_code == 1
    assert lines_with(taken, "hall/h1: ") and "1 unreadable" in taken.stdout


def test_intake_counts_a_bracket_as_one_frame(tmp_path: Path) -> None:
    write_bracket(tmp_path / "card" / "hall", room_light(128), (0, -2, 2))
    taken = panopipe("intake", tmp_path / "card", tmp_path / "new")
    assert "3 copied and checked, 0 there already\n" in taken.stdout
    assert "\n1 frame, 1 room, 0 JPEG twins, 0 other files left, 0 unreadable\n" in taken.stdout


def test_what_stands_where_a_file_or_folder_belongs_is_refused(folder: Path) -> None:
    for name, is_folder in [
        ("finished", False), ("overrides", False), (".panopipe/before", False), ("job.toml", True),
        ("overrides/hall.toml", True), ("overrides/hall/h1.toml", True),
    ]:  # fmt: skip
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.mkdir() if is_folder else place.touch()
        result = panopipe("run", folder)
        found, needed = ("folder", "file") if is_folder else ("file", "folder")
        why = f"is a {found}, and panopipe needs a {needed} of that name; move it away"
        assert result.stderr == f"panopipe: {name}: {why}\n"
        assert result.exit_code == 2
        place.rmdir() if is_folder else place.unlink()
        if place.parent != folder:
            place.parent.rmdir()


def test_a_file_in_the_place_of_a_finished_room_costs_only_that_room(folder: Path) -> None:
    (folder / "finished").mkdir()
    (folder / "finished/hall").touch()
    result = panopipe("run", folder, "--no-review")
    assert result.exit_code == 1
    assert lines_with(result, "lounge ") == [["lounge", "1", "0", "0"]]
    assert "hall/h1: finished/hall: is a file, and panopipe needs a folder of that name" in result.stdout
    assert "once more" not in result.stdout


def test_a_review_that_fails_is_said_in_one_line_and_told_by_the_exit_code(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), "review/index.html")

    monkeypatch.setattr(make, "make_review", refuse)
    result = panopipe("run", folder)
    assert (result.exit_code, len(result.stderr.splitlines())) == (1, 1)
    assert "the review could not be made: Permission denied: review/index.html; allow it" in result.stderr
    assert lines_with(result, "all ") == [["all", "3", "0", "0"]]


def test_a_ledger_that_cannot_be_opened_is_said(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise sqlite3.OperationalError("unable to open database file")

    monkeypatch.setattr(ledger.sqlite3, "connect", refuse)
    result = panopipe("run", folder)
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert "the ledger cannot be opened (unable to open database file)" in result.stderr


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOSPC, "the disk is full; make room"),
        (errno.EACCES, "Permission denied: x; allow it, or copy"),
    ],
)
def test_what_the_system_refuses_comes_with_what_helps(
    folder: Path, monkeypatch: pytest.MonkeyPatch, number: int, says: str
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number), "x")

    monkeypatch.setattr(journal, "write_below", refuse)
    result = panopipe("set", folder, "hall", "gain.gain_ev=0.5")
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert says in result.stderr


def test_the_version_is_that_of_the_package() -> None:
    assert panopipe("--version").stdout.splitlines()[0] == f"panopipe {metadata.version('panopipe')}"


def test_a_second_run_says_who_is_at_it(folder: Path) -> None:
    (folder / ".panopipe").mkdir()
    with JobLock(folder):
        result = panopipe("run", folder)
    assert result.exit_code == 2
    assert "another run works on this job (process" in result.stderr


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="only Linux lists a process' threads")
def test_linear_algebra_gets_one_thread_whatever_the_shell_says() -> None:
    code = (
        "import os, panopipe.cli.program as program; program.app = lambda: None; program.main();"
        "import numpy; one = numpy.ones((600, 600)); one @ one; print(len(os.listdir('/proc/self/task')))"
    )
    shell = os.environ | {"OPENBLAS_NUM_THREADS": "2", "OMP_NUM_THREADS": "2"}
    said = subprocess.run([sys.executable, "-c", code], env=shell, capture_output=True, text=True, check=True)
    assert said.stdout == "1\n", said.stderr


@pytest.mark.skipif(os.name == "nt", reason="Windows starts processes another way, and kills them so, too")
def test_a_command_killed_while_it_starts_a_worker_leaves_no_word(tmp_path: Path) -> None:
    """The orphan finds no task where it looks for one, and must not say so on the user's screen."""
    write_frame(tmp_path / "originals/hall/h1.dng", width=16)
    code = (
        "import os, signal, sys; from multiprocessing import util; start = util.spawnv_passfds\n"
        "def killed(path, words, *more):\n"
        "    number = start(path, words, *more)\n"
        "    'spawn_main' in str(words) and os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return number\n"
        "util.spawnv_passfds = killed\n"
        "from panopipe.cli import main; main()"
    )
    words = [sys.executable, "-c", code, "check", str(tmp_path)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)  # until the orphan ends, too
    assert (done.returncode, done.stderr) == (-signal.SIGKILL, "")


def test_help_loads_no_picture_library() -> None:
    code = "import sys, panopipe.cli; print(sorted({'numpy', 'cv2', 'rawpy', 'skimage'} & set(sys.modules)))"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"
    assert "Finish a job's frames" in panopipe("--help").stdout


def test_a_line_about_an_error_loads_no_picture_library() -> None:
    """It comes at once, and also where one of the libraries is what is broken."""
    code = (
        "import sys; from panopipe.cli.errors import say, what_to_do; say(what_to_do(ValueError('a\\nb')));"
        "print(sorted({'numpy', 'cv2', 'PIL', 'imagecodecs'} & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert (shown.stderr, shown.stdout) == ("panopipe: a b\n", "[]\n")


def test_a_real_run_with_worker_processes(tmp_path: Path) -> None:
    """The one test here that starts the program and its workers as a user does."""
    for name in ("hall/h1", "hall/h2"):
        write_frame(tmp_path / f"originals/{name}.dng")
    (tmp_path / "originals/hall/h3.dng").write_text("a text file")
    (tmp_path / "recipe.toml").write_text('[pipeline]\norder = ["decode", "export"]\n')
    words = [sys.executable, "-m", "panopipe", "run", str(tmp_path), "--workers", "1", "--no-review"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "hall/h3: decode: not a DNG" in done.stdout
    assert done.stderr == ""
    assert sorted(path.name for path in (tmp_path / "finished/hall").iterdir()) == ["h1.jpg", "h2.jpg"]


@pytest.mark.parametrize("compiled", [True, False])
def test_missing_compiled_arithmetic_is_said(
    folder: Path, compiled: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forms, "COMPILED", compiled)
    monkeypatch.setattr(job_run, "COMPILED", compiled)
    said = [panopipe("--version").stdout, panopipe("run", folder, "--no-review").stdout]
    assert [text.count(forms.NOT_COMPILED) for text in said] == [int(not compiled)] * 2


def plan_of(folder: Path) -> dict[str, tuple[str, list[str]]]:
    told = json.loads(panopipe("run", folder, "--plan", "--json").stdout)
    return {row["frame"]: (row["what"], row["reasons"]) for row in told}


def test_a_plan_tells_what_would_be_made_and_why_and_a_run_does_just_that(folder: Path) -> None:
    assert {what for what, _ in plan_of(folder).values()} == {"is made"}
    assert not (folder / "finished").exists()
    panopipe("run", folder, "--no-review")
    assert plan_of(folder) == dict.fromkeys(["hall/h1", "hall/h2", "lounge/l1"], ("stays", []))
    panopipe("set", folder, "lounge", "gain.gain_ev=0.5")
    (folder / "finished/hall/h1.raw").unlink()
    plan = plan_of(folder)
    assert plan["lounge/l1"] == ("is made", ["gain.gain_ev is 0.5, was 0.0"])
    assert plan["hall/h1"] == ("is made", ["finished/hall/h1.raw is missing"])
    assert plan["hall/h2"] == ("stays", [])
    said = panopipe("run", folder, "--plan").stdout.splitlines()
    assert said[-1] == "2 to be made, 1 stay as they are"
    ledger_before = (folder / ".panopipe/ledger.sqlite").read_bytes()
    plan_of(folder)
    assert (folder / ".panopipe/ledger.sqlite").read_bytes() == ledger_before
    result = json.loads(panopipe("run", folder, "--no-review", "--json").stdout)
    assert sorted(result["finished"]) == ["hall/h1", "lounge/l1"]


def test_a_plan_names_an_original_that_is_new_or_changed(folder: Path) -> None:
    panopipe("run", folder, "--no-review")
    write_frame(folder / "originals/hall/h1.dng", seed=7)
    what, reasons = plan_of(folder)["hall/h1"]
    assert (what, reasons) == ("is made", ["originals/hall/h1.dng is new or was changed"])
    assert plan_of(folder)["lounge/l1"][0] == "may be made"


def test_a_frame_that_failed_makes_no_other_one_stale(folder: Path) -> None:
    """Delivery called every frame of a job stale once one could not be read."""
    (folder / "originals/hall/h2.dng").write_bytes(b"no picture")
    panopipe("run", folder, "--no-review")
    plan = plan_of(folder)
    assert plan["hall/h2"][0] == "is made"
    assert plan["hall/h1"] == plan["lounge/l1"] == ("stays", [])


@pytest.mark.parametrize(
    ("words", "means"),
    [
        (["run", "--threads", "2"], "--workers"),
        (["run", "--dry-run"], "--plan"),
        (["run", "--worker", "2"], "--workers"),
        (["proof", "--size", "512"], "--width"),
        (["carry", "--apply"], "--write"),
        (["check", "--verbose"], "--debug"),
    ],
)
def test_a_mistyped_option_is_answered_by_the_nearest_in_meaning(words: list[str], means: str) -> None:
    result = panopipe(*words)
    assert result.exit_code == 2
    assert means in result.stderr


def test_each_meaning_is_that_of_an_option_that_there_is() -> None:
    known = {
        name
        for command in get_command(app).commands.values()  # type: ignore[attr-defined]
        for option in command.params
        for name in (*option.opts, *option.secondary_opts)
    }
    assert set(MEANINGS) <= known | {"--version"}


def test_check_tells_time_and_disk(folder: Path) -> None:
    assert "a run of all: about" in panopipe("check", folder).stdout
    needs = json.loads(panopipe("check", folder, "--json").stdout)["estimate"]
    assert needs["by_this_job"] is False
    assert needs["disk_bytes"] > 0


def test_stages_answer_scripts() -> None:
    (tone,) = json.loads(panopipe("stages", "tone", "--json").stdout)
    assert tone["settings"]["exposure_ev"]["unit"] == "EV"
    assert tone["settings"]["exposure_ev"]["default"] == "auto"


def test_exit_codes_that_happen_stand_in_the_help() -> None:
    said = panopipe("--help").stdout
    assert all(f" {code}:" in said for code in (1, 2, 3, 70, 130))


def test_what_was_accepted_is_delivered_and_proved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forecasts, "forecast", lambda *_: ())  # no run made these frames
    job = finished_job(tmp_path / "job", (("hall", "hall-01"), ("hall", "hall-02")))
    leaning = put_frame(job, "attic", "a1", seed=4)
    save(job / leaning.outputs[0], room(384, seed=4, lean_deg=2.0))
    note(job, {leaning.key: leaning})
    refused = panopipe("deliver", job)
    assert (refused.exit_code, "attic/a1: tilt: The frame leans" in refused.stdout) == (1, True)
    assert "not delivered: 1 doubt" in refused.stdout
    assert json.loads(panopipe("accept", job, "--json").stdout)[0]["accepted"] is False
    accepted = panopipe("accept", job, "attic/a1", "tilt")
    assert accepted.stdout.startswith("attic/a1: tilt accepted: The frame leans")
    assert "attic/a1: tilt (accepted)" in panopipe("accept", job).stdout
    made = json.loads(panopipe("deliver", job, "--to", tmp_path / "out.zip", "--json").stdout)
    assert (made["obstacles"], len(made["made"])) == ([], 6)
    proved = panopipe("verify", tmp_path / "out.zip")
    assert (proved.exit_code, proved.stdout) == (0, "files as they were delivered: 5, not: 0\n")
    back = panopipe("accept", job, "attic/a1", "--take-back")
    assert back.stdout.startswith("attic/a1: tilt shows again")
    assert panopipe("deliver", job, "--to", tmp_path / "out.zip").exit_code == 1
    (tmp_path / "out.zip").write_bytes((tmp_path / "out.zip").read_bytes()[:-30])
    broken = panopipe("verify", tmp_path / "out.zip")
    assert (broken.exit_code, "is no zip that can be read" in broken.stderr) == (2, True)


def test_frames_that_are_not_as_their_settings_are_now_are_not_delivered(folder: Path) -> None:
    panopipe("run", folder, "--no-review")
    panopipe("set", folder, "hall", "gain.gain_ev=0.5")
    result = panopipe("deliver", folder)
    assert result.exit_code == 1
    said = "hall/h1: not as its settings are now (gain.gain_ev is 0.5, was 0.0); run the job"
    assert said in result.stdout.splitlines()
    assert not any(line.startswith("lounge/l1: not as") for line in result.stdout.splitlines())


def test_a_wrong_frame_pattern_or_place_of_a_delivery_is_one_line_and_code_2(tmp_path: Path) -> None:
    job = finished_job(tmp_path / "job", (("hall", "hall-01"),))
    for words in (("accept", job, "hal"), ("deliver", job, "--names", "{n}"), ("deliver", job, "--to", job)):
        result = panopipe(*words)
        assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)


def test_settings_tell_what_auto_chose_once_a_run_has(folder: Path) -> None:
    (folder / "recipe.toml").write_text('[pipeline]\norder = ["decode", "tone", "raw"]\n')
    assert "# chose" not in panopipe("settings", folder, "hall/h1").stdout
    panopipe("run", folder, "--no-review")
    (line,) = (
        line for line in panopipe("settings", folder, "hall/h1").stdout.splitlines() if "exposure_ev" in line
    )
    told = json.loads(panopipe("settings", folder, "hall/h1", "--json").stdout)["tone"]["exposure_ev"]
    assert told["value"] == "auto"
    assert line.endswith(f"built-in   # chose {told['chosen']} when it was finished")
