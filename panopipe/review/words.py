"""Commands and counts as a person reads them."""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence


def quoted(command: Sequence[str], job: str, *, windows: bool = os.name == "nt") -> str:
    """A command as it is typed, `JOB` replaced by the job folder, each word quoted for the shell.

    Parameters
    ----------
    command : sequence of str
        Words of the command.
    job : str
        The job folder as the user named it.
    windows : bool
        Quote for cmd and PowerShell instead of a POSIX shell.
    """
    words = [job if word == "JOB" else word for word in command]
    return " ".join(_windows(word) if windows else shlex.quote(word) for word in words)


def _windows(word: str) -> str:
    """Quote for PowerShell and cmd alike; a word that neither can hold inside quotes is left out."""
    plain = all(letter.isalnum() or letter in "-_./\\:=," for letter in word)
    if word and plain:
        return word
    return '"' + word.replace('"', '""').replace("`", "``").replace("$", "`$") + '"'


def count(number: int, singular: str, plural: str = "") -> str:
    """`1 frame`, `3 frames`."""
    return f"{number} {singular if number == 1 else plural or singular + 's'}"
