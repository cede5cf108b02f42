"""The contact sheet: one JPEG with every finished frame and its name, to send to the client.

It says nothing of doubts: those are between the photographer and the page.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from panopipe.files.jpeg import preview_jpeg
from panopipe.review import assets
from panopipe.review.finding import FrameReview, JobReview

_PAPER, _INK, _QUIET = (244, 244, 244), (28, 28, 28), (96, 96, 96)
_MARGIN, _GAP, _CELL = 72, 28, 560
_NAME_PX, _ROOM_PX, _TITLE_PX = 24, 34, 54
_TALLEST = 20000
"""A sheet grows downwards; beyond this many rows it takes smaller pictures."""


def contact_sheet(review: JobReview, folder: Path) -> bytes:
    """Draw the sheet from the thumbnails in the review folder.

    Parameters
    ----------
    review : JobReview
        The job; frames without a finished picture are left out.
    folder : Path
        The review folder with the thumbnails.

    Returns
    -------
    bytes
        A JPEG, sRGB, 2476 pixels wide with four frames side by side (fewer for a small job).
    """
    rooms: dict[str, list[FrameReview]] = {}
    for one in review.frames:
        if one.state in ("fine", "look") and assets.names(folder, one.key).thumbnail.exists():
            rooms.setdefault(one.key.room, []).append(one)
    most = max((len(frames) for frames in rooms.values()), default=1)
    columns = 3 if len(rooms) > 1 and most <= 3 else min(4, max(2, most))
    cell = _CELL if _height(rooms.values(), columns, _CELL) <= _TALLEST else _CELL // 2
    columns = columns if cell == _CELL else columns * 2
    width = 2 * _MARGIN + columns * cell + (columns - 1) * _GAP
    sheet = Image.new("RGB", (width, _height(rooms.values(), columns, cell)), _PAPER)
    pen = ImageDraw.Draw(sheet)
    pen.text(
        (_MARGIN, _MARGIN), _fit(pen, review.title, _TITLE_PX, width - 2 * _MARGIN), _INK, _font(_TITLE_PX)
    )
    top = _MARGIN + _TITLE_PX + _GAP
    for room, frames in rooms.items():
        if room:
            pen.text(
                (_MARGIN, top + _GAP), _fit(pen, room, _ROOM_PX, width - 2 * _MARGIN), _INK, _font(_ROOM_PX)
            )
        top += _heading(room)
        for place, one in enumerate(frames):
            left = _MARGIN + place % columns * (cell + _GAP)
            at = top + place // columns * _row(cell)
            sheet.paste(Image.fromarray(_picture(folder, one, cell)), (left, at))
            name = _fit(pen, one.key.name, _NAME_PX, cell)
            pen.text((left, at + cell // 2 + 8), name, _QUIET, _font(_NAME_PX))
        top += -(-len(frames) // columns) * _row(cell)
    return preview_jpeg(np.asarray(sheet, dtype=np.uint8), 90)


def _height(rooms: Iterable[Sequence[FrameReview]], columns: int, cell: int) -> int:
    rows = sum(_heading("room") + -(-len(frames) // columns) * _row(cell) for frames in rooms)
    return int(2 * _MARGIN + _TITLE_PX + _GAP + rows)


def _heading(room: str) -> int:
    return _GAP + _ROOM_PX + _GAP if room else _GAP


def _row(cell: int) -> int:
    return cell // 2 + _NAME_PX + 8 + _GAP


def _picture(folder: Path, one: FrameReview, cell: int) -> NDArray[np.uint8]:
    data = np.frombuffer(assets.names(folder, one.key).thumbnail.read_bytes(), np.uint8)
    small = cv2.resize(cv2.imdecode(data, cv2.IMREAD_COLOR), (cell, cell // 2), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2RGB), dtype=np.uint8)


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _fit(pen: ImageDraw.ImageDraw, text: str, size: int, room: int) -> str:
    """Text that the font can draw and that is no wider than `room` pixels."""
    text = drawable(text)
    font = _font(size)
    if pen.textlength(text, font) <= room:
        return text
    while text and pen.textlength(text + "...", font) > room:
        text = text[:-1]
    return text + "..."


def drawable(text: str) -> str:
    """Text in the letters of the sheet's font, which holds Latin letters.

    Accents that it lacks are left off; a letter of another script becomes `?`. The page shows every name
    as it is.
    """
    return "".join(_letter(letter) for letter in text)


def _letter(letter: str) -> str:
    if letter.isprintable() and ord(letter) < 0x250:
        return letter
    bare = unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode("ascii")
    return bare if bare.isprintable() and bare else "?"
