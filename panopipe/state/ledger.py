"""The ledger of a job: for each frame, what made its finished files, so that a run does only what changed.

SQLite in `JOB/.panopipe/ledger.sqlite`, one transaction per frame. It holds plain data only (see
`panopipe.state.serialization`); a ledger that cannot be read is set aside and everything is made again.
"""

from __future__ import annotations

import contextlib
import errno
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from panopipe.files.below import move_below, place_below
from panopipe.frame import FrameFacts, FrameKey
from panopipe.job import WORKING, open_job
from panopipe.state.checksum import checksummed, sound_text
from panopipe.state.file_stamp import FileStamp
from panopipe.state.record import FrameRecord
from panopipe.state.serialization import dumps, loads
from panopipe.state.solutions import TABLE, KeptSolutions

LEDGER = f"{WORKING}/ledger.sqlite"
FORMAT = 1
"""Raised when the tables change; a ledger of another format is set aside."""
SYNCHRONOUS = "full"
"""What is told to be kept is on the disk before the run goes on; a power cut then loses nothing."""
_WAIT_S = 300.0
"""Longest to wait for who writes: the solutions of thousands of frames go in at once, on any disk."""

_TABLES = """
create table original (path text primary key, size integer, mtime_ns integer, sha256 text) without rowid;
create table frame (room text, name text, fingerprint text, record text, files text,
                    primary key (room, name)) without rowid;
create table look (fingerprint text primary key, facts blob) without rowid;
create table seen (fingerprint text primary key, data blob) without rowid;
"""


@dataclass(frozen=True, slots=True)
class Entry:
    """A frame in the ledger.

    Attributes
    ----------
    fingerprint : str
        Of all that made the outputs; empty while they are being made and for a failed frame.
    record : FrameRecord
        For the review.
    files : mapping of str to FileStamp
        Finished files, relative to the job folder.
    """

    fingerprint: str
    record: FrameRecord
    files: Mapping[str, FileStamp] = field(default_factory=dict)


class Ledger:
    """The ledger, open. Use it with `with`.

    Parameters
    ----------
    folder : Path
        The job folder.
    read_only : bool
        Look only.

    Attributes
    ----------
    folder, path : Path
        The job folder, and the ledger's file in it.
    solutions : KeptSolutions
        Joint solutions, frame by frame.

    Raises
    ------
    OSError
        If the folder cannot be written, or the disk is full.
    FileNotFoundError
        If there is no ledger and it is opened to look only.
    ValueError
        If it is opened to look only and is no ledger of this format.
    """

    def __init__(self, folder: Path, *, read_only: bool = False) -> None:
        self.folder, self.path = folder, folder / LEDGER
        self.set_aside = ""
        if read_only:
            if not self.path.is_file():
                raise FileNotFoundError(self.path)
            self._base = self._connect(read_only=True)
            self._check_format()
        else:
            # The database library takes a path: what it opens there is looked at first.
            for name in (LEDGER, *(f"{LEDGER}-{part}" for part in ("journal", "wal", "shm"))):
                with place_below(folder, name, make=True) as place:
                    if place.is_link():
                        raise ValueError(f"{name} is a link, which may lead out of the job folder; remove it")
            self._base = self._open_or_begin()
        self.solutions = KeptSolutions(self._base, self._writing)

    def _connect(self, *, read_only: bool = False) -> sqlite3.Connection:
        uri = self.path.as_uri() + ("?mode=ro" if read_only else "")
        try:
            base = sqlite3.connect(uri, uri=True, timeout=_WAIT_S)
            base.text_factory = lambda data: data.decode(errors="replace")  # damaged rows are made again
            return base
        except sqlite3.OperationalError as error:  # the folder or the file may not be opened by this user
            raise OSError(errno.EACCES, f"the ledger cannot be opened ({error})", LEDGER) from error

    def _check_format(self) -> None:
        try:
            written = self._base.execute("pragma user_version").fetchone()[0]
        except sqlite3.Error as error:
            self._base.close()
            raise ValueError(f"{LEDGER} is no ledger ({error})") from error
        if written != FORMAT:
            self._base.close()
            raise ValueError(f"{LEDGER} is of another version of panopipe")

    def _open_or_begin(self) -> sqlite3.Connection:
        for attempt in range(2):
            base = self._base = self._connect()
            try:
                if base.execute("select count(*) from sqlite_master").fetchone()[0] == 0:
                    with base:
                        base.executescript(f"begin; {_TABLES} pragma user_version = {FORMAT}; commit;")
                self._check_format()
                base.executescript(f"begin; {TABLE} drop table if exists solved; commit;")
                base.execute(f"pragma synchronous = {SYNCHRONOUS}")
                if (why := base.execute("pragma quick_check(1)").fetchone()[0]) != "ok":
                    raise ValueError(why)
                for table in ("original", "frame", "look", "seen", "solution"):
                    base.execute(f"select * from {table} limit 1").fetchone()
                return base
            except (sqlite3.DatabaseError, ValueError) as error:
                base.close()
                if attempt or _is_full(error):
                    raise _os_error(error) from error
                self.set_aside = f"{LEDGER}.set-aside"
                move_below(self.folder, LEDGER, self.set_aside)
        raise AssertionError("unreachable")

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self._base.close()

    def entries(self) -> dict[FrameKey, Entry]:
        """All frames that the ledger knows and that can be read."""
        rows = self._base.execute("select room, name, fingerprint, record, files from frame")
        read = ((FrameKey(room, name), _entry(*parts)) for room, name, *parts in rows)
        return {key: entry for key, entry in read if entry is not None}

    def frames(self) -> list[FrameKey]:
        """All frames that the ledger knows."""
        return [FrameKey(*row) for row in self._base.execute("select room, name from frame")]

    def entry(self, key: FrameKey) -> Entry | None:
        """A frame, if the ledger knows it and it can be read."""
        sql = "select fingerprint, record, files from frame where room = ? and name = ?"
        row = self._base.execute(sql, key).fetchone()
        return None if row is None else _entry(*row)

    def put(self, entries: Mapping[FrameKey, Entry]) -> None:
        """Keep, in one transaction, what frames have become."""
        rows = [
            (key.room, key.name, entry.fingerprint, dumps(entry.record), dumps(entry.files))
            for key, entry in entries.items()
        ]
        self._write_all(("replace into frame values (?, ?, ?, ?, ?)", rows))

    def forget(self, keys: Collection[FrameKey]) -> None:
        """Leave out frames that are no longer in the job."""
        self._write_all(("delete from frame where room = ? and name = ?", list(keys)))

    def originals(self) -> dict[str, FileStamp]:
        """Originals by path, as they were when last hashed."""
        rows = self._base.execute("select path, size, mtime_ns, sha256 from original")
        return {path: FileStamp(*stamp) for path, *stamp in rows}

    def put_originals(self, stamps: Mapping[str, FileStamp]) -> None:
        """Keep size, time and hash of originals."""
        self._write_all(("replace into original values (?, ?, ?, ?)", _stamp_rows(stamps)))

    def put_survey(
        self, fingerprint: str, facts: FrameFacts, stamps: Mapping[str, FileStamp], seen: Mapping[str, str]
    ) -> None:
        """Keep, in one transaction, what looking at a frame found.

        Parameters
        ----------
        fingerprint : str
            Of the look.
        facts : FrameFacts
            Of the frame.
        stamps : mapping of str to FileStamp
            Its originals.
        seen : mapping of str to str
            Observations by their fingerprints, spelled by `panopipe.state.serialization.dumps`.
        """
        self._write_all(
            ("replace into original values (?, ?, ?, ?)", _stamp_rows(stamps)),
            ("replace into look values (?, ?)", [(fingerprint, checksummed(dumps(facts).encode()))]),
            (
                "replace into seen values (?, ?)",
                [(name, checksummed(text.encode())) for name, text in seen.items()],
            ),
        )

    def facts(self, fingerprint: str) -> FrameFacts:
        """Facts of a frame by the fingerprint of its look.

        Raises
        ------
        KeyError
            If there are none.
        ValueError
            If they cannot be read.
        """
        facts = loads(self._text("look", "facts", fingerprint))
        if not isinstance(facts, FrameFacts):
            raise ValueError("no facts of a frame")
        return facts

    def survey_fingerprints(self) -> set[str]:
        """Fingerprints of the observations that the ledger holds, each as it was kept."""
        rows = self._base.execute("select fingerprint, data from seen")
        return {fingerprint for fingerprint, data in rows if sound_text(data) is not None}

    def seen(self, fingerprint: str) -> str:
        """One observation as it was spelled.

        Raises
        ------
        KeyError
            If there is none.
        ValueError
            If it is not as it was kept.
        """
        return self._text("seen", "data", fingerprint)

    def keep_only(self, *, surveyed: Iterable[str], seen: Iterable[str], solved: Mapping[str, str]) -> None:
        """Drop what no frame of the job needs any longer."""
        self.solutions.keep_only(solved)
        with self._writing():
            for table, wanted in (("look", surveyed), ("seen", seen)):
                self._base.execute("create temp table wanted (fingerprint text primary key) without rowid")
                rows = ((fingerprint,) for fingerprint in wanted)
                self._base.executemany("insert or ignore into wanted values (?)", rows)
                gone = "fingerprint not in (select fingerprint from wanted)"
                self._base.execute(f"delete from {table} where {gone}")
                self._base.execute("drop table wanted")

    def _text(self, table: str, column: str, fingerprint: str) -> str:
        sql = f"select {column} from {table} where fingerprint = ?"
        row = self._base.execute(sql, (fingerprint,)).fetchone()
        if row is None:
            raise KeyError(fingerprint)
        text = sound_text(row[0])
        if text is None:
            raise ValueError("it is not as it was kept")
        return text

    def _write_all(self, *changes: tuple[str, Sequence[Any]]) -> None:
        if not any(rows for _, rows in changes):
            return
        with self._writing():
            for sql, rows in changes:
                self._base.executemany(sql, rows)

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        """One transaction, all of it or nothing."""
        try:
            with self._base:
                yield
        except sqlite3.Error as error:
            raise _os_error(error) from error


def _entry(fingerprint: str, record: str, files: str) -> Entry | None:
    with contextlib.suppress(ValueError):
        entry = Entry(fingerprint, loads(record), loads(files))
        if isinstance(entry.record, FrameRecord):
            return entry
    return None


def _stamp_rows(stamps: Mapping[str, FileStamp]) -> list[tuple[str, int, int, str]]:
    return [(path, stamp.size, stamp.mtime_ns, stamp.sha256) for path, stamp in stamps.items()]


def _os_error(error: Exception) -> OSError:
    number = errno.ENOSPC if _is_full(error) else errno.EIO
    return OSError(number, f"the ledger cannot be written ({error})", LEDGER)


def _is_full(error: Exception) -> bool:
    """Whether SQLite could not write for want of room."""
    return getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL


def read_records(job_folder: Path) -> list[FrameRecord]:
    """State of every frame of a job, in walking order; frames that no run came to yet are waiting.

    Raises
    ------
    ValueError
        If the folder is no job, or its ledger cannot be read.
    OSError
        If the folder cannot be read.
    """
    job = open_job(job_folder)
    entries: Mapping[FrameKey, Entry] = {}
    if (job.folder / LEDGER).is_file():
        with Ledger(job.folder, read_only=True) as ledger:
            entries = ledger.entries()
    return [
        replace(entries[key].record, key=key, set_aside=frame.set_aside)
        if key in entries
        else FrameRecord(key, "waiting", tuple(file.path for file in frame.files), set_aside=frame.set_aside)
        for key, frame in job.frames.items()
    ]
