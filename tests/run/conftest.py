"""Small jobs for the tests of the run: frames of a few pixels, stages of plain arithmetic."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from panopipe import registry
from panopipe.registry import loaded_stage
from tests.makers.dng import neutral_of, write_linear_dng

FAKES = {"gain": "Gain", "mirror": "Mirror", "even": "Even", "raw": "Raw", "moody": "Moody"}
ORDER = '[pipeline]\norder = ["decode", "even", "gain", "mirror", "raw"]\n[gain]\ngain_ev = 0.5\n'


@pytest.fixture(autouse=True)
def no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test here cuts the power; the stress commands wait as a real run does."""
    monkeypatch.setattr(os, "fsync", lambda _: None)
    monkeypatch.setattr("panopipe.state.ledger.SYNCHRONOUS", "off")


@pytest.fixture
def fake_stages(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for name, cls in FAKES.items():
        monkeypatch.setitem(registry.BUILT_IN, name, f"tests.run.fakes:{cls}")
    loaded_stage.cache_clear()
    yield
    loaded_stage.cache_clear()


def write_frame(path: Path, seed: int = 1, width: int = 64) -> Path:
    random = np.random.default_rng(seed)
    grey = random.integers(2000, 20000, (width // 2, width, 1))
    colour = grey * neutral_of((0.9504559, 1.0, 1.0890578)) * random.uniform(0.9, 1.1, (*grey.shape[:2], 3))
    return write_linear_dng(path, colour.astype(np.uint16))


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
