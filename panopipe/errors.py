"""A line for a person: what an error says, and text that a terminal may be given. Loads nothing."""

from __future__ import annotations


def one_line(error: BaseException) -> str:
    """Message of an error on one line."""
    if isinstance(error, OSError) and error.strerror:
        name = error.filename
        return f"{error.strerror}: {name}" if name else error.strerror
    return " ".join(str(error).split()) or type(error).__name__


def printable(text: str) -> str:
    """Text without control characters: a name from a stranger must not steer the terminal."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
