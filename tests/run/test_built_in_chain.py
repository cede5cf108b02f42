"""All built-in stages at once, on frames of a drawn room: neither schedule nor turn changes a bit."""

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from panopipe.frame import Frame, FrameKey
from panopipe.recipe.layers import loaded_stage
from panopipe.run.engine import finish_frame, reductions
from panopipe.run.passage import Given
from panopipe.run.steps import Step
from panopipe.stage import DEFAULT_ORDER, JobFacts, Observed, Solution
from panopipe.stages import export
from tests.makers.dng import write_linear_dng
from tests.stress.jobs import room_samples

KEYS = tuple(FrameKey("hall", f"hall-{number}") for number in (1, 2))
STEPS = tuple(Step(loaded_stage(name), loaded_stage(name).Settings()) for name in DEFAULT_ORDER)


@contextlib.contextmanager
def surveyed(folder: Path, turns: Sequence[int]) -> Iterator[SimpleNamespace]:
    """Two frames whose files are turned by so many pixels, open, and the joint solutions of all surveys."""
    paths = {
        key: write_linear_dng(folder / f"{key.name}.dng", np.roll(room_samples(512, n), turn, axis=1))
        for n, (key, turn) in enumerate(zip(KEYS, turns, strict=True))
    }
    opened = {key: STEPS[0].stage.open([path], key, STEPS[0].settings) for key, path in paths.items()}
    reduced = {key: reductions(one).reduced for key, one in opened.items()}
    solutions: dict[FrameKey, dict[str, Solution]] = {key: {} for key in KEYS}
    for step in STEPS:
        if not step.stage.surveys:
            continue
        seen = {}
        for key, one in opened.items():
            frame = Frame(reduced[key].copy(), one.facts)
            seen[key] = Observed(step.stage.survey(frame, step.settings), step.settings, one.facts)
        for key, solution in step.stage.solve(seen, JobFacts({"hall": KEYS})).items():
            solutions[key][step.name] = solution
    yield SimpleNamespace(opened=opened, solutions=solutions)
    for one in opened.values():
        one.close()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimpleNamespace]:
    """The frames as they were shot."""
    with surveyed(tmp_path_factory.mktemp("house"), (0, 0)) as found:
        yield found


def codes_of(house: SimpleNamespace, key: FrameKey, monkeypatch: pytest.MonkeyPatch) -> np.ndarray:
    """8-bit codes of a finished frame, as they reach the JPEG coder."""
    taken: list[np.ndarray] = []
    code = export.SrgbCoder.code

    def watch(self: export.SrgbCoder, *rows: object, out: np.ndarray, turn: int) -> None:
        code(self, *rows, out=out, turn=turn)  # type: ignore[arg-type]
        taken.append(out.copy())

    with monkeypatch.context() as patch:
        patch.setattr(export.SrgbCoder, "code", watch)
        finish_frame(house.opened[key], STEPS, given=Given(house.solutions[key]))
    return np.concatenate(taken)


def test_turned_files_give_the_turned_codes_through_all_stages(
    house: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    turns = (201, 77)
    with surveyed(tmp_path, turns) as turned:
        for key, turn in zip(KEYS, turns, strict=True):
            straight = codes_of(house, key, monkeypatch)
            assert len(np.unique(straight)) > 50
            assert np.array_equal(codes_of(turned, key, monkeypatch), np.roll(straight, turn, axis=1))


def test_bands_and_whole_frames_give_the_same_file(house: SimpleNamespace) -> None:
    key = KEYS[0]
    given = Given(house.solutions[key])
    whole = finish_frame(house.opened[key], STEPS, given=given, whole=True)
    banded = finish_frame(house.opened[key], STEPS, given=given, rows_at_once=7)
    assert [bytes(output.data) for output in banded.outputs] == [
        bytes(output.data) for output in whole.outputs
    ]
    assert banded.notes == whole.notes
