"""The contact sheet: one JPEG with every finished frame and its name, to send to the client.

It says nothing of doubts: those are between the photographer and the page.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from imageio.v3 import imread
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from panopipe.files.jpeg import preview_jpeg
from panopipe.frame import FrameKey
from panopipe.review import assets
from panopipe.review.finding import FrameReview, JobReview
from panopipe.review.lettering import lettering

_PAPER, _INK, _QUIET = (244, 244, 244), (28, 28, 28), (96, 96, 96)
_MARGIN, _GAP, _CELL, _COLUMNS = 72, 28, 560, 4
_NAME_PX, _ROOM_PX, _TITLE_PX = 24, 34, 54
_TALLEST = 20000
"""A sheet grows downwards; beyond this many rows it takes smaller pictures."""


@dataclass(frozen=True, slots=True)
class _Block:
    """A room on the sheet: its name above its pictures, `column` cells from the left."""

    room: str
    frames: Sequence[FrameReview]
    column: int
    columns: int

    @property
    def rows(self) -> int:
        return -(-len(self.frames) // self.columns)


def contact_sheet(review: JobReview, folder: Path, captions: Mapping[FrameKey, str] | None = None) -> bytes:
    """Draw the sheet from the thumbnails in the review folder.

    Parameters
    ----------
    review : JobReview
        The job; frames without a finished picture are left out.
    folder : Path
        The review folder with the thumbnails.
    captions : mapping of FrameKey to str, optional
        What to write under each picture; frames that are not in it are left out. Their names by default.

    Returns
    -------
    bytes
        A JPEG, sRGB, up to four frames side by side; small rooms share a line. Of a very large job the
        pictures are half as large, eight side by side.
    """
    rooms: dict[str, list[FrameReview]] = {}
    for frame in review.frames:
        shown = frame.state in ("fine", "look") and (captions is None or frame.key in captions)
        if shown and assets.names(folder, frame.key).thumbnail.exists():
            rooms.setdefault(frame.key.room, []).append(frame)
    columns, cell = min(_COLUMNS, max(2, sum(map(len, rooms.values())))), _CELL
    shelves = _shelves(rooms, columns)
    if _height(shelves, cell, review.title) > _TALLEST:
        columns, cell = 2 * _COLUMNS, (_CELL - _GAP) // 2
        shelves = _shelves(rooms, columns)
    width = 2 * _MARGIN + columns * (cell + _GAP) - _GAP
    sheet = Image.new("RGB", (width, _height(shelves, cell, review.title)), _PAPER)
    pen = ImageDraw.Draw(sheet)
    if review.title:
        _write(pen, (_MARGIN, _MARGIN), review.title, _TITLE_PX, width - 2 * _MARGIN, _INK)
    top = _head(review.title)
    for shelf in shelves:
        for block in shelf:
            _draw(sheet, pen, block, (top, top + _heading(shelf)), cell, folder, captions or {})
        top += _shelf_height(shelf, cell)
    return preview_jpeg(np.asarray(sheet, dtype=np.uint8), 90)


def _shelves(rooms: Mapping[str, Sequence[FrameReview]], columns: int) -> list[list[_Block]]:
    """Rooms in walking order, as many on a line as have room beside one another."""
    shelves: list[list[_Block]] = []
    for room, frames in rooms.items():
        wide = min(len(frames), columns)
        last = shelves[-1][-1] if shelves else None
        start = last.column + last.columns if last else columns
        if start + wide > columns:
            shelves.append([])
            start = 0
        shelves[-1].append(_Block(room, frames, start, wide))
    return shelves


def _draw(
    sheet: Image.Image,
    pen: ImageDraw.ImageDraw,
    block: _Block,
    tops: tuple[int, int],
    cell: int,
    folder: Path,
    captions: Mapping[FrameKey, str],
) -> None:
    left = _MARGIN + block.column * (cell + _GAP)
    _write(pen, (left, tops[0]), block.room, _ROOM_PX, block.columns * (cell + _GAP) - _GAP, _INK)
    for place, frame in enumerate(block.frames):
        x = left + place % block.columns * (cell + _GAP)
        y = tops[1] + place // block.columns * _row(cell)
        sheet.paste(Image.fromarray(_picture(folder, frame, cell)), (x, y))
        _write(pen, (x, y + cell // 2 + 8), captions.get(frame.key, frame.key.name), _NAME_PX, cell, _QUIET)


def _height(shelves: Sequence[Sequence[_Block]], cell: int, title: str) -> int:
    return _head(title) + sum(_shelf_height(shelf, cell) for shelf in shelves) + _MARGIN - 3 * _GAP // 2


def _head(title: str) -> int:
    return _MARGIN + (_TITLE_PX + 2 * _GAP if title else 0)


def _shelf_height(shelf: Sequence[_Block], cell: int) -> int:
    return _heading(shelf) + max(block.rows for block in shelf) * _row(cell) + _GAP // 2


def _heading(shelf: Sequence[_Block]) -> int:
    return _ROOM_PX + _GAP // 2 if any(block.room for block in shelf) else 0


def _row(cell: int) -> int:
    return cell // 2 + 8 + _NAME_PX + _GAP


def _picture(folder: Path, frame: FrameReview, cell: int) -> NDArray[np.uint8]:
    picture = imread(assets.names(folder, frame.key).thumbnail)
    return np.asarray(cv2.resize(picture, (cell, cell // 2), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _write(
    pen: ImageDraw.ImageDraw,
    place: tuple[int, int],
    text: str,
    size: int,
    room: int,
    ink: tuple[int, int, int],
) -> None:
    """Write a name, cut where it would be wider than `room` pixels."""
    text, font = lettering(text[:room], size)  # no letter is narrower than a pixel
    if pen.textlength(text, font) > room:
        fitting = range(len(text))
        shorter = bisect_right(fitting, room, key=lambda end: pen.textlength(text[:end] + "...", font))
        text = text[: max(shorter - 1, 0)]
        text += "..."
    pen.text(place, text, ink, font)
