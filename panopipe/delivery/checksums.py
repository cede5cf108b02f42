"""The list of SHA-256 in a delivery, in the form that `sha256sum -c` and `shasum -c` read, and its proof."""

from __future__ import annotations

import hashlib
import os
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import IO

from panopipe.errors import one_line
from panopipe.files.below import open_below
from panopipe.files.regular import open_regular
from panopipe.job import natural
from panopipe.job.names import escaped
from panopipe.state.manifest import MANIFEST, Verified
from panopipe.state.run_log import ProgressReporter

SUMS = "SHA256SUMS"
LEFT_BY_SYSTEMS = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""Files that systems put into folders one looks at; they are of no delivery."""

_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")
_MOST_BYTES = 1 << 24
_CHUNK = 1 << 22


def sums_text(sha256_by_name: Mapping[str, str]) -> bytes:
    """The list, one line a file: hash, two spaces, name."""
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sha256_by_name.items()).encode()


def parse_sums(data: bytes) -> dict[str, str]:
    """Hashes by name.

    Raises
    ------
    ValueError
        If it is no such list.
    """
    try:
        lines = data.decode("utf-8").replace("\r\n", "\n").split("\n")
    except UnicodeDecodeError as error:
        raise ValueError(f"{SUMS} is no text") from error
    found = [_LINE.fullmatch(line) for line in lines if line]
    if not found or not all(found):
        raise ValueError(f"{SUMS} is damaged: it is no list of SHA-256 and names")
    return {line[2]: line[1] for line in found if line}


def is_delivery(path: Path) -> bool:
    """Whether a path looks like a delivery: a zip, or a folder with a list of SHA-256 and no originals."""
    if path.is_dir():
        return (path / SUMS).is_file() and not (path / MANIFEST).is_file()
    return path.suffix.lower() == ".zip" and path.is_file()


def verify_delivery(path: Path, reporter: ProgressReporter) -> Verified:
    """Compare every file of a delivery with its list.

    Raises
    ------
    ValueError
        If there is no list in it that can be read, or it is no zip.
    OSError
        If it cannot be read at all.
    """
    return _verify_folder(path, reporter) if path.is_dir() else _verify_zip(path, reporter)


def _verify_folder(folder: Path, reporter: ProgressReporter) -> Verified:
    root, verified = folder.resolve(), Verified()
    with os.fdopen(open_below(root, SUMS, os.O_RDONLY), "rb") as file:
        sums = parse_sums(file.read(_MOST_BYTES))
    for name, sha256 in sums.items():
        reporter.progress(name)
        try:
            with os.fdopen(open_below(root, name, os.O_RDONLY), "rb") as file:
                _compare(verified, name, file, sha256)
        except FileNotFoundError:
            verified.wrong[name] = "is missing"
        except (OSError, ValueError) as error:
            verified.wrong[name] = one_line(error)
    verified.unknown = [name for name in files_in(root) if name not in sums and name != SUMS]
    return verified


def _verify_zip(path: Path, reporter: ProgressReporter) -> Verified:
    verified = Verified()
    with open_regular(path) as opened:
        try:
            with zipfile.ZipFile(opened) as archive:
                _verify_members(archive, path.stat().st_size, verified, reporter)
        except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError) as error:
            raise ValueError(f"{path.name} is no zip that can be read ({one_line(error)})") from error
    return verified


def _verify_members(
    archive: zipfile.ZipFile, most_bytes: int, verified: Verified, reporter: ProgressReporter
) -> None:
    members = {_inside(info.filename): info for info in archive.infolist() if not info.is_dir()}
    if SUMS not in members:
        raise ValueError(f"{SUMS} is missing: it is no delivery of panopipe, or cut short")
    with archive.open(members[SUMS]) as file:
        sums = parse_sums(file.read(_MOST_BYTES))
    for name, sha256 in sums.items():
        reporter.progress(name)
        if name not in members:
            verified.wrong[name] = "is missing"
        elif members[name].file_size > most_bytes:  # deliveries are stored, not compressed
            verified.wrong[name] = "is larger than the whole zip"
        else:
            try:
                with archive.open(members[name]) as file:
                    _compare(verified, name, file, sha256)
            except zipfile.BadZipFile as error:
                verified.wrong[name] = one_line(error)
    verified.unknown = sorted((name for name in members if name not in sums and name != SUMS), key=natural)


def _inside(name: str) -> str:
    """Name of a member without the folder that all of a delivery lie in."""
    return name.partition("/")[2]


def _compare(verified: Verified, name: str, file: IO[bytes], sha256: str) -> None:
    found = hashlib.sha256()
    while piece := file.read(_CHUNK):
        found.update(piece)
    if found.hexdigest() == sha256:
        verified.good += 1
    else:
        verified.wrong[name] = "has other contents than when it was delivered"


def files_in(root: Path) -> list[str]:
    """Names of all files in a folder, relative to it, in the order of a person; what systems leave aside."""
    names = []
    for here, _, files in os.walk(root):
        names += [(Path(here) / name).relative_to(root).as_posix() for name in files]
    return sorted((escaped(n) for n in names if n.rpartition("/")[2] not in LEFT_BY_SYSTEMS), key=natural)
