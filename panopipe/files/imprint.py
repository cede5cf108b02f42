"""What a finished picture says of itself, besides how it was taken."""

from __future__ import annotations

from dataclasses import dataclass

_LONGEST = 500
"""Characters taken over of a text that a camera wrote; a broken file may hold any length."""


@dataclass(frozen=True, slots=True)
class Imprint:
    """Size, maker and owner of a finished picture.

    Attributes
    ----------
    width, height : int
        Pixels as exported.
    software : str
        Name and version of what wrote the file.
    title, creator, copyright, contact_url, contact_email : str
        What it shows, whose it is and how to reach them; empty for what is not known.
    """

    width: int
    height: int
    software: str
    title: str = ""
    creator: str = ""
    copyright: str = ""
    contact_url: str = ""
    contact_email: str = ""


def of_camera(text: str | None) -> str:
    """Text of a camera's file, empty if there is none, cut where no camera goes on."""
    return (text or "")[:_LONGEST]
