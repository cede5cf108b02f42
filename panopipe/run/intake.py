"""Intake: from a card into a job, every copy read back and compared."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from panopipe.errors import one_line
from panopipe.files.below import (
    make_below,
    name_below,
    open_below,
    place_below,
    remove_below,
    sweep_parts,
)
from panopipe.files.capture_time import capture_time
from panopipe.files.regular import open_regular
from panopipe.job import KINDS_IN_WORDS, ORIGINALS, natural
from panopipe.job.names import escaped, is_utf8
from panopipe.state.file_stamp import FileStamp, hashed
from panopipe.state.lock import JobLock
from panopipe.state.manifest import MANIFEST, pictures, read_manifest, write_manifest
from panopipe.state.run_log import ProgressReporter

_CHUNK = 1 << 22
_LONGEST_S = 1800.0
"""Longest that the copy of one file may take: 100 MB over USB 1.1 take three minutes."""


@dataclass(slots=True)
class Taken:
    """How an intake went.

    Attributes
    ----------
    copied, already : list of str
        Originals copied now, and those that were there with the same bytes; relative to the job folder.
    failed : dict of str to str
        Files of the source that were not taken, and why.
    same : dict of str to str
        Originals that hold the very bytes of another one, and that one.
    """

    copied: list[str] = field(default_factory=list)
    already: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)
    same: dict[str, str] = field(default_factory=dict)


def take_in(source: Path, folder: Path, rooms: str, reporter: ProgressReporter) -> Taken:
    """Copy frames into a job.

    Parameters
    ----------
    source : Path
        A card or a folder; its folders become rooms.
    folder : Path
        The job folder; made if it is not there.
    rooms : str
        How a file's name tells its room, such as "{room}-{frame}"; empty to take the folder's name.
    reporter : ProgressReporter
        Where to say how it goes.

    Raises
    ------
    ValueError
        If there is nothing to take, the pattern is wrong, or one folder lies in the other.
    OSError
        If the job cannot be written.
    """
    if not source.is_dir():
        raise ValueError(
            f"{source} is a file; name the folder it lies in"
            if source.exists()
            else f"{source}: no such folder"
        )
    if folder.exists() and not folder.is_dir():
        raise ValueError(f"{folder} is a file; name a folder for the job")
    root = folder.absolute()
    if root.resolve().is_relative_to(source.resolve()) or source.resolve().is_relative_to(root.resolve()):
        raise ValueError(f"{source} and {folder} lie in one another; take in from a card or another folder")
    pattern = _room_pattern(rooms)
    unread: list[OSError] = []
    originals = pictures(source, unread.append)
    files = sorted(originals, key=lambda path: natural(path.relative_to(source).as_posix()))
    if not files and unread:
        raise unread[0]
    if not files:
        raise ValueError(f"{source}: nothing to take; panopipe takes {KINDS_IN_WORDS}")
    root.mkdir(parents=True, exist_ok=True)
    root = root.resolve()
    make_below(root, ORIGINALS)
    taken = Taken()
    for error in unread:
        name = escaped(Path(error.filename).relative_to(source).as_posix())
        taken.failed[name] = f"the folder cannot be read ({error.strerror}); mend that, then take in again"
    with JobLock(root):
        sweep_parts(root, ORIGINALS)  # of an intake that was killed
        sweep_parts(root, deep=False)  # of the manifest, which lies at the top
        manifest = read_manifest(root)
        for number, file in enumerate(files):
            reporter.progress(f"{file.name}: {len(files) - number} of {len(files)} left")
            _take_one(file, source, root, pattern, taken, manifest)
    taken.same = _same_bytes([*taken.copied, *taken.already], manifest)
    for name, why in taken.failed.items():
        reporter.line(f"{name}: not taken: {why}")
    return taken


def _same_bytes(goals: list[str], manifest: dict[str, dict[str, Any]]) -> dict[str, str]:
    """Originals that hold the bytes of one before them in the order of names, and that one."""
    first: dict[str, str] = {}
    in_order = sorted(goals, key=natural)
    before = {goal: first.setdefault(manifest[goal]["sha256"], goal) for goal in in_order}
    return {goal: other for goal, other in before.items() if other != goal}


def _take_one(
    file: Path,
    source: Path,
    root: Path,
    pattern: re.Pattern[str] | None,
    taken: Taken,
    manifest: dict[str, dict[str, Any]],
) -> None:
    name = escaped(file.relative_to(source).as_posix())
    try:
        if not is_utf8(file.relative_to(source).as_posix()):
            raise ValueError("its name, or its folder's, is no UTF-8 text; rename it")
        if file.is_symlink():
            raise ValueError(
                "is a link; panopipe copies the files of a card, and nothing that lies elsewhere"
            )
        goal = f"{ORIGINALS}/{_place(file, source, pattern)}"
        known = manifest.get(goal, {}).get("sha256")
        if _is_there(root, goal):
            stamp = _same_as_there(file, root, goal, known)
            taken.already.append(goal)
        else:
            stamp = _copy(file, root, goal, known)
            taken.copied.append(goal)
    except (ValueError, OSError) as error:
        taken.failed[name] = one_line(error)
        return
    if goal not in manifest:
        manifest[goal] = {
            "sha256": stamp.sha256,
            "size": stamp.size,
            "taken": capture_time(root / goal),
            "from": name,
            "taken_in": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        }
        write_manifest(root, manifest)  # whatever ends the intake, what was copied is known


def _is_there(root: Path, goal: str) -> bool:
    """Whether anything has that name, a link to nowhere too."""
    with place_below(root, goal, make=True):
        return os.path.lexists(root / goal)


def _same_as_there(file: Path, root: Path, goal: str, known: str | None) -> FileStamp:
    stamp = hashed(root / goal)
    if stamp.sha256 != hashed(file).sha256:
        raise ValueError(f"{goal} is there already with other contents; nothing is written over")
    if known and known != stamp.sha256:
        raise ValueError(
            f"{goal} is there with these contents, but {MANIFEST} knows others; put "
            f"the first one back, or take its entry out of {MANIFEST}"
        )
    return stamp


def _copy(file: Path, root: Path, goal: str, known: str | None) -> FileStamp:
    """Copy a file and read the copy back; it takes its name only when both hashes agree."""
    folder, _, _ = goal.rpartition("/")
    part = f"{folder}/.{os.urandom(8).hex()}.part"
    try:
        sha256 = hashlib.sha256()
        writing = os.fdopen(open_below(root, part, os.O_WRONLY | os.O_CREAT | os.O_EXCL), "wb")
        with open_regular(file) as reading, writing:
            until = time.monotonic() + _LONGEST_S
            while piece := reading.read(_CHUNK):
                sha256.update(piece)
                writing.write(piece)
                if time.monotonic() > until:
                    raise OSError(
                        f"its copy takes longer than {_LONGEST_S / 60:g} min; check card and reader"
                    )
            writing.flush()
            os.fsync(writing.fileno())
        shutil.copystat(file, root / part)
        stamp = hashed(root / part)
        if stamp.sha256 != sha256.hexdigest():
            raise OSError(f"the copy of {file.name} differs from the original; check card and disk")
        if known and known != stamp.sha256:
            raise ValueError(
                f"{goal} was taken in before with other contents, and is gone; put that one back, take its "
                f"entry out of {MANIFEST}, or give this one another name"
            )
        try:
            name_below(root, part, goal)
        except FileExistsError as error:
            raise FileExistsError(
                f"{file.name} appeared while it was copied; nothing is written over"
            ) from error
        return stamp
    finally:
        remove_below(root, part)


def _place(file: Path, source: Path, pattern: re.Pattern[str] | None) -> str:
    if pattern:
        parts = pattern.fullmatch(file.stem)
        if not parts:
            raise ValueError("its name does not fit the pattern")
        return f"{_folder_name(parts['room'])}/{_folder_name(parts['frame'])}{file.suffix}"
    folder = file.parent.relative_to(source)
    return f"{_folder_name(folder.name)}/{file.name}" if folder.parts else file.name


def _folder_name(text: str) -> str:
    name = text.strip(" ._-")
    if not name:
        raise ValueError("its name leaves no name for the room or the frame")
    return name


def _room_pattern(text: str) -> re.Pattern[str] | None:
    """Pattern of a file's name without ending; `{room}` and `{frame}` stand for what they say."""
    if not text:
        return None
    if text.count("{room}") != 1 or text.count("{frame}") != 1:
        raise ValueError(
            f'{text}: a pattern has {{room}} and {{frame}} once each, such as "{{room}}-{{frame}}"'
        )
    escaped = re.escape(text).replace(re.escape("{room}"), "(?P<room>.+)")
    return re.compile(escaped.replace(re.escape("{frame}"), "(?P<frame>[^/]+?)"))
