"""Joint solutions: handed over in a file, kept frame by frame, and found to be damaged where they are."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from panopipe.frame import FrameKey
from panopipe.job import WORKING
from panopipe.stage import Solution, Stand
from panopipe.state.ledger import LEDGER, Ledger
from panopipe.state.serialization import loads
from panopipe.state.solutions import Outline, hand_over, spelled_solution, taken_over

ONE, OTHER = FrameKey("hall", "hall-01"), FrameKey("", "bäth")
LIGHT = np.random.default_rng(1).standard_normal((4, 8, 2)).astype(np.float32)
SOLUTIONS = {
    ONE: Solution({"gain": 0.1}, np.eye(3) / 3, LIGHT, (OTHER,), {"gain_ev": 0.1}, Stand(0, 1.0, 2.0)),
    OTHER: Solution(),
}


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    (tmp_path / WORKING).mkdir()
    with Ledger(tmp_path) as ledger:
        spelled = (spelled_solution(key, solution) for key, solution in SOLUTIONS.items())
        handed = hand_over(tmp_path, spelled)
        ledger.solutions.put("white", "f1", taken_over(tmp_path, handed))
        yield ledger


def test_a_solution_comes_back_with_the_same_bits(ledger: Ledger) -> None:
    kept = loads(ledger.solutions.spelled(ONE, {"white": "f1"})["white"])
    assert kept.light.tobytes() == LIGHT.tobytes()
    assert kept.correction.tobytes() == (np.eye(3) / 3).tobytes()
    assert (kept.data, kept.neighbours, kept.notes) == ({"gain": 0.1}, (OTHER,), {"gain_ev": 0.1})
    assert [path.name for path in (ledger.folder / WORKING).iterdir()] == ["ledger.sqlite"]


def test_an_outline_tells_what_changes_the_picture(ledger: Ledger) -> None:
    outline = ledger.solutions.outlines(ONE, {"white": "f1"})["white"]
    assert (outline.neighbours, outline.stand) == ((OTHER,), Stand(0, 1.0, 2.0))
    pictures = {spelled.outline for spelled in (spelled_solution(ONE, one) for one in SOLUTIONS.values())}
    assert len(pictures) == 2
    noted = Solution(notes={"gain_ev": 3.0})
    assert spelled_solution(ONE, noted).outline == spelled_solution(ONE, Solution()).outline


def test_only_what_belongs_to_the_joint_solution_in_force_is_given(ledger: Ledger) -> None:
    assert ledger.solutions.outlines(ONE, {"white": "f2", "floor": "f1"}) == {}
    assert ledger.solutions.sound("white", "f1") == set(SOLUTIONS)
    ledger.solutions.put("white", "f2", [spelled_solution(OTHER, Solution())])
    assert ledger.solutions.sound("white", "f1") == {ONE}
    ledger.solutions.keep_only({"white": "f2"})
    assert ledger.solutions.sound("white", "f1") == set()
    assert ledger.solutions.outlines(OTHER, {"white": "f2"})["white"].picture


@pytest.mark.parametrize("part", ["head", "body"])
def test_a_damaged_solution_is_no_solution(ledger: Ledger, part: str) -> None:
    with sqlite3.connect(ledger.folder / LEDGER) as base:
        (data,) = base.execute(f"select {part} from solution where room = 'hall'").fetchone()
        damaged = data[:20] + bytes([data[20] ^ 1]) + data[21:]
        base.execute(f"update solution set {part} = ? where room = 'hall'", (damaged,))
    assert ledger.solutions.sound("white", "f1") == {OTHER}


def test_what_is_no_plain_data_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / WORKING).mkdir()
    with pytest.raises(TypeError, match="not plain data"):
        hand_over(tmp_path, (spelled_solution(ONE, Solution(data)) for data in (1, object())))
    assert list((tmp_path / WORKING).iterdir()) == []


def test_a_ledger_of_before_goes_on(tmp_path: Path) -> None:
    """Joint solutions once stood in one row each: they are solved again, and all else is as it was."""
    (tmp_path / WORKING).mkdir()
    with Ledger(tmp_path) as ledger:
        ledger.put_survey("look", None, {}, {"seen": "1"})  # type: ignore[arg-type]
    with sqlite3.connect(tmp_path / LEDGER) as base:
        base.execute("drop table solution")
        base.execute("create table solved (fingerprint text primary key, data text) without rowid")
    with Ledger(tmp_path) as ledger:
        assert (ledger.set_aside, ledger.seen("seen")) == ("", "1")
        assert ledger.solutions.sound("white", "f1") == set()


def test_outlines_are_small() -> None:
    """A run reads one for each frame: they must not grow with what is solved."""
    spelled = spelled_solution(ONE, SOLUTIONS[ONE])
    assert isinstance(loads(spelled.outline), Outline)
    assert len(spelled.outline) < 1000 < len(spelled_solution(ONE, Solution(np.zeros(9999))).solution)
