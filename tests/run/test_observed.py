"""Observations while a job is solved: read as they are asked for, and no more than a few held."""

from pathlib import Path

import pytest

from panopipe.frame import FrameFacts, FrameKey
from panopipe.registry import loaded_stage
from panopipe.run import observed
from panopipe.run.observed import Observed
from panopipe.run.plan import survey_fingerprint
from panopipe.run.tasks import SeenFrame, SolveTask
from panopipe.stage import JobFacts
from panopipe.state.ledger import Ledger
from panopipe.state.serialization import dumps

KEYS = [FrameKey("hall", f"hall-{number:02d}") for number in range(6)]


@pytest.fixture
def task(tmp_path: Path) -> SolveTask:
    """A job of six frames whose noise was looked at, the last of which is damaged in the ledger."""
    settings = loaded_stage("denoise").Settings()
    with Ledger(tmp_path) as ledger:
        for number, key in enumerate(KEYS):
            source = f"source {number}"
            spelled = dumps([number]) if key != KEYS[-1] else "{"
            seen = {survey_fingerprint(source, "denoise", settings): spelled}
            ledger.put_survey(source, FrameFacts(key, 64, 32), {}, seen)
    frames = {key: SeenFrame(f"source {number}", settings) for number, key in enumerate(KEYS)}
    return SolveTask(str(tmp_path), "denoise", frames, JobFacts({"hall": KEYS}))


def test_they_are_read_again_where_there_are_more_than_are_held(
    task: SolveTask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(observed, "HELD", 2)
    with Ledger(Path(task.folder), read_only=True) as ledger:
        found = Observed(ledger, task, loaded_stage("denoise"))
        assert [found[key].seen for key in found] == [[0], [1], [2], [3], [4]]
        first = found[KEYS[0]]
        assert found[KEYS[0]] is first  # held
        _ = found[KEYS[1]], found[KEYS[2]]
        assert found[KEYS[0]] is not first  # read again, and the same
        assert found[KEYS[0]] == first


def test_one_that_cannot_be_read_is_named_and_left_out(task: SolveTask) -> None:
    with Ledger(Path(task.folder), read_only=True) as ledger:
        found = Observed(ledger, task, loaded_stage("denoise"))
        assert list(found) == KEYS[:-1] and len(found) == 5
        assert "cannot be read again" in found.unreadable[KEYS[-1]]
        with pytest.raises(KeyError):
            found[KEYS[-1]]
