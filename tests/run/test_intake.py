"""From a card into a job: every copy proven, nothing written over."""

import json
import os
import shutil
from pathlib import Path

import pytest

from panopipe.files.below import name_below
from panopipe.job import open_job
from panopipe.run import intake
from panopipe.run.intake import take_in
from panopipe.state.manifest import Verified, read_manifest, verify_originals
from panopipe.state.run_log import SilentReporter
from tests.makers.closed import closed
from tests.run.conftest import write_frame


@pytest.fixture
def card(tmp_path: Path) -> Path:
    folder = tmp_path / "card"
    for number, name in enumerate(["hall/h-1.dng", "hall/h-2.dng", "lounge/l-1.dng"]):
        write_frame(folder / name, seed=number, width=16)
    (folder / "hall/notes.txt").write_text("not a frame")
    return folder


def take(card: Path, job: Path, rooms: str = "") -> intake.Taken:
    return take_in(card, job, rooms, SilentReporter())


def test_a_card_becomes_a_job_and_the_manifest_proves_it(card: Path, tmp_path: Path) -> None:
    job = tmp_path / "job"
    taken = take(card, job)
    assert taken.copied == ["originals/hall/h-1.dng", "originals/hall/h-2.dng", "originals/lounge/l-1.dng"]
    for name in taken.copied:
        there = job / name
        assert there.read_bytes() == (card / name.removeprefix("originals/")).read_bytes()
    facts = json.loads((job / "manifest.json").read_text())["originals"]["originals/hall/h-1.dng"]
    assert (facts["taken"], facts["size"]) == ("2026:11:24 21:10:00", (card / "hall/h-1.dng").stat().st_size)
    assert verify_originals(job, SilentReporter()) == Verified(3)
    assert list(open_job(job).rooms) == ["hall", "lounge"]
    again = take(card, job)
    assert (again.copied, len(again.already)) == ([], 3)


def test_a_frame_that_is_on_the_card_twice_is_said(card: Path, tmp_path: Path) -> None:
    shutil.copyfile(card / "hall/h-1.dng", card / "lounge/h-1 (1).dng")
    taken = take(card, tmp_path / "job")
    assert taken.same == {"originals/lounge/h-1 (1).dng": "originals/hall/h-1.dng"}
    assert len(taken.copied) == 4
    assert take(card, tmp_path / "job").same == taken.same


def test_originals_that_changed_are_told(card: Path, tmp_path: Path) -> None:
    job = tmp_path / "job"
    take(card, job)
    one, two, three = sorted((job / "originals").rglob("*.dng"))
    data = bytearray(one.read_bytes())
    data[-1] ^= 1
    one.write_bytes(data)
    two.write_bytes(two.read_bytes()[:-1])
    three.unlink()
    write_frame(job / "originals/new.dng", width=16)
    found = verify_originals(job, SilentReporter())
    assert found.good == 0
    assert [why.split()[0:2] for why in found.wrong.values()] == [
        ["has", "other"],
        ["has", str(len(data) - 1)],
        ["is", "missing"],
    ]
    assert found.unknown == ["originals/new.dng"]


def test_nothing_is_written_over(card: Path, tmp_path: Path) -> None:
    job = tmp_path / "job"
    take(card, job)
    write_frame(card / "hall/h-1.dng", seed=99, width=16)
    before = (job / "originals/hall/h-1.dng").read_bytes()
    taken = take(card, job)
    assert "there already with other contents" in taken.failed["hall/h-1.dng"]
    assert (job / "originals/hall/h-1.dng").read_bytes() == before


def test_a_copy_that_differs_is_not_taken(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def bad_disk(source: Path, target: Path) -> None:
        data = bytearray(target.read_bytes())
        data[0] ^= 1
        target.write_bytes(data)

    monkeypatch.setattr(shutil, "copystat", bad_disk)
    taken = take(card, tmp_path / "job")
    assert taken.copied == []
    assert all("differs from the original; check card and disk" in why for why in taken.failed.values())
    assert [path for path in (tmp_path / "job/originals").rglob("*") if path.is_file()] == []


def test_rooms_by_a_pattern(tmp_path: Path) -> None:
    for name in ("Ess Zimmer-01", "Ess Zimmer-02", "bath-01", "IMG"):
        write_frame(tmp_path / f"card/DCIM/{name}.dng", width=16)
    taken = take(tmp_path / "card", tmp_path / "job", "{room}-{frame}")
    assert taken.copied == [
        "originals/bath/01.dng",
        "originals/Ess Zimmer/01.dng",
        "originals/Ess Zimmer/02.dng",
    ]
    assert taken.failed == {"DCIM/IMG.dng": "its name does not fit the pattern"}


@pytest.mark.parametrize("pattern", ["{room}", "{frame}", "{room}{room}{frame}", "plain"])
def test_a_wrong_pattern_is_told(card: Path, tmp_path: Path, pattern: str) -> None:
    with pytest.raises(ValueError, match="once each"):
        take(card, tmp_path / "job", pattern)


def test_a_pattern_cannot_lead_out_of_the_job(tmp_path: Path) -> None:
    write_frame(tmp_path / "card/x-..-...dng", width=16)
    write_frame(tmp_path / "card/x-.. ..-y.dng", width=16)
    taken = take(tmp_path / "card", tmp_path / "job", "x-{room}-{frame}")
    assert taken.copied == []
    assert all("leaves no name for the room or the frame" in why for why in taken.failed.values())


@pytest.mark.skipif(os.name == "nt", reason="making links needs a right on Windows")
def test_links_in_the_job_do_not_lead_the_copy_out(card: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (tmp_path / "job/originals").mkdir(parents=True)
    (tmp_path / "job/originals/hall").symlink_to(outside, target_is_directory=True)
    taken = take(card, tmp_path / "job")
    assert taken.copied == ["originals/lounge/l-1.dng"]
    assert list(outside.iterdir()) == []


def test_a_damaged_manifest_is_told_and_kept(card: Path, tmp_path: Path) -> None:
    job = tmp_path / "job"
    take(card, job)
    (job / "manifest.json").write_text('{"format": "panopipe originals 1", "originals": {"a": {}}}')
    with pytest.raises(ValueError, match=r"manifest\.json is damaged"):
        take(card, job)
    with pytest.raises(ValueError, match=r"manifest\.json is damaged"):
        verify_originals(job, SilentReporter())


def test_source_and_job_must_be_apart(card: Path, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="lie in one another"):
        take(card, card / "job")
    with pytest.raises(ValueError, match="nothing to take"):
        (tmp_path / "empty").mkdir()
        take(tmp_path / "empty", tmp_path / "job")


def test_a_file_in_the_place_of_a_folder_is_told(card: Path, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"h-1\.dng is a file; name the folder it lies in"):
        take(card / "hall/h-1.dng", tmp_path / "job")
    (tmp_path / "taken").write_text("no job")
    with pytest.raises(ValueError, match="taken is a file; name a folder for the job"):
        take(card, tmp_path / "taken")


def test_a_folder_of_the_card_that_cannot_be_read_is_told(card: Path, tmp_path: Path) -> None:
    with closed(card / "lounge"):
        taken = take(card, tmp_path / "job")
    assert taken.copied == ["originals/hall/h-1.dng", "originals/hall/h-2.dng"]
    assert list(taken.failed) == ["lounge"]
    assert taken.failed["lounge"].startswith("the folder cannot be read (")
    with closed(card), pytest.raises(PermissionError):
        take(card, tmp_path / "job")


def test_another_file_does_not_take_the_place_of_an_original_that_is_gone(card: Path, tmp_path: Path) -> None:
    """A fault once seen: copied and checked, and wrong for ever by the manifest."""
    job = tmp_path / "job"
    first = take(card, job)
    gone = job / first.copied[0]
    held = gone.read_bytes()
    gone.unlink()
    source = next(path for path in card.rglob(gone.name))
    source.write_bytes(held + b"another")
    (why,) = take(card, job).failed.values()
    assert "was taken in before with other contents, and is gone" in why
    assert not gone.exists()
    source.write_bytes(held)
    assert take(card, job).failed == {}
    assert verify_originals(job, SilentReporter()).wrong == {}


def test_what_an_intake_that_was_killed_left_is_removed_and_known(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = tmp_path / "job"
    copies = []

    def killed(*args: object) -> None:
        copies.append(args)
        if len(copies) > 1:
            raise KeyboardInterrupt
        name_below(*args)

    with monkeypatch.context() as patch:
        patch.setattr(intake, "name_below", killed)
        patch.setattr(intake, "remove_below", lambda *_: False)
        with pytest.raises(KeyboardInterrupt):
            take(card, job)
    assert len(list(job.rglob("*.part"))) == 1
    assert len(read_manifest(job)) == 1
    take(card, job)
    assert list(job.rglob("*.part")) == []
    assert verify_originals(job, SilentReporter()).wrong == {}


@pytest.mark.skipif(os.name == "nt", reason="links need a right of their own on Windows")
def test_a_link_on_a_card_is_not_followed(card: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.jpg").write_bytes(b"theirs")
    (card / "hall").mkdir(exist_ok=True)
    (card / "hall/x.jpg").symlink_to(tmp_path / "secret.jpg")
    taken = take(card, tmp_path / "job")
    assert "is a link" in taken.failed["hall/x.jpg"]
    assert not list((tmp_path / "job").rglob("x.jpg"))


def test_what_a_kill_left_of_the_manifest_goes_and_nothing_else(card: Path, tmp_path: Path) -> None:
    """Seen in 2 of 25 kills: the manifest lies beside the originals, not among them."""
    job = tmp_path / "job"
    job.mkdir()
    (job / ".0123456789abcdef.part").write_text("{")
    mine = job / "notes" / ".0123456789abcdef.part"
    mine.parent.mkdir()
    mine.write_text("a file of the user's, in a folder of the user's")
    take(card, job)
    assert list(job.rglob("*.part")) == [mine]
