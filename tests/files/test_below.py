"""Nothing outside of a folder is written, emptied or removed, whatever in it is a link."""

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from panopipe.files import below
from panopipe.files.below import (
    files_below,
    link_below,
    make_below,
    move_below,
    name_below,
    open_below,
    remove_below,
    remove_folder_below,
    sweep_parts,
    write_below,
)

needs_links = pytest.mark.skipif(os.name == "nt", reason="links need a right of their own on Windows")


@pytest.fixture(params=["by handles", "by looking"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways to find a place: that of systems with handles of folders, and that of those without."""
    if request.param == "by looking":
        monkeypatch.setattr(below, "HAS_HANDLES", False)
    elif not below.HAS_HANDLES:
        pytest.skip("this system has no handles of folders")
    return str(request.param)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "job").mkdir()
    return tmp_path / "job"


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside/theirs.jpg").write_bytes(b"theirs")
    return tmp_path / "outside"


def test_a_new_file_and_a_replaced_one(job: Path, way: str) -> None:
    target = job / "finished/hall/lounge.jpg"
    write_below(job, "finished/hall/lounge.jpg", b"first")
    assert target.read_bytes() == b"first"
    write_below(job, "finished/hall/lounge.jpg", memoryview(b"second"))
    assert target.read_bytes() == b"second"
    assert list(target.parent.iterdir()) == [target]


def test_a_long_name_is_no_obstacle(job: Path, way: str) -> None:
    name = "x" * 251 + ".jpg"
    write_below(job, name, b"data")
    assert (job / name).read_bytes() == b"data"


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_leaves_the_old_file_and_nothing_else(
    job: Path, way: str, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    target = job / "lounge.jpg"
    target.write_bytes(b"old")

    def fail(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "whatever")

    monkeypatch.setattr(below.os, step, fail)
    with pytest.raises(OSError, match="No space left") as caught:
        write_below(job, "lounge.jpg", b"new")
    assert caught.value.filename == str(target)  # not the hidden file on the way to it
    assert target.read_bytes() == b"old"
    assert list(job.iterdir()) == [target]


def test_it_takes_the_place_only_when_all_is_written(
    job: Path, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    replace = os.replace

    def watch(part: str, target: str, **handles: int | None) -> None:
        (there,) = job.iterdir()
        seen.append((there.read_bytes(), there.name))
        replace(part, target, **handles)

    monkeypatch.setattr(below.os, "replace", watch)
    write_below(job, "lounge.jpg", b"all of it")
    ((data, name),) = seen
    assert data == b"all of it"
    assert name.startswith(".")
    assert name.endswith(".part")


ACTIONS: dict[str, Callable[[Path, str], object]] = {
    "write": lambda root, name: write_below(root, name, b"ours"),
    "open": lambda root, name: os.close(open_below(root, name, os.O_RDWR | os.O_CREAT | os.O_TRUNC)),
    "make": lambda root, name: make_below(root, f"{name}/deeper"),
    "remove": remove_below,
    "move there": lambda root, name: move_below(root, "mine.jpg", name),
    "name so": lambda root, name: name_below(root, "mine.jpg", name),
    "move from there": lambda root, name: move_below(root, name, "taken.jpg"),
    "sweep": lambda root, name: sweep_parts(root, name.rpartition("/")[0]),
}


@needs_links
@pytest.mark.parametrize("action", ACTIONS.values(), ids=ACTIONS)
@pytest.mark.parametrize("place", ["first", "second", "itself"])
def test_a_link_on_the_way_is_not_followed(
    job: Path, outside: Path, way: str, place: str, action: Callable[[Path, str], object]
) -> None:
    (outside / "review").mkdir()
    (outside / "review/.0123456789abcdef.part").write_bytes(b"theirs")
    (outside / "review/theirs.jpg").write_bytes(b"theirs")
    (outside / ".0123456789abcdef.part").write_bytes(b"theirs")
    (job / "mine.jpg").write_bytes(b"mine")
    name = "review/thumbnails/theirs.jpg"
    if place == "first":
        (outside / "thumbnails").mkdir()
        (outside / "thumbnails/theirs.jpg").write_bytes(b"theirs")
        (job / "review").symlink_to(outside)
    elif place == "second":
        (job / "review").mkdir()
        (job / "review/thumbnails").symlink_to(outside)
    else:
        (job / "review/thumbnails").mkdir(parents=True)
        (job / "review/thumbnails/theirs.jpg").symlink_to(outside / "theirs.jpg")
    before = {path: path.read_bytes() for path in outside.rglob("*") if path.is_file()}
    try:
        action(job, name)
    except (OSError, ValueError) as error:
        assert "\n" not in str(error)
    assert {path: path.read_bytes() for path in outside.rglob("*") if path.is_file()} == before


@pytest.mark.parametrize("name", ["../x", "/etc/x", "a/../../x", "", "a/..", "a\0b"])
def test_a_name_that_leads_out_is_refused(job: Path, way: str, name: str) -> None:
    for action in ACTIONS.values():
        if action is not remove_below and action is not ACTIONS["sweep"]:
            (job / "mine.jpg").write_bytes(b"mine")
            with pytest.raises(ValueError, match="no name of a file inside"):
                action(job, name)
    assert not remove_below(job, name)
    assert files_below(job, name) == []


def test_a_file_where_a_folder_is_needed_is_named(job: Path, way: str) -> None:
    (job / "review").write_bytes(b"")
    with pytest.raises(ValueError, match="review: is a file, and panopipe needs a folder"):
        write_below(job, "review/page/x.js", b"")


def test_a_name_is_not_taken_from_another_file(job: Path, way: str) -> None:
    (job / "mine.jpg").write_bytes(b"mine")
    name_below(job, "mine.jpg", "a/b.jpg")
    assert (job / "a/b.jpg").read_bytes() == b"mine"
    (job / "other.jpg").write_bytes(b"other")
    with pytest.raises(FileExistsError):
        name_below(job, "other.jpg", "a/b.jpg")
    assert (job / "a/b.jpg").read_bytes() == b"mine"


def test_only_what_writing_left_is_swept(job: Path, way: str) -> None:
    for name in ("a/.0123456789abcdef.part", "a/b/.fedcba9876543210.part", "a/.mine.part", "a/x.part"):
        (job / name).parent.mkdir(parents=True, exist_ok=True)
        (job / name).write_bytes(b"")
    sweep_parts(job, "a")
    assert sorted(path.name for path in job.rglob("*.part")) == [".mine.part", "x.part"]
    assert sorted(files_below(job, "a")) == [".mine.part", "x.part"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_not_waited_for(job: Path, way: str) -> None:
    os.mkfifo(job / "lock")
    with pytest.raises(OSError, match="is no plain file"):
        open_below(job, "lock", os.O_RDWR | os.O_CREAT)


@needs_links
def test_a_folder_is_removed_with_all_in_it_and_no_link_is_followed(tmp_path: Path, way: str) -> None:
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside/kept").write_text("x")
    (tmp_path / "root/gone/deep").mkdir(parents=True)
    (tmp_path / "root/gone/deep/file").write_text("x")
    (tmp_path / "root/gone/link").symlink_to(tmp_path / "outside", target_is_directory=True)
    remove_folder_below(tmp_path / "root", "gone")
    assert list((tmp_path / "root").iterdir()) == []
    assert (tmp_path / "outside/kept").exists()
    (tmp_path / "root/alias").symlink_to(tmp_path / "outside", target_is_directory=True)
    with pytest.raises(ValueError, match="is a link"):
        remove_folder_below(tmp_path / "root", "alias")


def test_a_second_name_is_given_inside_the_folder_only(tmp_path: Path, way: str) -> None:
    (tmp_path / "a").write_text("x")
    assert link_below(tmp_path, "a", "deep/b")
    assert (tmp_path / "deep/b").stat().st_ino == (tmp_path / "a").stat().st_ino
    assert not link_below(tmp_path, "missing", "c")
    assert not link_below(tmp_path, "a", "deep/b")  # nothing is replaced
    with pytest.raises(ValueError, match="no name of a file inside"):
        link_below(tmp_path, "a", "../b")
