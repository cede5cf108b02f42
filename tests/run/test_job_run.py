"""A run over whole jobs, in this process: what is done, what is left alone, what is told."""

import errno
import os
import shutil
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.pool.dispatch import Inline
from panopipe.recipe import load_recipe
from panopipe.run import checking
from panopipe.run.job_run import Options, Summary, proof_job, run_job
from panopipe.stages.decode import Decode, DecodedFrame
from panopipe.state.ledger import read_records
from panopipe.state.lock import JobLock
from panopipe.state.run_log import SilentReporter
from tests.run import fakes
from tests.run.conftest import ORDER, write_frame

pytestmark = pytest.mark.usefixtures("fake_stages")
MakeJob = Callable[..., Path]


def run(folder: Path, **options: object) -> Summary:
    job = open_job(folder)
    return run_job(job, load_recipe(job), Options(executor=lambda *_: Inline(), **options))


def finished(folder: Path) -> dict[str, bytes]:
    top = folder / "finished"
    return {
        path.relative_to(top).as_posix(): path.read_bytes()
        for path in sorted(top.rglob("*"))
        if path.is_file()
    }


def names(keys: list[FrameKey]) -> list[str]:
    return [str(key) for key in keys]


ALL = ["hall/hall-01", "hall/hall-02", "lounge/lounge-01"]


def test_a_job_is_finished_and_then_left_alone(make_job: MakeJob) -> None:
    folder = make_job()
    assert names(run(folder).finished) == ALL
    first = finished(folder)
    assert list(first) == [f"{name}.raw" for name in ALL]
    again = run(folder)
    assert (again.finished, names(again.already)) == ([], ALL)
    assert finished(folder) == first


def test_a_frame_is_looked_at_once_and_what_was_found_may_be_damaged(
    make_job: MakeJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    surveyed: list[object] = []
    probe = DecodedFrame._probe
    monkeypatch.setattr(DecodedFrame, "_probe", lambda self: surveyed.append(self) or probe(self))
    folder = make_job()
    run(folder)
    first = finished(folder)
    assert len(surveyed) == len(ALL)
    kept = sorted((folder / ".panopipe/reduced").glob("*.found"))
    assert len(kept) == len(ALL)
    for path, damage in zip(kept, (b"", b"[" * 5000, b'["record","os:system",{}]'), strict=True):
        path.write_bytes(damage + zlib.crc32(damage).to_bytes(4, "little"))
    shutil.rmtree(folder / "finished")
    assert names(run(folder).finished) == ALL
    assert finished(folder) == first
    assert len(surveyed) == 2 * len(ALL)


@pytest.mark.parametrize("page", [1, 2, 3, 5, 8])
def test_a_ledger_with_a_damaged_page_costs_work_and_no_frame(make_job: MakeJob, page: int) -> None:
    """A fault once seen: a ledger that opened, and broke as the run wrote to it."""
    folder = make_job()
    run(folder)
    first = finished(folder)
    path = folder / ".panopipe/ledger.sqlite"
    held = bytearray(path.read_bytes())
    held[page * 4096 : page * 4096 + 60] = bytes([255, 7, 200] * 20)
    path.write_bytes(held)
    shutil.rmtree(folder / "finished")
    assert names(run(folder).finished) == ALL
    assert finished(folder) == first


def test_one_override_does_one_frame_again(make_job: MakeJob) -> None:
    folder = make_job()
    run(folder)
    (folder / "overrides/hall").mkdir(parents=True)
    (folder / "overrides/hall/hall-02.toml").write_text("[gain]\ngain_ev = 1\n")
    assert names(run(folder).finished) == ["hall/hall-02"]


def test_a_frame_in_several_widths_is_made_once(make_job: MakeJob) -> None:
    widths = '[pipeline]\norder = ["decode", "gain", "export"]\n[export]\nwidths = [64, 128]\n'
    folder = make_job({"hall": 1}, widths)
    assert len(run(folder).finished) == 1
    again = run(folder)
    assert (len(again.finished), len(again.already)) == (0, 1)


def test_a_changed_original_does_again_what_it_touches(make_job: MakeJob) -> None:
    folder = make_job()
    run(folder)
    write_frame(folder / "originals/hall/hall-01.dng", seed=77)
    assert names(run(folder).finished) == ALL  # the common mean moved


def test_an_original_that_was_only_touched_is_hashed_and_left(make_job: MakeJob) -> None:
    folder = make_job()
    run(folder)
    os.utime(folder / "originals/hall/hall-01.dng", (1, 1))
    assert names(run(folder).already) == ALL


def test_rehash_finds_a_change_that_kept_size_and_time(make_job: MakeJob) -> None:
    folder = make_job(recipe=ORDER.replace('"even", ', ""))
    path = folder / "originals/hall/hall-01.dng"
    run(folder)
    stat = path.stat()
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert names(run(folder).finished) == []
    assert names(run(folder, rehash=True).finished) == ["hall/hall-01"]


def test_a_changed_reference_does_again_what_it_touches(make_job: MakeJob) -> None:
    folder = make_job()
    (folder / "job.toml").write_text('white_reference = "hall/hall-01"\n')
    run(folder)
    (folder / "job.toml").write_text('white_reference = "lounge/lounge-01"\n')
    assert names(run(folder).finished) == ALL
    (folder / "job.toml").write_text('white_reference = "lounge/lounge-01"\n[rights]\ncreator = "A. Fen"\n')
    assert names(run(folder).finished) == ALL  # the rights stand in every file


def test_a_new_version_of_a_stage_does_its_frames_again(
    make_job: MakeJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = make_job()
    (folder / "overrides").mkdir()
    (folder / "overrides/hall.toml").write_text("[gain]\nuse = false\n")
    run(folder)
    monkeypatch.setattr(fakes.Gain, "version", 2)
    assert names(run(folder).finished) == ["lounge/lounge-01"]


def test_a_deleted_output_is_made_again(make_job: MakeJob) -> None:
    folder = make_job()
    run(folder)
    before = finished(folder)
    (folder / "finished/hall/hall-02.raw").unlink()
    assert names(run(folder).finished) == ["hall/hall-02"]
    assert finished(folder) == before


def test_what_was_changed_by_hand_is_never_lost(make_job: MakeJob) -> None:
    folder = make_job()
    run(folder)
    (folder / "finished/hall/hall-02.raw").write_bytes(b"retouched by hand")
    assert names(run(folder).already) == ALL
    assert finished(folder)["hall/hall-02.raw"] == b"retouched by hand"
    (folder / "overrides").mkdir()
    (folder / "overrides/hall.toml").write_text("[gain]\ngain_ev = 1\n")
    assert names(run(folder).finished) == ALL[:2]
    kept = list((folder / "set-aside").rglob("hall-02.raw"))
    assert [path.read_bytes() for path in kept] == [b"retouched by hand"]


def test_a_copied_job_folder_is_still_finished(make_job: MakeJob, tmp_path: Path) -> None:
    folder = make_job()
    run(folder)
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy, copy_function=shutil.copyfile)
    assert names(run(copy).already) == ALL


def test_only_some_frames_come_out_as_in_the_whole_run(make_job: MakeJob) -> None:
    whole, part = make_job(name="whole"), make_job(name="part")
    run(whole)
    summary = run(part, only={FrameKey("hall", "hall-02")})
    assert names(summary.finished) == ["hall/hall-02"]
    assert finished(part)["hall/hall-02.raw"] == finished(whole)["hall/hall-02.raw"]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "decode: "),
        (b"I am a text file", "decode: not a DNG, TIFF, JPEG or PNG file"),
        (None, "decode: "),
    ],
)
def test_a_broken_frame_costs_only_itself(make_job: MakeJob, content: bytes | None, says: str) -> None:
    folder = make_job()
    path = folder / "originals/hall/hall-01.dng"
    path.write_bytes(path.read_bytes()[:300] if content is None else content)
    summary = run(folder)
    assert names(summary.finished) == ALL[1:]
    assert says in summary.errors[FrameKey("hall", "hall-01")]
    assert "\n" not in summary.errors[FrameKey("hall", "hall-01")]
    record = read_records(folder)[0]
    assert record.status == "failed"
    assert record.error.startswith("hall/hall-01: decode: ")


@pytest.mark.parametrize(
    ("mood", "says"),
    [
        ("raise", "moody: stopped with a fault of its own (RuntimeError: in a mood of two lines)"),
        ("wrong", "moody: gave float32 (32, 63, 3) where float32 (32, 64, 3) was asked for"),
    ],
)
def test_a_stage_in_a_mood_costs_only_its_frame(make_job: MakeJob, mood: str, says: str) -> None:
    folder = make_job(recipe=ORDER.replace('"mirror"', '"mirror", "moody"'))
    (folder / "overrides/hall").mkdir(parents=True)
    (folder / "overrides/hall/hall-01.toml").write_text(f'[moody]\nmood = "{mood}"\n')
    summary = run(folder)
    assert summary.errors == {FrameKey("hall", "hall-01"): says}
    assert names(summary.finished) == ALL[1:]


@pytest.mark.parametrize(("mood", "tries"), [("wrong", 1), ("raise", 2)])
def test_only_what_may_pass_is_tried_once_more(make_job: MakeJob, mood: str, tries: int) -> None:
    folder = make_job(recipe=ORDER.replace('"mirror"', '"mirror", "moody"'))
    (folder / "overrides/hall").mkdir(parents=True)
    (folder / "overrides/hall/hall-01.toml").write_text(f'[moody]\nmood = "{mood}"\n')
    (folder / "originals/hall/hall-02.dng").write_bytes(b"I am a text file")
    counting = Counts()
    job = open_job(folder)
    summary = run_job(job, load_recipe(job), Options(executor=lambda *_: counting))
    assert names(summary.failed) == ALL[:2]
    assert counting.tasks["finish"].count("hall-01") == tries
    assert counting.tasks["survey_frame"].count("hall-02") == 1
    log = (folder / summary.log).read_text()
    assert log.count("will be tried once more") == tries - 1


class Counts(Inline):
    """Keeps the frames that each kind of task was about."""

    def __init__(self) -> None:
        self.tasks: dict[str, list[str]] = {}

    def submit(self, fn, /, task):
        if hasattr(task, "files"):  # of one frame, not of a room
            self.tasks.setdefault(fn.__name__, []).append(task.files.key.name)
        return super().submit(fn, task)


def test_a_full_disk_at_any_output_stops_and_the_next_run_goes_on(
    make_job: MakeJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    undisturbed = make_job(name="undisturbed")
    run(undisturbed)
    folder = make_job()
    stops = 0
    while stops < 9:
        monkeypatch.setattr("panopipe.run.frame_files.write_below", Left(4).write)
        summary = run(folder)
        if not summary.stopped:
            break
        assert "the disk is full" in summary.stopped
        assert summary.failed == []
        stops += 1
    assert stops == 3  # a look writes three files: one in each of three runs, then one output, then two
    assert finished(folder) == finished(undisturbed)


class Left:
    """A disk that takes a number of small files more, and then is full."""

    def __init__(self, files: int) -> None:
        self.files = files

    def write(self, root: Path, name: str, data: bytes | memoryview, *, lasting: bool = True) -> None:
        if self.files == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        self.files -= 1
        write_below(root, name, data, lasting=lasting)


def test_neighbours_rows_are_brought_and_are_part_of_the_fingerprint(make_job: MakeJob) -> None:
    recipe = ORDER + "[even]\nlook_around = true\n"
    folder = make_job(recipe=recipe)
    run(folder)
    notes = {str(record.key): record.notes["even"]["neighbours"] for record in read_records(folder)}
    assert notes == {"hall/hall-01": 0, "hall/hall-02": 1, "lounge/lounge-01": 1}
    # A setting before the stage that looks around changes what it sees of the neighbour; one after does not.
    (folder / "overrides/hall").mkdir(parents=True)
    override = folder / "overrides/hall/hall-01.toml"
    override.write_text("[gain]\ngain_ev = 1\n")
    assert names(run(folder).finished) == ["hall/hall-01"]
    override.write_text('[gain]\ngain_ev = 1\n[decode]\nclipped = "as-recorded"\n')
    assert names(run(folder).finished) == ALL


def test_a_width_no_longer_asked_for_goes(make_job: MakeJob) -> None:
    order = '[pipeline]\norder = ["decode", "export"]\n'
    folder = make_job(recipe=order + "[export]\nwidths = [128, 64]\n")
    run(folder)
    assert "hall/hall-01-64.jpg" in finished(folder)
    (folder / "recipe.toml").write_text(order)
    run(folder)
    assert list(finished(folder)) == [f"{name}.jpg" for name in ALL]


def test_a_width_above_the_frames_own_is_said_once_for_all_frames(
    make_job: MakeJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = make_job(recipe='[pipeline]\norder = ["decode", "export"]\n[export]\nwidths = [96]\n')
    why = "width 96 is 1.5 times the frame's 64 px: enlarged, it holds no more detail than the file"
    said = f"hall/hall-01 and 2 more: export: {why}"
    assert (folder / run(folder).log).read_text().count(said) == 1
    with Image.open(folder / "finished/hall/hall-01.jpg") as picture:
        assert picture.size == (96, 48)
    job = open_job(folder)
    monkeypatch.setattr(checking, "WorkerPool", lambda *_: Inline())
    assert checking.check_originals(job, load_recipe(job), SilentReporter()).remarks == (said,)


def test_records_tell_the_review_all(make_job: MakeJob) -> None:
    folder = make_job()
    write_frame(folder / "originals/lounge/lounge-02.dng")
    run(folder, only=[FrameKey("hall", "hall-01")])
    first, *others = read_records(folder)
    assert (first.status, first.outputs, first.width) == ("finished", ("finished/hall/hall-01.raw",), 64)
    assert first.order == ("decode", "even", "gain", "mirror", "raw")
    assert first.settings["gain"]["gain_ev"].origin == "recipe.toml:4"
    assert first.taken == "2026:11:24 21:10:00"
    assert (folder / first.before).read_bytes().startswith(b"\xff\xd8")
    assert first.stage_seconds.keys() >= {"decode", "even", "gain", "mirror", "raw"}
    assert first.notes["even"]["goal"] > 0
    assert [record.status for record in others] == ["waiting"] * 3


def test_ctrl_c_keeps_what_is_finished_and_says_how_to_go_on(make_job: MakeJob) -> None:
    folder = make_job()
    job = open_job(folder)
    stopping = Options(executor=lambda *_: StopsAt("hall-02"))
    summary = run_job(job, load_recipe(job), stopping)
    assert summary.interrupted
    assert "run again: it goes on from here" in summary.stopped
    assert (names(summary.finished), summary.left) == ([], 3)
    assert names(run(folder).finished) == ALL


class StopsAt(Inline):
    """Ctrl-C while at a frame."""

    def __init__(self, name: str) -> None:
        self.name = name

    def submit(self, fn, /, task):
        if hasattr(task, "files") and task.files.key.name == self.name:
            raise KeyboardInterrupt
        return super().submit(fn, task)


def test_two_runs_at_once_are_refused(make_job: MakeJob) -> None:
    folder = make_job()
    run(folder)
    with (
        JobLock(folder),
        pytest.raises(BlockingIOError, match=rf"process {os.getpid()} of .* on .*, since 20"),
    ):
        run(folder)


def test_the_longest_name_that_a_disk_takes(make_job: MakeJob) -> None:
    folder = make_job({"hall": 1})
    longest = "x" * 251
    write_frame(folder / f"originals/hall/{longest}.dng")
    assert names(run(folder).finished) == ["hall/hall-01", f"hall/{longest}"]


def test_leftovers_of_a_crash_are_swept(make_job: MakeJob) -> None:
    folder = make_job()
    (folder / "finished/hall").mkdir(parents=True)
    left = folder / "finished/hall/.0123456789abcdef.part"
    left.write_bytes(b"half")
    run(folder)
    assert not left.exists()
    assert not list((folder / ".panopipe/doing").iterdir())


def test_a_damaged_ledger_is_set_aside(make_job: MakeJob) -> None:
    folder = make_job()
    run(folder)
    before = finished(folder)
    (folder / ".panopipe/ledger.sqlite").write_bytes(b"not a data base" * 100)
    assert names(run(folder).finished) == ALL
    assert finished(folder) == before
    assert (folder / ".panopipe/ledger.sqlite.set-aside").is_file()


@pytest.mark.skipif(os.name == "nt", reason="making links needs a right on Windows")
@pytest.mark.parametrize("name", ["finished", "logs", ".panopipe", "finished/hall"])
def test_nothing_is_written_through_a_link_that_leads_out(
    make_job: MakeJob, tmp_path: Path, name: str
) -> None:
    folder, outside = make_job(), tmp_path / "outside"
    outside.mkdir()
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).symlink_to(outside, target_is_directory=True)
    if name == "finished/hall":
        summary = run(folder)
        assert (
            "is a link, which may lead out of the job folder" in summary.errors[FrameKey("hall", "hall-01")]
        )
    else:
        with pytest.raises(ValueError, match="is a link, which may lead out of the job folder"):
            run(folder)
    assert list(outside.iterdir()) == []


def proof(folder: Path, width: int) -> Summary:
    job = open_job(folder)
    options = Options(executor=lambda *_: Inline(), only=[FrameKey("hall", "hall-01")])
    return proof_job(job, load_recipe(job), options, width=width)


def test_proofs_are_small_and_change_nothing_else(make_job: MakeJob, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = make_job(recipe='[pipeline]\norder = ["decode", "even", "raw"]\n')
    assert names(proof(folder, 32).finished) == ["hall/hall-01"]
    made = folder / "proofs/hall/hall-01.raw"
    first = made.read_bytes()
    assert len(first) == 16 * 32 * 3 * 4
    assert finished(folder) == {}
    assert read_records(folder)[0].status == "waiting"
    # From then on a proof opens no original: that is what makes trying a setting immediate.
    monkeypatch.setattr(Decode, "open", lambda *_: pytest.fail("an original was opened"))
    (folder / "overrides").mkdir()
    (folder / "overrides/hall.toml").write_text("[even]\nstrength = 0.0\n")
    assert names(proof(folder, 32).finished) == ["hall/hall-01"]
    assert made.read_bytes() != first


def test_damaged_light_for_proofs_is_read_again(make_job: MakeJob) -> None:
    folder = make_job(recipe='[pipeline]\norder = ["decode", "even", "raw"]\n')
    proof(folder, 32)
    made = folder / "proofs/hall/hall-01.raw"
    first = np.frombuffer(made.read_bytes(), np.float32)
    for kept in (folder / ".panopipe/small").iterdir():
        data = bytearray(kept.read_bytes())
        data[len(data) // 2] ^= 0x40
        kept.write_bytes(data)
    assert names(proof(folder, 32).finished) == ["hall/hall-01"]
    again = np.frombuffer(made.read_bytes(), np.float32)
    assert np.abs(again - first).max() <= np.abs(first).max() * 2.0**-11  # of half floats


def test_a_proof_shows_what_the_run_will_make(make_job: MakeJob) -> None:
    folder = make_job(recipe='[pipeline]\norder = ["decode", "even", "gain", "raw"]\n[gain]\ngain_ev = 1\n')
    proof(folder, 64)
    run(folder)
    whole, small = (
        np.frombuffer((folder / f"{place}/hall/hall-01.raw").read_bytes(), np.float32)
        for place in ("finished", "proofs")
    )
    assert np.abs(small - whole).max() <= np.abs(whole).max() * 2.0**-10  # half floats have 11 bits
