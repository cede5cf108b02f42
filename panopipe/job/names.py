"""Names as people write and count them, and where a path leads."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Iterator
from pathlib import Path

WINDOWS_RESERVED = re.compile(
    r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³]|conin\$|conout\$) *(\..*)?", re.IGNORECASE
)
"""Names that Windows keeps for devices, whatever their ending ("Naming Files, Paths, and Namespaces",
Microsoft Learn)."""
_WINDOWS_FORBIDDEN = re.compile(r'[<>:"\\|?*]|[. ]$')


def nearest(word: str, known: Iterable[str]) -> str:
    """Say which known name a wrong one most likely meant: `; did you mean tone?`, or nothing."""
    by_fold = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.5)
    return f"; did you mean {by_fold[close[0]]}?" if close else ""


def natural(text: str) -> tuple[object, ...]:
    """Sort key that counts as a person does: 2 before 10, case and accents' form aside."""
    folded = unicodedata.normalize("NFC", text).casefold()
    parts = re.split(r"(\d+)", folded)
    numbered = tuple((0, int(p), "") if p.isdecimal() and len(p) < 400 else (1, 0, p) for p in parts if p)
    return (*numbered, (-1, 0, text))


def inside(folder: Path, path: Path) -> bool:
    """Whether `path`, links followed, lies inside `folder` (which must be resolved)."""
    try:
        return path.resolve().is_relative_to(folder)
    except (OSError, RuntimeError, ValueError):  # a ring of links, or a name no file system takes
        return False


def in_the_way(path: Path, *, folder: bool) -> str:
    """Why what has this name is not what panopipe needs there; empty if it is, or if nothing has it."""
    if not path.exists() or path.is_dir() == folder:
        return ""
    present, needed = ("file", "folder") if folder else ("folder", "file")
    return f"is a {present}, and panopipe needs a {needed} of that name; move it away"


def folded(text: str) -> str:
    """Form in which two names are the same file on some disks: case and accents' form aside."""
    return unicodedata.normalize("NFC", text).casefold()


def composed(text: str) -> str:
    """Form in which two names look the same: accents composed (macOS writes them apart)."""
    return unicodedata.normalize("NFC", text)


def is_plain(text: str) -> bool:
    """Whether a text can be the name of a folder, and only of one right here."""
    return bool(text.strip(". ")) and not re.search(r"[/\\\x00-\x1f\x7f]", text)


def has_control(text: str) -> bool:
    """Whether there are control characters in a name; they would break lines and logs."""
    return re.search(r"[\x00-\x1f\x7f]", text) is not None


def is_utf8(text: str) -> bool:
    """Whether a name from the file system is UTF-8 text."""
    return not re.search("[\ud800-\udfff]", text)


def escaped(text: str) -> str:
    """Text that can be shown and kept: bytes that are no UTF-8 as a backslash, x and two digits."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def awkward_names(parts: Iterable[str]) -> Iterator[str]:
    """A line for each name that works here and that Windows would not take."""
    for part in dict.fromkeys(parts):
        if WINDOWS_RESERVED.fullmatch(part) or _WINDOWS_FORBIDDEN.search(part):
            yield f'the name "{part}" works here, but Windows does not take it; rename it before you deliver'
