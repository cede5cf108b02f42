"""The starters in recipes/ are recipes that panopipe takes as they are, and say something."""

import shutil
from pathlib import Path

import pytest

from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.recipe import effective, load_recipe
from panopipe.registry import loaded_stage

STARTERS = sorted((Path(__file__).parents[1] / "recipes").glob("*.toml"))


@pytest.mark.parametrize("starter", STARTERS, ids=lambda path: path.stem)
@pytest.mark.parametrize("place", ["recipe.toml", "overrides/lounge.toml", "overrides/lounge/lounge-01.toml"])
def test_a_starter_is_taken_wherever_it_is_put(tmp_path: Path, starter: Path, place: str) -> None:
    frame = tmp_path / "originals" / "lounge" / "lounge-01.dng"
    frame.parent.mkdir(parents=True)
    frame.write_bytes(b"")
    target = tmp_path / place
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(starter, target)
    job = open_job(tmp_path)
    load_recipe(job)
    assert effective(job, FrameKey("lounge", "lounge-01")).stages["tone"] != loaded_stage("tone").Settings()


def test_every_kind_of_place_has_its_starter() -> None:
    assert {path.stem for path in STARTERS} >= {
        "bright-room",
        "evening-lounge",
        "windowless",
        "large-hall",
        "exterior",
    }
