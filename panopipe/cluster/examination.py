"""What a worker says of itself before it is handed a frame, and what of it speaks against it."""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path

import panopipe
from panopipe.errors import one_line
from panopipe.files.below import open_below, remove_below
from panopipe.job import WORKING
from panopipe.pixels.compiled import COMPILED
from panopipe.pool.machine import keep_freed_memory
from panopipe.registry import loaded_stage
from panopipe.run.session import WORK
from panopipe.state.folders import ARRIVING

_LIBRARIES = {
    "numpy": "numpy",
    "opencv": "cv2",
    "rawpy": "rawpy",
    "imagecodecs": "imagecodecs",
    "pillow": "PIL",
}
"""Libraries whose arithmetic is in the finished bytes."""
_SIGHT_S = 5.0
"""Longest that a shared folder may take to show a new file: network file systems keep lists for a while."""


@dataclass(frozen=True, slots=True)
class Examination:
    """What a worker is asked for.

    Attributes
    ----------
    folder : str
        The job folder.
    token : str
        Name and content of a file in it, which only this very folder has.
    stages : tuple of str
        Stages that the job uses.
    """

    folder: str
    token: str
    stages: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Examined:
    """What a process said.

    Attributes
    ----------
    versions : mapping of str to str
        By what they are of: panopipe, its files, the libraries, the stages.
    compiled : bool
        Whether it has the compiled arithmetic.
    fault : str
        What keeps it from the job folder, or empty.
    """

    versions: Mapping[str, str]
    compiled: bool
    fault: str


def examined(asked: Examination) -> Examined:
    """Say what this process is, and whether it sees the job folder."""
    import_module(WORK)  # the first frame finds all that it needs
    keep_freed_memory()
    return Examined(dict(versions(asked.stages)), COMPILED, _fault(Path(asked.folder), asked.token))


def versions(stages: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """Version of all that changes a finished file, by what it is of."""
    yield "panopipe", panopipe.__version__
    yield "the files of panopipe", _digest_of_package()
    for name, module in _LIBRARIES.items():
        yield name, str(import_module(module).__version__)
    for name in stages:
        yield f"stage {name}", _stage_version(name)


def objection(worker: Examined, here: Mapping[str, str]) -> str:
    """Why a worker is not used, in words; empty if nothing speaks against it.

    Parameters
    ----------
    worker : Examined
        What it said.
    here : mapping of str to str
        Versions of the process that asks.
    """
    if worker.fault:
        return worker.fault
    for what in sorted({*worker.versions, *here}, key=_weight):
        there, mine = worker.versions.get(what, "none"), here.get(what, "none")
        if there == mine:
            continue
        if what == "the files of panopipe":
            return f"its panopipe {panopipe.__version__} has other files than that of this machine"
        return f"it has {what} {there}, this machine {mine}"
    return ""


def remark(worker: Examined) -> str:
    """What a user should know of a worker that is used; empty for nothing."""
    return "has no compiled arithmetic: many times slower" if COMPILED and not worker.compiled else ""


def _weight(what: str) -> tuple[bool, bool, str]:
    """The package's own version tells most; what differs with it need not be told."""
    return what != "panopipe", what != "the files of panopipe", what


def _stage_version(name: str) -> str:
    try:
        return str(loaded_stage(name).version)
    except (KeyError, ImportError) as error:
        return f"none ({one_line(error)})"


@cache
def _digest_of_package() -> str:
    """Digest of the Python files, which tells two states of one version apart."""
    top, digest = Path(panopipe.__file__).parent, hashlib.sha256()
    for path in sorted(top.rglob("*.py")):
        digest.update(path.relative_to(top).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def _fault(folder: Path, token: str) -> str:
    if not _sees(folder / ARRIVING / token, token):
        if (folder / WORKING).is_dir():
            return f"{folder} is another folder there; let all machines see the job under one path"
        return f"it does not see {folder}; let all machines see the job folder under one path"
    name = f"{ARRIVING}/{token}-{secrets.token_hex(8)}"
    try:
        os.close(open_below(folder, name, os.O_WRONLY | os.O_CREAT | os.O_EXCL))
    except (OSError, ValueError) as error:
        return f"it cannot write in {folder} ({one_line(error)})"
    remove_below(folder, name)
    return ""


def _sees(path: Path, token: str) -> bool:
    until = time.monotonic() + _SIGHT_S
    while True:
        try:
            return path.read_text(encoding="ascii") == token
        except (OSError, ValueError):
            if time.monotonic() >= until:
                return False
            time.sleep(0.25)
