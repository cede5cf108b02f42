"""What is said in the terminal, in JSON and on the sheet, whatever frames are called."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest

from panopipe.frame import FrameKey
from panopipe.review.finding import Finding, FrameReview, JobReview
from panopipe.review.make import judge
from panopipe.review.page import data_script
from panopipe.review.results import as_json
from panopipe.review.series import gaps
from panopipe.review.table import terminal_table
from panopipe.review.words import quoted
from panopipe.state.record import FrameRecord

NASTY = ["a b", "it's", '"', "$(rm -rf x)", "`x`", "</script>", "\u2028", "über", "名前", "a\\b", "-x"]


def job(name: str = "p1", *, crossed: bool = True) -> JobReview:
    key = FrameKey("lounge", name)
    finding = Finding(
        "tilt",
        "Horizon",
        2.0,
        0.7,
        "degrees",
        crossed,
        "It leans.",
        "Level it.",
        ("panopipe", "run", "JOB", "--frame", str(key)),
        2.9,
    )
    return JobReview(
        "Fenhollow", (FrameReview(FrameRecord(key, "finished", outputs=("x.jpg",)), (finding,)),)
    )


def table(review: JobReview, width: int = 80) -> str:
    return terminal_table(review, job="my job", page=Path("my job/review/index.html"), width=width)


def test_the_table_ends_with_what_to_do_next() -> None:
    assert table(job()).splitlines() == [
        "1 frame: 0 fine, 1 wants a look",
        "",
        "  lounge/p1  It leans.",
        "",
        f"Next: open {Path('my job/review/index.html')}",
        "  or begin with: " + quoted(("panopipe", "run", "JOB", "--frame", "lounge/p1"), "my job"),
    ]


def test_a_clean_job_is_ready_to_be_handed_over() -> None:
    first, _, _, last = table(job(crossed=False)).splitlines()
    assert first == "1 frame: 1 fine"
    assert last == "  then hand it over: " + quoted(("panopipe", "deliver", "JOB"), "my job")


@pytest.mark.parametrize("width", [40, 80, 200])
def test_frames_stay_within_the_terminal(width: int) -> None:
    lines = table(job("long " * 50), width).splitlines()
    assert max(len(line) for line in lines[:3]) <= width


def test_a_name_cannot_steer_the_terminal() -> None:
    assert "\x1b" not in table(job("\x1b[2J\u202e"))


@pytest.mark.parametrize("word", NASTY)
def test_a_posix_shell_reads_back_each_word(word: str) -> None:
    command = ("panopipe", "run", "JOB", "--frame", word)
    assert shlex.split(quoted(command, "/my job", windows=False)) == [
        "panopipe",
        "run",
        "/my job",
        "--frame",
        word,
    ]


def test_windows_quotes_hold_what_a_shell_would_expand() -> None:
    assert quoted(("JOB", "$(x)`"), "C:\\my job", windows=True) == '"C:\\my job" "`$(x)``"'


@pytest.mark.parametrize("name", NASTY)
def test_results_are_json_that_gives_names_back(name: str) -> None:
    plain = json.loads(as_json(job(name), job="j"))
    assert plain["frames"][0]["name"] == name
    assert plain["frames"][0]["findings"][0]["value"] == 2.0


@pytest.mark.parametrize("name", NASTY)
def test_nothing_in_the_page_s_data_can_end_its_script(name: str, tmp_path: Path) -> None:
    script = data_script(job(name), tmp_path, job="j").decode("ascii")
    assert "<" not in script
    assert json.loads(script.removeprefix("panopipe.data(").removesuffix(");\n"))["frames"][0]["name"] == name


def test_gaps_in_a_series() -> None:
    keys = [FrameKey("lounge", f"lounge-{n:02d}") for n in (1, 2, 4, 5, 30)]
    assert gaps(keys) == ["lounge/lounge-03"]


def test_takes_that_are_set_aside_and_exposures_are_not_missing() -> None:
    def frame(number: int, *others: int) -> FrameRecord:
        first, *rest = (f"originals/deck/d{n}.dng" for n in (number, *others))
        return FrameRecord(FrameKey("deck", f"d{number}"), "finished", (first,), set_aside=tuple(rest))

    records = [frame(1, 2, 3), frame(4), frame(6)]
    job = judge(records, {}, title="")
    assert [one.sentence for one in job.findings] == ["deck/d5 is missing from its numbered series."]


def test_a_number_in_another_room_is_not_missing() -> None:
    assert gaps([FrameKey("a", "p1"), FrameKey("b", "p2"), FrameKey("a", "p3")]) == []
