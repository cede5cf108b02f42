"""What the README shows is what panopipe takes."""

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from panopipe.cli import app
from panopipe.job import open_job
from panopipe.recipe import load_recipe

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
TOML = [text for kind, text in BLOCKS if kind == "toml"]
COMMANDS = re.findall(
    r"^(?:.*&& )?panopipe ([a-z]+)((?: [\w/.=-]+)*)", "\n".join(text for _, text in BLOCKS), re.MULTILINE
)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    for name in (
        "hall/hall-01",
        "hall/hall-03",
        "hall/hall-03b",
        "lounge/lounge-01",
        "deck/deck-01",
        "frame-07",
    ):
        frame = tmp_path / "originals" / f"{name}.dng"
        frame.parent.mkdir(parents=True, exist_ok=True)
        frame.write_bytes(b"")
    return tmp_path


def test_the_job_file_is_taken(job: Path) -> None:
    (job / "job.toml").write_text(TOML[0], encoding="utf-8")
    opened = open_job(job)
    assert opened.rights.title == "Fenhollow guest house"
    assert str(opened.reference) == "hall/hall-01"


def test_the_recipe_is_taken(job: Path) -> None:
    (job / "recipe.toml").write_text(TOML[1], encoding="utf-8")
    recipe = load_recipe(open_job(job))
    settings = recipe.settings(next(iter(open_job(job).frames)))
    assert settings.order == (
        "decode",
        "denoise",
        "light",
        "tone",
        "vibrance",
        "balance",
        "nadir",
        "level",
        "sharpen",
        "north",
        "export",
    )
    assert settings.stages["tone"].highlights_ev == -2.0


def test_the_commands_exist() -> None:
    assert len(COMMANDS) >= 8
    for name, words in COMMANDS:
        said = CliRunner().invoke(app, [name, "--help"])
        assert said.exit_code == 0, name
        for option in (word for word in shlex.split(words) if word.startswith("--")):
            assert option in said.output, f"{name} {option}"


def test_files_that_it_names_are_there() -> None:
    for name in re.findall(r"!\[[^]]*\]\(([^)]+)\)", README):
        assert (ROOT / name).is_file(), name
