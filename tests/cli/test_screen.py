"""What a run says on the screen, in a terminal and into a file."""

import io

from panopipe.cli.screen import Screen, table_lines
from panopipe.errors import printable
from panopipe.frame import FrameKey
from panopipe.job import FrameEntry, Job, SourceFile
from panopipe.run.pace import in_words
from panopipe.run.session import Summary


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_gets_one_line_that_renews_itself() -> None:
    stream = Terminal()
    screen = Screen(stream)
    screen.progress("hall/h1 tone: 12 left")
    screen.progress("hall/h2: 11 left")
    screen.line("said")
    assert stream.getvalue() == ("\rhall/h1 tone: 12 left\rhall/h2: 11 left     \r" + " " * 16 + "\rsaid\n")


def test_a_file_gets_plain_lines_and_few() -> None:
    stream = io.StringIO()
    screen = Screen(stream)
    for _ in range(50):
        screen.progress("hall/h1: 12 left")
    screen.line("said")
    assert stream.getvalue() == "said\n"


def test_a_strangers_name_cannot_steer_the_terminal() -> None:
    assert printable("a\x1b[2Jb\r\nc é 客") == "a\\x1b[2Jb\\x0d\\x0ac é 客"


def test_the_table_counts_by_room_and_tells_failures(tmp_path) -> None:
    keys = [FrameKey("hall", "h1"), FrameKey("hall", "h2"), FrameKey("", "x")]
    job = Job(tmp_path, {key: FrameEntry(key, (SourceFile("a.dng"),)) for key in keys})
    summary = Summary([keys[0]], [keys[2]], [keys[1]], {keys[1]: "decode: no"})
    lines = [line.split() for line in table_lines(job, summary)]
    assert lines == [
        ["room", "finished", "already", "finished", "failed"],
        ["hall", "1", "0", "1"],
        ["(no", "room)", "0", "1", "0"],
        ["all", "1", "1", "1"],
        ["hall/h2:", "decode:", "no"],
    ]


def test_time_in_words() -> None:
    assert [in_words(seconds) for seconds in (0.2, 89, 90, 5340, 12000)] == [
        "1 s", "89 s", "2 min", "89 min", "3 h 20 min",
    ]  # fmt: skip
