"""All built-in stages at once, on a frame of a drawn room: the schedule changes no bit."""

from types import SimpleNamespace

import pytest

from panopipe.frame import Frame, FrameKey
from panopipe.recipe.layers import loaded_stage
from panopipe.run.engine import finish_frame, reductions
from panopipe.run.passage import Given
from panopipe.run.steps import Step
from panopipe.stage import DEFAULT_ORDER, JobFacts, Observed, Solution
from tests.makers.dng import write_linear_dng
from tests.stress.jobs import room_samples

KEYS = tuple(FrameKey("hall", f"hall-{number}") for number in (1, 2))
STEPS = tuple(Step(loaded_stage(name), loaded_stage(name).Settings()) for name in DEFAULT_ORDER)


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Two frames, open, and the joint solutions of all stages that survey."""
    folder = tmp_path_factory.mktemp("house")
    paths = {
        key: write_linear_dng(folder / f"{key.name}.dng", room_samples(512, n)) for n, key in enumerate(KEYS)
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


def test_bands_and_whole_frames_give_the_same_file(house: SimpleNamespace) -> None:
    key = KEYS[0]
    given = Given(house.solutions[key])
    whole = finish_frame(house.opened[key], STEPS, given=given, whole=True)
    banded = finish_frame(house.opened[key], STEPS, given=given, rows_at_once=7)
    assert [bytes(output.data) for output in banded.outputs] == [
        bytes(output.data) for output in whole.outputs
    ]
    assert banded.notes == whole.notes
