"""A worker is examined before its first frame: the same versions, and the same job folder under one path."""

import os
from dataclasses import replace
from pathlib import Path

import pytest

from panopipe.cluster import examination
from panopipe.cluster.examination import Examination, Examined, examined, objection, versions
from panopipe.files.below import write_below
from panopipe.state.folders import ARRIVING, ensure_folders

STAGES = ("decode", "export")
TOKEN = "ab" * 16


@pytest.fixture(autouse=True)
def in_no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(examination, "_SIGHT_S", 0.0)
    monkeypatch.setattr(examination, "keep_freed_memory", lambda: None)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    ensure_folders(tmp_path)
    write_below(tmp_path, f"{ARRIVING}/{TOKEN}", TOKEN.encode())
    return tmp_path


def said(folder: Path) -> Examined:
    return examined(Examination(str(folder), TOKEN, STAGES))


def why(worker: Examined) -> str:
    return objection(worker, dict(versions(STAGES)))


def test_a_process_like_this_one_is_used(folder: Path) -> None:
    assert why(said(folder)) == ""
    assert [path.name for path in (folder / ARRIVING).iterdir()] == [TOKEN]


@pytest.mark.parametrize(
    ("what", "line"),
    [
        ("panopipe", "it has panopipe 0.0.9, this machine {0}"),
        ("numpy", "it has numpy 0.0.9, this machine {0}"),
        ("opencv", "it has opencv 0.0.9, this machine {0}"),
        ("stage export", "it has stage export 0.0.9, this machine {0}"),
    ],
)
def test_another_version_is_refused(folder: Path, what: str, line: str) -> None:
    worker = said(folder)
    other = replace(worker, versions={**worker.versions, what: "0.0.9"})
    assert why(other) == line.format(worker.versions[what])


def test_other_files_of_the_same_version_are_refused(folder: Path) -> None:
    worker = said(folder)
    other = replace(worker, versions={**worker.versions, "the files of panopipe": "0"})
    assert "has other files" in why(other)


def test_the_version_is_told_before_what_differs_with_it(folder: Path) -> None:
    worker = said(folder)
    older = dict.fromkeys(worker.versions, "0.0.9")
    assert why(replace(worker, versions=older)).startswith("it has panopipe 0.0.9")


def test_a_stage_that_is_not_installed_there_is_told(folder: Path) -> None:
    here = {**dict(versions(STAGES)), "stage sparkle": "3"}
    worker = examined(Examination(str(folder), TOKEN, (*STAGES, "sparkle")))
    assert objection(worker, here).startswith("it has stage sparkle none")


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    assert why(said(tmp_path / "elsewhere")).startswith(f"it does not see {tmp_path / 'elsewhere'}")


def test_another_job_under_the_same_path_is_told(tmp_path: Path) -> None:
    ensure_folders(tmp_path)
    assert why(said(tmp_path)).startswith(f"{tmp_path} is another folder there")
    write_below(tmp_path, f"{ARRIVING}/{TOKEN}", b"cd" * 16)
    assert why(said(tmp_path)).startswith(f"{tmp_path} is another folder there")


def test_a_folder_that_cannot_be_written_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise PermissionError(13, os.strerror(13), "x")

    monkeypatch.setattr(examination, "open_below", refuse)
    assert why(said(folder)).startswith(f"it cannot write in {folder} (Permission denied")
