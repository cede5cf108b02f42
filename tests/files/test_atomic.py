import errno
from pathlib import Path

import pytest

from panopipe.files import atomic
from panopipe.files.atomic import write_whole


def test_a_new_file_and_a_replaced_one(tmp_path: Path) -> None:
    target = tmp_path / "lounge.jpg"
    write_whole(target, b"first")
    assert target.read_bytes() == b"first"
    write_whole(target, memoryview(b"second"))
    assert target.read_bytes() == b"second"
    assert list(tmp_path.iterdir()) == [target]


def test_a_long_name_is_no_obstacle(tmp_path: Path) -> None:
    target = tmp_path / ("x" * 251 + ".jpg")
    write_whole(target, b"data")
    assert target.read_bytes() == b"data"


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    target = tmp_path / "lounge.jpg"
    target.write_bytes(b"old")

    def fail(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "whatever")

    monkeypatch.setattr(atomic.os if step == "fsync" else Path, step, fail)
    with pytest.raises(OSError, match="No space left") as caught:
        write_whole(target, b"new")
    assert caught.value.filename == str(target)  # not the hidden file on the way to it
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


def test_no_folder_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_whole(tmp_path / "missing" / "lounge.jpg", b"data")


def test_it_takes_the_place_only_when_all_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    replace = Path.replace

    def watch(part: Path, target: Path) -> Path:
        seen.append((part.read_bytes(), target.exists(), part.name))
        return replace(part, target)

    monkeypatch.setattr(Path, "replace", watch)
    write_whole(tmp_path / "lounge.jpg", b"all of it")
    ((data, existed, name),) = seen
    assert data == b"all of it"
    assert not existed
    assert name.startswith(".")
    assert name.endswith(atomic.PART_SUFFIX)
