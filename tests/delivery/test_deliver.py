"""A delivery: whole, proved, only of what is ready, and made again only where something changed."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from panopipe.delivery import make
from panopipe.delivery.checksums import SUMS, verify_delivery
from panopipe.delivery.make import Summary, deliver
from panopipe.delivery.plan import Options
from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.review.accepted import ACCEPTED
from panopipe.review.accepting import accept
from panopipe.review.make import make_review
from panopipe.state.ledger import Ledger
from panopipe.state.record import FrameRecord
from panopipe.state.run_log import SilentReporter
from tests.delivery.jobs import finished_job, note, put_frame
from tests.review.pictures import room, save

NAMES = ["01-lounge-IMG_7.jpg", "02-hall-02.jpg", "03-hall-01.jpg"]
PAPERS = [SUMS, "contact-sheet.jpg", "statement.html"]


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(os, "fsync", lambda _: None)  # no test here cuts the power
    return finished_job(tmp_path / "fenhollow")


def delivered(job: Path, **wanted: object) -> Summary:
    return deliver(job, Options(**wanted), SilentReporter())  # type: ignore[arg-type]


def names_in(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def is_whole(place: Path) -> bool:
    verified = verify_delivery(place, SilentReporter())
    return not verified.wrong and not verified.unknown and verified.good > 0


def test_it_holds_the_main_files_in_walking_order_and_all_that_goes_with_them(job: Path) -> None:
    summary = delivered(job)
    place = job / "delivery"
    assert summary.path == place
    assert names_in(place) == sorted([*NAMES, *PAPERS])
    assert (place / NAMES[2]).read_bytes() == (job / "finished/hall/hall-01.jpg").read_bytes()
    assert is_whole(place)


@pytest.mark.skipif(not shutil.which("sha256sum"), reason="the system has no sha256sum")
def test_the_list_is_read_by_the_systems_own_command(job: Path) -> None:
    place = delivered(job).path
    words = ["sha256sum", "--check", "--strict", SUMS]
    done = subprocess.run(words, cwd=place, capture_output=True, text=True, check=True)
    assert done.stdout.count(": OK") == len(NAMES) + len(PAPERS) - 1


def test_a_zip_is_opened_by_the_standard_library_and_the_same_twice(job: Path, tmp_path: Path) -> None:
    delivered(job, goal=tmp_path / "one.zip")
    with zipfile.ZipFile(tmp_path / "one.zip") as archive:
        assert archive.testzip() is None
        assert sorted(archive.namelist()) == sorted(f"one/{name}" for name in [*NAMES, *PAPERS])
        archive.extractall(tmp_path / "out")
    assert is_whole(tmp_path / "out/one")
    assert is_whole(tmp_path / "one.zip")
    (tmp_path / "two").mkdir()
    delivered(job, goal=tmp_path / "two/one.zip")
    assert (tmp_path / "two/one.zip").read_bytes() == (tmp_path / "one.zip").read_bytes()


def test_the_same_again_writes_nothing(job: Path, tmp_path: Path) -> None:
    for place in (tmp_path / "out", tmp_path / "out.zip"):
        delivered(job, goal=place)
        before = place.stat().st_mtime_ns
        again = delivered(job, goal=place)
        assert (again.unchanged, again.made, place.stat().st_mtime_ns) == (True, [], before)


def test_only_what_changed_is_made_again(job: Path) -> None:
    place = delivered(job).path
    inode = (place / NAMES[1]).stat().st_ino
    record = put_frame(job, "hall", "hall-01", seed=9, taken="2026:11:24 10:59:00")
    again = delivered(job)
    assert sorted(again.made) == sorted([NAMES[2], *PAPERS])
    assert sorted(again.kept) == NAMES[:2]
    assert (place / NAMES[1]).stat().st_ino == inode
    assert (place / NAMES[2]).read_bytes() == (job / record.outputs[0]).read_bytes()
    assert is_whole(place)
    assert [path.name for path in place.parent.iterdir() if path.name.endswith(("coming", "going"))] == []


def test_frames_that_failed_wait_or_want_a_look_hold_it_back_and_are_named(job: Path) -> None:
    leaning = put_frame(job, "attic", "a1", seed=4)
    save(job / leaning.outputs[0], room(384, seed=4, lean_deg=2.0))
    note(job, {leaning.key: leaning})
    failed = FrameKey("hall", "hall-02")
    note(job, {failed: FrameRecord(failed, "failed", error="hall/hall-02: cut short")})
    (job / "originals/lounge/late.dng").write_bytes(b"x")
    summary = delivered(job)
    assert not summary.delivered
    said = "\n".join(summary.obstacles)
    assert "attic/a1: tilt: The frame leans by" in said
    assert "hall/hall-02: failed: cut short" in said
    assert "lounge/late: not run yet" in said
    assert not (job / "delivery").exists()
    anyway = delivered(job, anyway=True)
    text = (anyway.path / "statement.html").read_text()
    assert (anyway.delivered, "Left open." in text, "hall/hall-02: failed" in text) == (True, True, True)


def test_what_was_accepted_holds_nothing_back(job: Path) -> None:
    leaning = put_frame(job, "attic", "a1", seed=4)
    save(job / leaning.outputs[0], room(384, seed=4, lean_deg=2.0))
    note(job, {leaning.key: leaning})
    assert not delivered(job).delivered
    accept(open_job(job), make_review(job).review, "attic/a1")
    summary = delivered(job)
    assert summary.delivered
    assert "Looked at and accepted." in (summary.path / "statement.html").read_text()
    (job / ACCEPTED).unlink()
    assert not delivered(job).delivered


def test_a_frame_whose_run_was_stopped_is_not_delivered(job: Path) -> None:
    with Ledger(job) as ledger:
        entries = ledger.entries()
    key = FrameKey("hall", "hall-01")
    note(job, {key: entries[key].record}, fingerprint="")
    assert delivered(job).obstacles == ["hall/hall-01: its run did not come to its end; run the job again"]


def test_a_finished_file_changed_by_hand_is_delivered_and_said(job: Path) -> None:
    save(job / "finished/hall/hall-01.jpg", room(384, seed=1), quality=90)
    summary = delivered(job, anyway=True)
    assert "Changed by hand after it was finished." in (summary.path / "statement.html").read_text()


def test_another_width_and_another_pattern(job: Path, tmp_path: Path) -> None:
    delivered(job, goal=tmp_path / "out", width=192, names="{room}/{number} {frame}")
    found = names_in(tmp_path / "out")
    assert found[:3] == [SUMS, "contact-sheet.jpg", "hall/02 hall-02.jpg"]
    small = (job / "finished/lounge/IMG_7-192.jpg").read_bytes()
    assert (tmp_path / "out/lounge/01 IMG_7.jpg").read_bytes() == small
    with pytest.raises(ValueError, match="no file 300 px wide was exported"):
        delivered(job, width=300)


def test_under_a_size_the_widest_export_that_fits_is_taken(job: Path) -> None:
    sizes = [path.stat().st_size for path in (job / "finished").rglob("*.jpg") if "-192" not in path.name]
    summary = delivered(job, most_mb=(min(sizes) - 1) / 1e6)
    assert (summary.path / NAMES[0]).read_bytes() == (job / "finished/lounge/IMG_7-192.jpg").read_bytes()
    assert "all are delivered 192 px wide" in summary.remarks[0]


def test_where_none_fits_they_are_compressed_again_and_that_is_said(job: Path, tmp_path: Path) -> None:
    sizes = {p.name: p.stat().st_size for p in (job / "finished").rglob("*.jpg") if "-192" not in p.name}
    most = int(max(sizes.values()) * 0.8)
    for place in (tmp_path / "out", tmp_path / "out.zip"):
        summary = delivered(job, goal=place, width=384, most_mb=most / 1e6)
        assert "compressed a second time" in summary.remarks[0]
    assert all((tmp_path / "out" / name).stat().st_size <= most for name in NAMES)
    assert "Compressed a second time, at quality" in (tmp_path / "out/statement.html").read_text()
    put_frame(job, "attic", "a1", seed=5, taken="2026:11:24 23:00:00")
    for place in (tmp_path / "out", tmp_path / "out.zip"):
        again = delivered(job, goal=place, width=384, most_mb=most / 1e6)
        assert "04-attic-a1.jpg" in again.made
        assert is_whole(place)


def test_a_position_is_refused_unless_it_is_asked_for(job: Path) -> None:
    path = job / "finished/hall/hall-01.jpg"
    exif = Image.Exif()
    exif.get_ifd(34853).update({1: "N", 2: (52.0, 6.0, 0.0)})
    with Image.open(path) as picture:
        picture.save(path, exif=exif, quality=95, subsampling=0)
    with Ledger(job) as ledger:
        record = ledger.entries()[FrameKey("hall", "hall-01")].record
    note(job, {record.key: record})
    with pytest.raises(ValueError, match=r"hall/hall-01: .* tells the position of the place"):
        delivered(job)
    assert not (job / "delivery").exists()
    assert delivered(job, with_position=True).delivered
    with pytest.raises(ValueError, match="tells the position"):
        delivered(job)  # what was delivered with it is not taken over


@pytest.mark.parametrize(
    "place", ["fenhollow", "fenhollow/finished/out", ".", "nowhere/out", "file", "con.zip", ".zip"]
)
def test_places_that_cannot_be_are_refused(job: Path, tmp_path: Path, place: str) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(ValueError, match=r"folder|part of it"):
        delivered(job, goal=tmp_path / place)


def test_what_is_no_delivery_is_not_replaced(job: Path, tmp_path: Path) -> None:
    (tmp_path / "desk").mkdir()
    (tmp_path / "desk/letter.txt").write_text("mine")
    (tmp_path / "photos.zip").write_bytes(b"PK")
    for place in ("desk", "photos.zip"):
        with pytest.raises(ValueError, match="is not replaced"):
            delivered(job, goal=tmp_path / place)
    assert (tmp_path / "desk/letter.txt").read_text() == "mine"
    place = delivered(job, goal=tmp_path / "out").path
    (place / NAMES[0]).write_bytes(b"edited by the client")
    with pytest.raises(ValueError, match=r"01-lounge-IMG_7\.jpg in it was not delivered so"):
        delivered(job, goal=place)
    packed = delivered(job, goal=tmp_path / "out.zip").path
    packed.write_bytes(b"PK other")
    with pytest.raises(ValueError, match="is not replaced: it is no delivery"):
        delivered(job, goal=packed)


def test_a_delivery_copied_to_its_place_is_replaced_by_its_proof_and_nothing_taken_over(job: Path) -> None:
    place = delivered(job).path
    shutil.copytree(place, place.with_name("kept"))
    shutil.rmtree(place)
    place.with_name("kept").rename(place)
    again = delivered(job, width=192)
    assert again.kept == []
    assert is_whole(place)


def test_a_frame_that_is_gone_goes_from_the_delivery_too(job: Path) -> None:
    place = delivered(job).path
    (job / "originals/hall/hall-01.dng").unlink()
    shutil.rmtree(job / "finished/hall")
    put_frame(job, "hall", "hall-02", seed=1, taken="2026:11:24 10:58:00")
    delivered(job)
    assert names_in(place) == sorted([*NAMES[:2], *PAPERS])


def test_a_fault_on_the_way_leaves_what_stood_there(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for goal in (None, job.parent / "out.zip"):
        place = delivered(job, goal=goal).path
        before = hashlib.sha256((place / SUMS if place.is_dir() else place).read_bytes()).hexdigest()
        with monkeypatch.context() as broken:
            broken.setattr(make, "statement_html", lambda _: (_ for _ in ()).throw(OSError(28, "full")))
            with pytest.raises(OSError, match="full"):
                delivered(job, goal=goal, width=192)
        assert hashlib.sha256((place / SUMS if place.is_dir() else place).read_bytes()).hexdigest() == before
        assert [one.name for one in place.parent.iterdir() if "coming" in one.name] == []


def test_a_delivery_moved_aside_by_one_that_was_killed_is_put_back(job: Path) -> None:
    place = delivered(job).path
    goal = make.goal_of(open_job(job), None)
    place.rename(place.with_name(goal.going))
    (place.with_name(goal.coming)).mkdir()
    (place.with_name(goal.coming) / "half.jpg").write_bytes(b"x")
    assert delivered(job).unchanged
    assert not place.with_name(goal.coming).exists()


def test_no_path_of_this_machine_is_in_it(job: Path) -> None:
    place = delivered(job).path
    for path in place.rglob("*"):
        assert str(job).encode() not in path.read_bytes()


def test_verify_finds_what_changed_is_missing_or_was_added(job: Path) -> None:
    place = delivered(job).path
    (place / NAMES[0]).write_bytes((place / NAMES[0]).read_bytes()[:-1] + b"\0")
    (place / NAMES[1]).unlink()
    (place / "more.txt").write_text("x")
    (place / ".DS_Store").write_text("of a system")
    found = verify_delivery(place, SilentReporter())
    assert found.wrong == {
        NAMES[0]: "has other contents than when it was delivered", NAMES[1]: "is missing",
    }  # fmt: skip
    assert found.unknown == ["more.txt"]


def test_a_delivery_from_a_stranger_cannot_lead_verify_elsewhere(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("s")
    place = tmp_path / "out"
    place.mkdir()
    (place / "link.jpg").symlink_to(tmp_path / "secret")
    sums = "".join(f"{'0' * 64}  {name}\n" for name in ("../secret", "link.jpg", "/etc/passwd"))
    (place / SUMS).write_text(sums)
    found = verify_delivery(place, SilentReporter())
    assert (found.good, len(found.wrong)) == (0, 3)
    assert all("other contents" not in why for why in found.wrong.values())
    (place / SUMS).write_bytes(b"\xff\xfe what")
    with pytest.raises(ValueError, match="SHA256SUMS"):
        verify_delivery(place, SilentReporter())
    (tmp_path / "cut.zip").write_bytes(b"PK\3\4 cut short")
    with pytest.raises(ValueError, match="is no zip that can be read"):
        verify_delivery(tmp_path / "cut.zip", SilentReporter())


def test_without_capture_times_the_order_is_that_of_the_names(tmp_path: Path) -> None:
    job = finished_job(tmp_path / "job")
    with Ledger(job) as ledger:
        record = ledger.entries()[FrameKey("hall", "hall-02")].record
    note(job, {record.key: replace(record, taken="")})
    place = delivered(job).path
    assert [name for name in names_in(place) if name.endswith(".jpg")][:3] == [
        "01-hall-01.jpg", "02-hall-02.jpg", "03-lounge-IMG_7.jpg",
    ]  # fmt: skip


def test_a_finished_file_that_is_a_link_is_not_delivered(job: Path, tmp_path: Path) -> None:
    path = job / "finished/hall/hall-01.jpg"
    path.rename(tmp_path / "private.jpg")
    path.symlink_to(tmp_path / "private.jpg")
    place = delivered(job, anyway=True).path
    assert names_in(place)[:2] == NAMES[:2]
    assert "is a link" in (place / "statement.html").read_text()


def test_a_damaged_finished_file_is_not_delivered(job: Path) -> None:
    path = job / "finished/hall/hall-01.jpg"
    path.write_bytes(path.read_bytes()[:3000])
    said = [line for line in delivered(job).obstacles if "hall/hall-01" in line]
    assert said == ["hall/hall-01: The finished file cannot be read (the picture is cut short or damaged)."]
    assert names_in(delivered(job, anyway=True).path)[:2] == NAMES[:2]


def test_nothing_finished_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "originals").mkdir()
    (tmp_path / "originals/a.dng").write_bytes(b"x")
    assert delivered(tmp_path).obstacles == ["a: not run yet"]
    with pytest.raises(ValueError, match="no frame is finished; panopipe run"):
        delivered(tmp_path, anyway=True)


def test_the_job_file_says_what_the_client_wants_and_an_option_goes_before(job: Path, tmp_path: Path) -> None:
    (job / "job.toml").write_text('[delivery]\nnames = "{room}/{number}"\nwidth = 192\n')
    delivered(job, goal=tmp_path / "one")
    assert "hall/02.jpg" in names_in(tmp_path / "one")
    assert "small" in names_in(delivered(job, goal=tmp_path / "two", names="small/{number}").path)[2]
    (job / "job.toml").write_text('[delivery]\nnames = "{rom}"\nwidth = 4096.5\nunder_mb = "8"\nto = 1\n')
    with pytest.raises(ValueError, match=r"job\.toml:2") as caught:
        delivered(job)
    said = str(caught.value)
    assert "{rom} is unknown in a pattern; did you mean room?" in said
    assert "job.toml:3: delivery.width: must be one of the exported widths" in said
    assert "job.toml:4: delivery.under_mb: must be a number of megabytes" in said
    assert "job.toml:5: delivery.to: unknown here" in said


HOSTILE = (
    "con",
    "a:b",
    "gpj\u202e.exe",
    "x" * 240,
    "q?",
    "$(reboot) `x` 'y'",
    "-rf",
    "caf\u00e9",
    "cafe\u0301 2",
)


def test_names_that_some_system_refuses_are_told_at_once_and_a_number_serves(tmp_path: Path) -> None:
    job = finished_job(tmp_path / "job", tuple(("<b>", name) for name in HOSTILE))
    with pytest.raises(ValueError, match="Windows does not take") as caught:
        delivered(job, anyway=True)
    said = str(caught.value)
    assert said.count("names: ") == len(HOSTILE) + 1  # the room's name spoils all
    assert '--names "{number}"' in said
    assert not (job / "delivery").exists()
    place = delivered(job, anyway=True, names="{number}").path
    assert names_in(place)[:2] == ["01.jpg", "02.jpg"]
    assert is_whole(place)
    assert "<b>" not in (place / "statement.html").read_text()
    room_of_its_own = delivered(
        finished_job(tmp_path / "plain", (("a", HOSTILE[5]), ("b", "-rf"))), anyway=True
    )
    assert names_in(room_of_its_own.path)[0].endswith("-b--rf.jpg")
    assert is_whole(room_of_its_own.path)
