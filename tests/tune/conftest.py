"""A small job whose frames stages can work on, and a sitting on it."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from panopipe import registry
from panopipe.pool.dispatch import Inline
from panopipe.registry import loaded_stage
from panopipe.run.session import Options
from panopipe.tune.session import Session
from tests.makers.dng import neutral_of, write_linear_dng

PLUGIN = Path(__file__).parents[1] / "example_plugin"
HOSTILE_ROOM = "</script><b>bold</b>&\"'"
HOSTILE_NAME = "<img src=x onerror=document.title='broken'> $(rm) `x`"
RECIPE = """# the house, in the evening
[pipeline]
order = ["decode", "tone", "monochrome", "balance", "nadir", "level", "export"]

[monochrome]
share = 0.0   # all colour stays
"""


def room_picture(seed: int, width: int = 512) -> np.ndarray:
    """Walls of several greys under one warm light, a bright pane, a patterned floor, a dark foot."""
    random = np.random.default_rng(seed)
    height = width // 2
    walls = np.repeat(random.uniform(0.15, 0.5, 16), width // 16)[None].repeat(height, axis=0)
    walls[int(0.3 * height) : int(0.5 * height), width // 4 : width // 4 + width // 10] = 0.9
    floor = int(0.65 * height)
    walls[floor:] = 0.25 + 0.05 * random.standard_normal((height - floor, width))
    walls[-height // 20 :] = 0.02
    light = np.array([1.0, 0.8, 0.55]) * walls[..., None]
    return np.clip(light, 0.001, 1)


def write_job(folder: Path, frames: tuple[str, ...], recipe: str = RECIPE, width: int = 512) -> Path:
    for seed, name in enumerate(frames):
        samples = 40000 * room_picture(seed, width) * neutral_of((0.9504559, 1.0, 1.0890578))
        write_linear_dng(folder / f"originals/{name}.dng", samples.astype(np.uint16))
    (folder / "recipe.toml").write_text(recipe, encoding="utf-8")
    return folder


@contextmanager
def with_plugin() -> Iterator[None]:
    """The example plugin, as if its package were installed."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)  # no test here cuts the power
        patch.setattr(sys, "path", [str(PLUGIN), *sys.path])
        patch.setitem(registry.BUILT_IN, "monochrome", "panopipe_monochrome:Monochrome")
        loaded_stage.cache_clear()
        yield
    loaded_stage.cache_clear()


@pytest.fixture
def plugin() -> Iterator[None]:
    with with_plugin():
        yield


@pytest.fixture
def folder(tmp_path: Path, plugin: None) -> Path:
    return write_job(tmp_path / "fenhollow", ("hall/hall-01", "hall/hall-02", "lounge/lounge-01"))


@pytest.fixture
def sit() -> Callable[..., Session]:
    """Open a sitting on a job and look at its frames, without worker processes."""

    def begin(folder: Path, start: str = "") -> Session:
        session = Session(folder, start, Options(executor=lambda *_: Inline()))
        session.look()
        return session

    return begin
