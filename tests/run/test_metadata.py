"""A word in the rights, the morning after: metadata alone is written anew, and gives what a new run would."""

from collections.abc import Callable
from pathlib import Path

import pytest

from panopipe.job import open_job
from panopipe.pool.dispatch import Inline
from panopipe.recipe import load_recipe
from panopipe.run.forecast import PICTURE_STAYS, forecast
from panopipe.run.job_run import Options, Summary, run_job
from panopipe.stages.export import Export
from panopipe.state.ledger import read_records

MakeJob = Callable[..., Path]
RECIPE = '[pipeline]\norder = ["decode", "export"]\n[export]\nwidths = [0, 64]\n'
RIGHTS = 'title = "Two"\n[rights]\ncreator = "A. Person"\ncopyright = "(c) A. Person"\n'


def run(folder: Path) -> Summary:
    job = open_job(folder)
    return run_job(job, load_recipe(job), Options(executor=lambda *_: Inline()))


def finished(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((folder / "finished").rglob("*.jpg"))}


@pytest.fixture
def frames(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Frames that came to the export."""
    came: list[str] = []
    start = Export.start
    monkeypatch.setattr(
        Export, "start", lambda self, context, *rest: came.append("a frame") or start(self, context, *rest)
    )
    return came


@pytest.fixture
def job(make_job: MakeJob, frames: list[str]) -> Path:
    folder = make_job({"hall": 2}, RECIPE)
    (folder / "job.toml").write_text('title = "One"\n', encoding="utf-8")
    run(folder)
    assert len(frames) == 2
    frames.clear()
    return folder


@pytest.mark.parametrize(
    ("rights", "recipe"),
    [(RIGHTS, RECIPE), ('title = "One"\n', f"{RECIPE}keep_position = true\n")],
)
def test_metadata_is_written_anew_around_the_pictures(
    job: Path, frames: list[str], make_job: MakeJob, rights: str, recipe: str
) -> None:
    """Byte for byte what a job finished with these words holds."""
    before = finished(job)
    (job / "job.toml").write_text(rights, encoding="utf-8")
    (job / "recipe.toml").write_text(recipe, encoding="utf-8")
    opened = open_job(job)
    assert all(PICTURE_STAYS in one.reasons for one in forecast(opened, load_recipe(opened)))
    records = read_records(job)
    assert len(run(job).finished) == 2
    assert not frames
    other = make_job({"hall": 2}, recipe, name="other")
    (other / "job.toml").write_text(rights, encoding="utf-8")
    run(other)
    assert finished(job) == finished(other)
    assert (rights == RIGHTS) == (finished(job) != before)
    assert [one.stage_seconds for one in read_records(job)] == [one.stage_seconds for one in records]
    assert len(run(job).already) == 2


def test_a_width_that_is_no_longer_wanted_costs_no_frame(job: Path, frames: list[str]) -> None:
    before = finished(job)
    (job / "recipe.toml").write_text(RECIPE.replace("[0, 64]", "[0]"), encoding="utf-8")
    run(job)
    assert not frames
    assert finished(job) == {name: data for name, data in before.items() if not name.endswith("-64.jpg")}


@pytest.mark.parametrize("change", ["quality = 80", "dither = false", 'chroma = "4:2:0"'])
def test_what_changes_the_picture_makes_it_anew(job: Path, frames: list[str], change: str) -> None:
    (job / "recipe.toml").write_text(f"{RECIPE}{change}\n", encoding="utf-8")
    run(job)
    assert len(frames) == 2


def test_a_file_that_is_not_as_it_was_made_is_made_anew(job: Path, frames: list[str]) -> None:
    """One is gone, one was changed by hand: the first is made, the second is kept aside."""
    (job / "finished/hall/hall-01.jpg").unlink()
    by_hand = job / "finished/hall/hall-02-64.jpg"
    by_hand.write_bytes(by_hand.read_bytes() + b"\0")
    (job / "job.toml").write_text(RIGHTS, encoding="utf-8")
    run(job)
    assert len(frames) == 2
    assert len(list(job.rglob("*hall-02-64.jpg"))) == 2
