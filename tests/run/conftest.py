"""Small jobs for the tests of the run: frames of a few pixels, stages of plain arithmetic."""

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from panopipe import stage
from panopipe.recipe.layers import loaded_stage
from tests.makers.dng import write_linear_dng

FAKES = {"gain": "Gain", "mirror": "Mirror", "level": "Level", "raw": "Raw", "moody": "Moody"}
ORDER = '[pipeline]\norder = ["decode", "level", "gain", "mirror", "raw"]\n[gain]\ngain_ev = 0.5\n'


@pytest.fixture
def fake_stages(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for name, cls in FAKES.items():
        monkeypatch.setitem(stage.BUILT_IN, name, f"tests.run.fakes:{cls}")
    loaded_stage.cache_clear()
    yield
    loaded_stage.cache_clear()


def write_frame(path: Path, seed: int = 1, width: int = 64) -> Path:
    random = np.random.default_rng(seed)
    samples = random.integers(0, 30000, (width // 2, width, 3), dtype=np.uint16)
    return write_linear_dng(path, samples)


@pytest.fixture
def make_job(tmp_path: Path) -> Callable[..., Path]:
    def make(rooms: dict[str, int] | None = None, recipe: str = ORDER, name: str = "job") -> Path:
        folder = tmp_path / name
        for room, count in (rooms or {"hall": 2, "lounge": 1}).items():
            for number in range(1, count + 1):
                path = folder / "originals" / room / f"{room or 'frame'}-{number:02d}.dng"
                write_frame(path, seed=len(room) * 100 + number)
        (folder / "recipe.toml").write_text(recipe, encoding="utf-8")
        return folder

    return make
