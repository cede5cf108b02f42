"""Names as cameras, disks and strangers make them: each costs its own frame at most, in every command."""

import os
import sys
from pathlib import Path

import pytest

from tests.cli.test_cli import panopipe
from tests.run.conftest import write_frame

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names themselves")

AWKWARD = {
    "no UTF-8": b"hall/f\xff\xfe.dng",
    "a folder of no UTF-8": b"r\xe4ume/f.dng",
    "control characters": b"hall/a\nb\x1b[31m.dng",
    "255 bytes": b"hall/" + b"n" * 251 + b".dng",
    "composed": "hall/caf\u00e9.dng".encode(),
    "decomposed": "hall/cafe\u0301.dng".encode(),
    "case": b"hall/GOOD.dng",
}
"""By kind; of names that look alike one of two is refused."""


def frames(folder: Path) -> Path:
    write_frame(folder / "hall/good.dng", seed=1, width=32)
    data = (folder / "hall/good.dng").read_bytes()
    for name in AWKWARD.values():
        path = folder / os.fsdecode(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder


def test_a_name_costs_its_own_frame_and_no_other(tmp_path: Path) -> None:
    """A fault once seen: one file whose name is no UTF-8 stopped the whole job."""
    frames(tmp_path / "job/originals")
    (tmp_path / "job/recipe.toml").write_text('[pipeline]\norder = ["decode", "export"]\n')
    for command in ("check", "proof", "run", "run"):
        result = panopipe(command, tmp_path / "job")
        assert result.exit_code == 1, result.output
        assert all(line.isprintable() for line in (result.stdout + result.stderr).splitlines())
        assert r"hall/f\xff\xfe: " in result.stdout + result.stderr
        assert "fault of its own" not in result.output
    finished = {path.stem for path in (tmp_path / "job/finished").rglob("*.jpg")}
    assert "good" in finished or "GOOD" in finished
    assert {"caf\u00e9", "cafe\u0301"} & finished
    assert "n" * 251 in finished


def test_intake_takes_the_others(tmp_path: Path) -> None:
    frames(tmp_path / "card")
    result = panopipe("intake", tmp_path / "card", tmp_path / "job")
    assert result.exit_code == 1
    assert all(line.isprintable() for line in (result.stdout + result.stderr).splitlines())
    assert r"hall/f\xff\xfe.dng: not taken: its name" in result.stdout
    assert (tmp_path / "job/originals/hall/good.dng").exists()
    assert panopipe("verify", tmp_path / "job").exit_code == 0
