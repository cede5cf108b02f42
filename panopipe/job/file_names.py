"""Names of files that go to other people: made by a pattern, and such that every system takes them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping

from panopipe.job.names import WINDOWS_RESERVED, composed, folded, nearest

PATTERN_WORDS = ("number", "name", "room", "frame")
"""What a pattern may name: the number in walking order; room and frame; and both as one name, in which the
room is left out where the frame's own name begins with it."""
DEFAULT_PATTERN = "{number}-{name}"

_WORD = re.compile(r"\{([^{}]*)\}")
_WINDOWS_CHARACTERS = re.compile(r'[<>:"\\|?*]')
_TURNING = re.compile("[\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069]")
"""Characters that turn the direction of writing (Unicode Standard Annex 9): a name would read as another."""
_NO_LETTERS = ("Cc", "Cs", "Co", "Cn", "Zl", "Zp")
"""General categories of the Unicode Standard: control, surrogate, private, unassigned, ends of line."""
_LONGEST_PART_BYTES, _LONGEST_PART_UNITS = 255, 255
"""Of a name: bytes in UTF-8 (ext4 and most file systems), and units of UTF-16 (NTFS, exFAT, APFS)."""
_LONGEST_PATH = 200
"""Characters of a path in a delivery: Windows takes 260 with the folder it is put into ("Maximum Path Length
Limitation", Microsoft Learn), and 60 are left for that."""


def pattern_fault(pattern: str) -> str:
    """What is wrong with a pattern for names; empty if nothing is.

    Parameters
    ----------
    pattern : str
        Such as `{number}-{name}`; a `/` makes folders.
    """
    words = _WORD.findall(pattern)
    for word in words:
        if word not in PATTERN_WORDS:
            known = ", ".join(f"{{{one}}}" for one in PATTERN_WORDS)
            return f"{{{word}}} is unknown in a pattern{nearest(word, PATTERN_WORDS)} (known: {known})"
    if re.search("[{}]", _WORD.sub("", pattern)):
        return "has a brace of no pair; write {number}-{name}"
    if not {"number", "frame", "name"} & set(words):
        return "gives many pictures one name; write {number}, {frame} or {name} into it"
    return ""


def filled(pattern: str, *, number: int, count: int, room: str, frame: str) -> str:
    """Name that a pattern gives one of `count` pictures, without its ending.

    Numbers have as many digits as the largest, two at least, so that any list of files is in their order.
    """
    begins = folded(frame).startswith(folded(room)) if room else True
    values: Mapping[str, str] = {
        "number": f"{number:0{max(2, len(str(count)))}d}",
        "room": room,
        "frame": frame,
        "name": frame if begins else f"{room}-{frame}",
    }
    text = composed(_WORD.sub(lambda word: values[word[1]], pattern))
    if room:
        return text
    parts = (part.strip(" -_") for part in text.split("/"))
    return "/".join(part for part in parts if part)


def name_faults(names: Iterable[str]) -> Iterator[str]:
    """A line for each name that some system refuses, and for names that are one on some.

    Parameters
    ----------
    names : iterable of str
        Relative, with `/` between parts, as they shall stand in a delivery.
    """
    first: dict[str, str] = {}
    for name in names:
        faults = [fault for part in name.split("/") if (fault := _part_fault(part))]
        if not faults and len(name) > _LONGEST_PATH:
            faults = [f"is {len(name)} characters long; {_LONGEST_PATH} are safe everywhere"]
        yield from (f'"{name}" {fault}' for fault in faults[:1])
        form = folded(unicodedata.normalize("NFKC", name))
        if form in first and first[form] == name:
            yield f'two pictures would both be "{name}"'
        elif form in first:
            yield f'"{first[form]}" and "{name}" are one name on some systems'
        first.setdefault(form, name)
        for folder in _folders(name):
            if folded(folder) in first:
                yield f'"{folder}" would be a file and a folder'


def _folders(name: str) -> list[str]:
    parts = name.split("/")[:-1]
    return ["/".join(parts[: length + 1]) for length in range(len(parts))]


def _part_fault(part: str) -> str:
    """Why a part of a path is no name on some system; empty if it is one everywhere."""
    forbidden = _WINDOWS_CHARACTERS.search(part)
    units, size = len(part.encode("utf-16-le", "replace")) // 2, len(part.encode("utf-8", "replace"))
    faults = {
        "begins with a dot or is empty: it would be hidden, or no file": part.startswith(".") or not part,
        "holds control characters, or bytes that are no text": any(
            unicodedata.category(letter) in _NO_LETTERS for letter in part
        ),
        "holds characters that turn the direction of writing": bool(_TURNING.search(part)),
        f"holds {forbidden[0] if forbidden else ''}, which Windows does not take": bool(forbidden),
        "begins or ends with a space or a dot, which Windows drops": part != part.strip(" ").rstrip(". "),
        "is a name that Windows keeps for a device": bool(WINDOWS_RESERVED.fullmatch(part)),
        "is too long for a file's name": units > _LONGEST_PART_UNITS or size > _LONGEST_PART_BYTES,
    }
    return next((fault for fault, is_so in faults.items() if is_so), "")
