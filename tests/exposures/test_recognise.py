"""Which files are recognised as exposures of one place, and which are not."""

from pathlib import Path

import pytest

from panopipe.capture import Capture
from panopipe.exposures.recognise import candidates, recognise
from panopipe.studies.bracket.series import Shot, chains, reference_of, said_of, stem
from tests.makers.bracket import room_light, write_bracket


def shot(name: str, seconds: int | None, ev: float | None) -> Shot:
    taken = None if seconds is None else f"2026:11:24 21:{seconds // 60:02d}:{seconds % 60:02d}"
    return Shot(name, Capture(taken=taken, make="A", model="B"), ev)


def test_frames_a_minute_apart_or_of_one_exposure_are_no_candidates() -> None:
    assert chains([shot("a", 0, 0), shot("b", 60, -2), shot("c", 120, 2)]) == []
    assert chains([shot("a", 0, 5), shot("b", 2, 5), shot("c", 4, 5)]) == []


def test_a_run_within_seconds_is_a_candidate_in_the_order_it_was_taken() -> None:
    assert chains([shot("b", 4, -2), shot("c", 2, 2), shot("a", 0, 0), shot("d", 300, 0)]) == [[2, 1, 0]]


def test_where_times_are_missing_names_that_are_alike_make_a_run() -> None:
    shots = [shot("hall-01_+2ev", None, 2), shot("hall-01_-2ev", None, -2), shot("lounge", None, 0)]
    assert chains(shots) == [[0, 1]]


@pytest.mark.parametrize(
    ("name", "expected"),
    [("hall-01_+2ev", "hall-01"), ("hall-01_-2", "hall-01"), ("hall-3", "hall"), ("hall 01 (2)", "hall 01")],
)
def test_part_of_a_name_before_the_count(name: str, expected: str) -> None:
    assert stem(name) == expected


def test_the_reference_is_the_exposure_without_bias_or_the_middle_one() -> None:
    assert reference_of([0, -2, 2], [0.0, -2.0, 2.0]) == 0
    assert reference_of([1, 3, 5], [None, None, None]) == 1
    assert said_of([0, -2, 2, 4, -4]) == "5 exposures, 2 EV apart"
    assert said_of([0, -1, 3]) == "3 exposures over 4 EV"


def found(files: list[Path]) -> tuple[list[list[str]], list[str]]:
    groups, doubts = [], []
    for run in candidates(files):
        some, lines = recognise([files[place] for place in run])
        groups += [[files[run[place]].stem for place in one.members] for one in some]
        doubts += lines
    return groups, doubts


def test_a_bracket_is_recognised(tmp_path: Path) -> None:
    files = write_bracket(tmp_path, room_light(512), (0, -2, 2, -4))
    assert found(files) == ([["hall-01", "hall-02", "hall-03", "hall-04"]], [])


def test_two_brackets_in_one_run_stay_apart(tmp_path: Path) -> None:
    here, there = room_light(512), room_light(512, seed=9)
    files = write_bracket(tmp_path, here, (0, -2)) + write_bracket(
        tmp_path, there, (0, -2), name="other", first_second=10
    )
    groups, doubts = found(files)
    assert [sorted(group) for group in groups] == [["hall-01", "hall-02"], ["other-01", "other-02"]]
    assert not doubts


def test_one_exposure_of_another_place_is_refused_in_a_line(tmp_path: Path) -> None:
    here, there = room_light(512), room_light(512, seed=9)
    files = write_bracket(tmp_path, here, (0, -2, 2), lights=[here, there, here])
    groups, doubts = found(files)
    assert [sorted(group) for group in groups] == [["hall-01", "hall-03"]]
    assert doubts == ["hall-02 is a frame of its own: it does not show the place of the exposures around it"]


def test_tags_off_by_a_third_are_recognised_and_by_more_are_told(tmp_path: Path) -> None:
    light = room_light(512)
    assert len(found(write_bracket(tmp_path / "a", light, (0, -2), told_off_ev=0.3))[0]) == 1
    groups, doubts = found(write_bracket(tmp_path / "b", light, (0, -2), told_off_ev=1.0))
    assert not groups
    assert "its light differs by -2.0 EV" in doubts[0]
