"""TOML files of a job, with the line of every key, so that a fault can say where it stands."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from panopipe.files.regular import open_regular

MOST_BYTES = 1 << 18
"""A recipe or job file larger than this is no recipe: a stranger's file must not hold up the run."""

BYTE_ORDER_MARK = "\ufeff"
"""Some editors begin a file with it."""

Path_ = tuple[str, ...]

_DEEPEST = 32
_NAME = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
_DEEP = re.compile(rf"(?:^|[\[{{,])[ \t]*+{_NAME}(?:[ \t]*+\.[ \t]*+{_NAME}){{{_DEEPEST}}}", re.MULTILINE)
"""A key of more parts than any recipe has: the parser's time and memory grow with the square of them."""

_PLAIN = {
    "Cannot overwrite": "a key stands there twice",
    "Cannot declare": "a table stands there twice; put what they say together",
    "Expected newline": "something follows the value; write numbers as 0.5, without comma or unit",
    "Invalid value": 'write a number, true, false, or words in quotes, such as "auto"',
}
"""What the parser's words, by their beginning, mean to somebody who has mistyped a setting."""


class TomlError(ValueError):
    """A file that is not TOML. `line` is 0 when the fault lies in no single line."""

    def __init__(self, line: int, text: str) -> None:
        super().__init__(text)
        self.line = line


@dataclass(frozen=True, slots=True)
class Document:
    """What a TOML file says, and where.

    Attributes
    ----------
    values : mapping
        Tables and values as `tomllib` gives them.
    lines : mapping of tuple of str to int
        Line, counted from 1, of each table and key by its path.
    """

    values: Mapping[str, Any] = field(default_factory=dict)
    lines: Mapping[Path_, int] = field(default_factory=dict)

    def line(self, *path: str) -> int:
        """Line of a key, or of the nearest table above it that has one; 0 if none has."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 0


def read_toml(path: Path) -> Document:
    """Read a TOML file.

    Raises
    ------
    TomlError
        If the file is no TOML, no UTF-8 or too large to be one.
    OSError
        If the file cannot be read.
    """
    with open_regular(path) as file:
        data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise TomlError(0, f"is larger than {MOST_BYTES // 1024} KiB; a file of settings is a few lines")
    return parse_toml(data)


def parse_toml(data: bytes) -> Document:
    """Parse the bytes of a TOML file.

    Raises
    ------
    TomlError
        If they are no TOML.
    """
    try:
        text = data.decode("utf-8").removeprefix(BYTE_ORDER_MARK).replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise TomlError(line, "is not UTF-8 text; save it as UTF-8") from error
    if nested := _DEEP.search(text):
        line = text.count("\n", 0, nested.start() + 1) + 1
        raise TomlError(line, f"is not TOML that a recipe could hold (a key of more than {_DEEPEST} parts)")
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TomlError(*_where(str(error), text)) from error
    except (RecursionError, ValueError) as error:
        raise TomlError(
            0, "is not TOML that a recipe could hold (nested too deep or a number too long)"
        ) from error
    return Document(values, dict(_lines(text)))


def _where(message: str, text: str) -> tuple[int, str]:
    said, _, place = message.rpartition(" (at ")
    said = next((plain for begin, plain in _PLAIN.items() if said.startswith(begin)), said or message)
    line = int(place.removeprefix("line ").split(",")[0]) if place.startswith("line ") else 0
    return line or text.rstrip().count("\n") + 1, f"is not TOML: {said}"


def _lines(text: str) -> Iterator[tuple[Path_, int]]:
    """Paths and lines of the statements of a text that has been parsed before."""
    table: Path_ = ()
    for line, statement in _statements(text):
        if statement.startswith("["):
            table = _key(statement.strip("[]"))
            yield table, line
            continue
        key = table + _key(statement[: _outside_quotes(statement, "=")])
        yield key, line
        for length in range(len(table) + 1, len(key)):
            yield key[:length], line


def _key(text: str) -> Path_:
    """Split a dotted key by letting the TOML parser read it."""
    path: list[str] = []
    table: Any = tomllib.loads(f"{text.strip()} = 0")
    while isinstance(table, dict):
        name, table = next(iter(table.items()))
        path.append(name)
    return tuple(path)


def _outside_quotes(text: str, mark: str) -> int:
    """Where a mark stands first that is not inside quotes; the length of the text if nowhere."""
    quote = ""
    for at, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == mark:
            return at
    return len(text)


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Headers and the heads of `key = value` statements, with their lines."""
    at, line = 0, 1
    while at < len(text):
        end = _end_of_statement(text, at)
        chunk = text[at:end]
        bare = chunk.strip()
        if bare and not bare.startswith("#"):
            skipped = len(chunk) - len(chunk.lstrip())
            head = bare.split("\n", 1)[0]
            if head.startswith("["):
                head = head[: _outside_quotes(head, "#")].rstrip()
            yield line + chunk.count("\n", 0, skipped), head
        line += chunk.count("\n")
        at = end


def _end_of_statement(text: str, at: int) -> int:
    """One past the line break that ends the statement at `at`: not one inside a string or a list."""
    depth, key = 0, True
    while at < len(text):
        character = text[at]
        if character == "#":
            at = _find(text, "\n", at)
            continue
        if character in "\"'":
            at = _end_of_string(text, at)
            continue
        if character == "=":
            key = False
        elif not key and character in "[{":
            depth += 1
        elif not key and character in "]}":
            depth -= 1
        elif character == "\n" and depth <= 0:
            return at + 1
        at += 1
    return at


def _end_of_string(text: str, at: int) -> int:
    quote = text[at]
    mark = quote * 3 if text.startswith(quote * 3, at) else quote
    at += len(mark)
    while at < len(text):
        if quote == '"' and text[at] == "\\":
            at += 2
        elif text.startswith(mark, at):
            at += len(mark)
            while len(mark) == 3 and at < len(text) and text[at] == quote:
                at += 1
            return at
        else:
            at += 1
    return at


def _find(text: str, what: str, at: int) -> int:
    place = text.find(what, at)
    return len(text) if place < 0 else place
