"""Joint solutions as they are kept: a row for each stage and frame, read when that frame is made.

Whoever solves writes all solutions of a job into one file, frame by frame, and whoever keeps the ledger takes
them from there: neither holds them all.
"""

from __future__ import annotations

import json
import os
import secrets
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from panopipe.files.below import open_below, remove_below
from panopipe.frame import FrameKey
from panopipe.job import WORKING
from panopipe.stage import Solution, Stand
from panopipe.state.checksum import CHECKSUM_BYTES, checksummed, sound_text
from panopipe.state.serialization import digest, dumps, loads

TABLE = """
create table if not exists solution (room text, name text, stage text, solved text, head blob, body blob,
                                     primary key (room, name, stage));
"""


@dataclass(frozen=True, slots=True)
class Outline:
    """What a run has to know of a solution before the frame is made.

    Attributes
    ----------
    picture : str
        Digest of all in it that changes the picture.
    neighbours : tuple of FrameKey
        Frames whose rows are wanted.
    stand : Stand or None
        Where the frame was taken from.
    """

    picture: str
    neighbours: tuple[FrameKey, ...] = ()
    stand: Stand | None = None


@dataclass(frozen=True, slots=True)
class SpelledSolution:
    """A frame's solution, and its outline, as `panopipe.state.serialization` spells them."""

    key: FrameKey
    outline: str
    solution: str


def spelled_solution(key: FrameKey, solution: Solution) -> SpelledSolution:
    """Spell a solution.

    Raises
    ------
    TypeError
        If something in it is not plain data.
    """
    picture = digest(solution.data, solution.correction, solution.light, solution.neighbours)
    outline = Outline(picture, solution.neighbours, solution.stand)
    return SpelledSolution(key, dumps(outline), dumps(solution))


def hand_over(folder: Path, solutions: Iterable[SpelledSolution]) -> str:
    """Write solutions into a file of the job's working folder, one by one, and return its name.

    A file that nobody takes is swept away as what interrupted writing left.

    Raises
    ------
    OSError
        If it cannot be written; nothing is left behind.
    ValueError
        If a link leads out of the job folder there.
    """
    name = f"{WORKING}/.{secrets.token_hex(8)}.part"
    handle = open_below(folder, name, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    try:
        with os.fdopen(handle, "w", encoding="ascii") as file:
            for one in solutions:
                file.write(json.dumps([*one.key, one.outline, one.solution]) + "\n")
    except BaseException:
        remove_below(folder, name)
        raise
    return name


def taken_over(folder: Path, name: str) -> Iterator[SpelledSolution]:
    """Solutions that were handed over, one by one; the file is gone then.

    Raises
    ------
    OSError, ValueError
        If they cannot be read.
    """
    try:
        with os.fdopen(open_below(folder, name, os.O_RDONLY), encoding="ascii") as file:
            for line in file:
                room, frame, outline, solution = json.loads(line)
                yield SpelledSolution(FrameKey(room, frame), outline, solution)
    finally:
        remove_below(folder, name)


class KeptSolutions:
    """The ledger's table of solutions.

    Parameters
    ----------
    base : Connection
        The ledger's.
    writing : callable
        Gives the ledger's transaction.
    """

    def __init__(
        self, base: sqlite3.Connection, writing: Callable[[], AbstractContextManager[object]]
    ) -> None:
        self._base, self._writing = base, writing

    def sound(self, stage: str, solved: str) -> set[FrameKey]:
        """Frames for which a solution is kept whole; `solved` is the fingerprint of the joint solution."""
        rows = self._base.execute(
            "select room, name, head, body from solution where stage = ? and solved = ?", (stage, solved)
        )
        return {
            FrameKey(room, name)
            for room, name, *parts in rows
            if all(sound_text(part) is not None for part in parts)
        }

    def put(self, stage: str, solved: str, solutions: Iterable[SpelledSolution]) -> None:
        """Keep a joint solution, in one transaction, in place of the one before."""
        rows = (
            (*one.key, stage, solved, checksummed(one.outline.encode()), checksummed(one.solution.encode()))
            for one in solutions
        )
        with self._writing():
            self._base.executemany("replace into solution values (?, ?, ?, ?, ?, ?)", rows)

    def outlines(self, key: FrameKey, solved: Mapping[str, str]) -> dict[str, Outline]:
        """Outlines of a frame's solutions by stage; `solved` tells the joint solution of each stage."""
        return {stage: loads(text) for stage, text in self._texts("head", key, solved)}

    def spelled(self, key: FrameKey, solved: Mapping[str, str]) -> dict[str, str]:
        """A frame's solutions by stage, as they were spelled."""
        return dict(self._texts("body", key, solved))

    def keep_only(self, solved: Mapping[str, str]) -> None:
        """Drop solutions that are not part of these joint ones."""
        held = self._base.execute("select distinct stage, solved from solution")
        gone = [row for row in held if row not in set(solved.items())]
        if gone:
            with self._writing():
                self._base.executemany("delete from solution where stage = ? and solved = ?", gone)

    def _texts(self, part: str, key: FrameKey, solved: Mapping[str, str]) -> Iterator[tuple[str, str]]:
        sql = f"select stage, solved, {part} from solution where room = ? and name = ?"
        for stage, fingerprint, data in self._base.execute(sql, key):
            if solved.get(stage) == fingerprint:
                yield stage, data[:-CHECKSUM_BYTES].decode()
