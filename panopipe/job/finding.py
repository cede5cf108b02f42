"""Which files of a folder are frames, and of which room."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from panopipe.frame import FrameKey
from panopipe.job.model import (
    DELIVERY,
    FINISHED,
    KINDS,
    KINDS_IN_WORDS,
    LOGS,
    ORIGINALS,
    OVERRIDES,
    PROOFS,
    REVIEW,
    SET_ASIDE,
    WORKING,
    FrameEntry,
    SourceFile,
)
from panopipe.job.names import escaped, has_control, inside, is_utf8

_OURS = {ORIGINALS, FINISHED, OVERRIDES, WORKING, REVIEW, LOGS, PROOFS, SET_ASIDE, DELIVERY}

_OTHER_PICTURES = {".heic", ".heif", ".avif", ".webp", ".jxl", ".jp2", ".exr", ".hdr", ".bmp", ".gif"}
"""Kinds of pictures that one might take for frames."""

SYSTEM_FOLDERS = {"lost+found", "system volume information", "$recycle.bin"}
"""Folders that systems keep at the top of a disk and may let nobody read; no room has such a name."""


def find_entries(root: Path, remarks: list[str], unread: dict[str, str]) -> Iterator[FrameEntry]:
    """Frames as the folders tell them; what is left out is said in `remarks`.

    Room folders that cannot be read go into `unread`, relative to `root`, with the reason.

    Raises
    ------
    OSError
        If the folder that holds the rooms cannot be read.
    """
    originals = root / ORIGINALS
    top = originals if originals.is_dir() else root
    folders = list(_room_folders(root, top, remarks, unread))
    if top == originals:
        yield from _in_folders(root, top, folders, remarks, KINDS)
        return
    has_raw = any(file.suffix.lower() == ".dng" for _, room in folders for file in _files(room))
    kinds = (".dng",) if has_raw else KINDS
    if has_raw:
        names = {(room, f.stem) for room, path in folders for f in _files(path) if f.suffix.lower() == ".dng"}
        alone = [
            f.name
            for room, path in folders
            for f in _files(path)
            if f.suffix.lower() in KINDS and (room, f.stem) not in names
        ]
        if alone:
            remarks.append(
                f"left out, as the folder holds DNGs: {_some(alone)}; "
                f"put frames into {ORIGINALS}/ to take them all"
            )
    yield from _in_folders(root, root, folders, remarks, kinds)


def _in_folders(
    root: Path, top: Path, folders: list[tuple[str, Path]], remarks: list[str], kinds: tuple[str, ...]
) -> Iterator[FrameEntry]:
    for room, folder in folders:
        named: dict[str, list[Path]] = {}
        for file in sorted((f for f in _files(folder) if f.suffix.lower() in kinds), key=_rank):
            named.setdefault(file.stem, []).append(file)
        shown = escaped(room)  # one text for all frames of it
        for stem, (file, *others) in sorted(named.items()):
            path = escaped(file.relative_to(root).as_posix())
            key = FrameKey(shown, escaped(stem))
            yield FrameEntry(key, (SourceFile(path),), _why_refused(root, file))
            if unusual := [other.name for other in others if not _is_camera_jpeg(other, beside=file)]:
                remarks.append(f"left out, as {path} is the frame of this name: {_some(unusual)}")
        if foreign := [file.name for file in _files(folder) if file.suffix.lower() in _OTHER_PICTURES]:
            remarks.append(f"left out, as frames are {KINDS_IN_WORDS}: {_some(foreign)}")
        if top == folder:
            continue
        deeper = [d.name for d in _folders(folder) if _holds_frames(d)]
        if deeper:
            remarks.append(f"left out, as rooms are one folder deep: {escaped(folder.name)}/{_some(deeper)}")
        elif not named and top.name == ORIGINALS:
            remarks.append(f"no frames in {escaped(folder.relative_to(root).as_posix())}/")


def _why_refused(root: Path, file: Path) -> str:
    if not is_utf8(file.relative_to(root).as_posix()):
        return "has a name that is no UTF-8 text, or its folder has; rename it"
    if has_control(file.relative_to(root).as_posix()):
        return "has control characters in its name; rename it"
    if not file.is_symlink():
        return ""
    if not file.exists():
        return "is a link to a file that is not there; copy the file instead"
    return "" if inside(root, file) else "is a link that leads out of the job folder; copy the file instead"


def _rank(file: Path) -> tuple[int, str]:
    return KINDS.index(file.suffix.lower()), file.name


def _is_camera_jpeg(file: Path, *, beside: Path) -> bool:
    return file.suffix.lower() in (".jpg", ".jpeg") and beside.suffix.lower() == ".dng"


def _room_folders(
    root: Path, top: Path, remarks: list[str], unread: dict[str, str]
) -> Iterator[tuple[str, Path]]:
    yield "", top
    for folder in _folders(top):
        name = escaped(folder.relative_to(root).as_posix())
        if folder.name.casefold() in (_OURS | SYSTEM_FOLDERS if top == root else SYSTEM_FOLDERS):
            continue
        if not inside(root, folder):
            remarks.append(f"left out: {name} is a link that leads out of the job folder")
            continue
        try:
            _scan(folder)
            os.stat(os.path.join(folder, os.curdir))  # noqa: PTH116, PTH118 - pathlib leaves the dot out
        except OSError as error:
            unread[name] = f"the folder cannot be read ({error.strerror})"
            continue
        yield folder.name, folder


def _folders(folder: Path) -> list[Path]:
    return sorted(Path(e.path) for e in _scan(folder) if _is_folder(e) and not e.name.startswith("."))


def _files(folder: Path) -> list[Path]:
    # Not is_file(): a link whose target is gone must fail by name, not vanish.
    return sorted(Path(e.path) for e in _scan(folder) if not _is_folder(e) and not e.name.startswith("."))


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a ring of links
        return False


def _scan(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as entries:
        return list(entries)


def _holds_frames(folder: Path) -> bool:
    try:
        return any(file.suffix.lower() in KINDS for file in _files(folder))
    except OSError:  # nothing of it would be taken
        return False


def _some(names: list[str]) -> str:
    return ", ".join(map(escaped, names[:4])) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
