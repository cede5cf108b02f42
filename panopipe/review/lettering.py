"""Lettering of the contact sheet: the font of this computer that holds most letters of a name.

The page leaves names to the browser; a sheet is one picture, and its letters are drawn here.
"""

from __future__ import annotations

import unicodedata
from functools import cache
from typing import TypeAlias

from PIL import ImageFont

Font: TypeAlias = ImageFont.FreeTypeFont | ImageFont.ImageFont

_FILES = (
    "DejaVuSans.ttf",
    "NotoSans-Regular.ttf",
    "Arial Unicode.ttf",
    "Arial.ttf",
    "segoeui.ttf",
    "NotoSansCJK-Regular.ttc",
    "Hiragino Sans GB.ttc",
    "msyh.ttc",
    "YuGothM.ttc",
    "malgun.ttf",
)
"""Fonts that Linux, macOS and Windows come with (file names from memory), widely written scripts first."""
_TRIED_PX = 24
_NOBODYS = "\U0010fffd"
"""A code point that stands for no letter: what a font draws here it draws for every letter it lacks."""


def lettering(text: str, size: int) -> tuple[str, Font]:
    """Choose the font for a text, and what of the text it can draw.

    Parameters
    ----------
    text : str
        A name.
    size : int
        Height of the letters in pixels.

    Returns
    -------
    text : str
        The same, where a letter that the font lacks has lost its accents or become `?`.
    font : Font
        The drawing library's own if it holds all letters (that sheet looks alike everywhere), otherwise the
        font of this computer that holds most of them.
    """
    text = unicodedata.normalize("NFC", text)
    font = max(_fonts(), key=lambda font: sum(_holds(font, letter) for letter in text))
    drawn = "".join(_letter(font, letter) for letter in text)
    return drawn, font.font_variant(size=size) if isinstance(font, ImageFont.FreeTypeFont) else font


@cache
def _fonts() -> tuple[Font, ...]:
    fonts: list[Font] = [ImageFont.load_default(_TRIED_PX)]
    for name in _FILES:
        try:
            fonts.append(ImageFont.truetype(name, _TRIED_PX))
        except OSError:  # not on this computer
            continue
    return tuple(fonts)


@cache
def _holds(font: Font, letter: str) -> bool:
    if not letter.isprintable():
        return False
    return letter.isascii() or bytes(font.getmask(letter)) != bytes(font.getmask(_NOBODYS))


def _letter(font: Font, letter: str) -> str:
    if _holds(font, letter):
        return letter
    bare = unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode("ascii")
    return bare if bare.isprintable() and bare else "?"
