"""All built-in stages at once, on frames of a drawn room: neither schedule nor turn changes a bit."""

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from panopipe.errors import StageError
from panopipe.frame import Frame, FrameKey
from panopipe.pipeline.engine import finish_frame, reductions
from panopipe.pipeline.frame_pipeline import StageInputs
from panopipe.pipeline.steps import Step
from panopipe.registry import DEFAULT_ORDER, loaded_stage
from panopipe.stage import JobFacts, Observation, Prepared, RowStage, Solution
from panopipe.stages import export
from tests.makers.dng import write_linear_dng
from tests.stress.jobs import room_samples

WIDTH = 512
KEYS = tuple(FrameKey("hall", f"hall-{number}") for number in (1, 2))
STEPS = tuple(Step(loaded_stage(name), loaded_stage(name).Settings()) for name in DEFAULT_ORDER)


@contextlib.contextmanager
def surveyed(folder: Path, turns: Sequence[int]) -> Iterator[SimpleNamespace]:
    """Two frames whose files are turned by so many pixels, open, and the joint solutions of all surveys."""
    paths = {
        key: write_linear_dng(folder / f"{key.name}.dng", np.roll(room_samples(WIDTH, n), turn, axis=1))
        for n, (key, turn) in enumerate(zip(KEYS, turns, strict=True))
    }
    reader = {key: STEPS[0].stage.open([path], key, STEPS[0].settings) for key, path in paths.items()}
    reduced = {key: reductions(one).reduced for key, one in reader.items()}
    solutions: dict[FrameKey, dict[str, Solution]] = {key: {} for key in KEYS}
    for step in STEPS:
        if not step.stage.surveys:
            continue
        seen = {}
        for key, one in reader.items():
            frame = Frame(reduced[key].copy(), one.facts)
            seen[key] = Observation(step.stage.survey(frame, step.settings), step.settings, one.facts)
        for key, solution in step.stage.solve(seen, JobFacts({"hall": KEYS})).items():
            solutions[key][step.name] = solution
    yield SimpleNamespace(reader=reader, solutions=solutions)
    for one in reader.values():
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

    def timer(self: export.SrgbCoder, *rows: object, out: np.ndarray, turn: int) -> None:
        code(self, *rows, out=out, turn=turn)  # type: ignore[arg-type]
        taken.append(out.copy())

    with monkeypatch.context() as patch:
        patch.setattr(export.SrgbCoder, "code", timer)
        finish_frame(house.reader[key], STEPS, inputs=StageInputs(house.solutions[key]))
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
    given = StageInputs(house.solutions[key])
    whole = finish_frame(house.reader[key], STEPS, inputs=given, whole=True)
    banded = finish_frame(house.reader[key], STEPS, inputs=given, rows_at_once=7)
    assert [bytes(output.data) for output in banded.outputs] == [
        bytes(output.data) for output in whole.outputs
    ]
    assert banded.notes == whole.notes


class Spoils(RowStage):
    """A plug-in that gives no number at one pixel of the full frame; at reduced size it does its work."""

    name, version, summary, Settings = "spoils", 1, "", STEPS[0].stage.Settings
    calls = 0

    def prepare(self, look, settings):
        return Prepared(data=True)

    def apply(self, band, settings, prepared):
        self.calls += 1
        if self.calls > 1 and band.first <= self.row < band.first + len(band.rows):
            band.rows[self.row - band.first, 100, 1] = np.nan
        return band.rows


@pytest.mark.parametrize("before", [1, 2, 3, 4])
@pytest.mark.parametrize("row", [90, WIDTH // 2 - 1], ids=["that streams by", "that a span stage holds"])
def test_what_is_no_number_is_found_at_the_stage_that_made_it(
    house: SimpleNamespace, before: int, row: int
) -> None:
    stage = Spoils()
    stage.row = row
    steps = [*STEPS[:before], Step(stage, None), *STEPS[before:]]
    with pytest.raises(StageError, match="no numbers") as caught:
        finish_frame(house.reader[KEYS[0]], steps, inputs=StageInputs(house.solutions[KEYS[0]]))
    assert caught.value.stage == "spoils"
