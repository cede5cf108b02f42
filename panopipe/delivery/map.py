"""The plan of a shoot as one picture: where each frame stood, and which see each other."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

from panopipe.frame import FrameKey
from panopipe.stage import Stand

NAME = "map.svg"

_PX_PER_M, _ROOM_PX, _DOT_PX = 60, 90, 7
_LETTER_PX, _LINE_PX = 10, 16
"""More than a letter takes, so that no name is cut off or written over another."""
_EDGE_PX, _QUIET_LETTER_PX, _QUIET_LINE_PX = 20, 7.7, 16
"""The same of what is said below, and where it begins: a digit of 12 pixels is 7.6 wide (DejaVu Sans)."""
_WIDEST_PX = 1600
"""A large house is drawn at a smaller scale rather than wider, and parts go into rows."""
_BESIDE_PX, _ABOVE_PX, _BELOW_PX, _ASLANT_PX = 11, 12, 22, 8
"""How far from a dot its name is written; its baseline is 5 below the middle of its letters."""
_STYLE = (
    "svg{background:#fff;font:14px system-ui,'Segoe UI',Roboto,'DejaVu Sans',sans-serif}"
    "line{stroke:#9a9a9a;stroke-width:2}line.unsure{stroke-dasharray:5 5}"
    "circle{fill:#1c1c1c}text{fill:#1c1c1c;stroke:#fff;stroke-width:4px;paint-order:stroke}.quiet{fill:#565656;font-size:12px}.scale{stroke:#1c1c1c}"
)
_SURE = 0.5
"""Certainty of a line of sight from which it is drawn whole."""


@dataclass(frozen=True, slots=True)
class _Part:
    """Frames of one plan, its corner in metres, its size on the sheet, and what is free at both sides."""

    keys: Sequence[FrameKey]
    left_m: float
    top_m: float
    width_px: float
    height_px: float
    beside_px: float


def map_svg(title: str, stands: Mapping[FrameKey, Stand], names: Mapping[FrameKey, str]) -> bytes:
    """Draw the plan; nothing if no frame could be placed.

    Parameters
    ----------
    title : str
        Of the job.
    stands : mapping of FrameKey to Stand
        Where frames stood, in metres: x to the right, y up the page.
    names : mapping of FrameKey to str
        What to write beside each; frames that are not in it are left out.

    Returns
    -------
    bytes
        An SVG, UTF-8. Parts of the shoot that nothing joins lie side by side, in rows.
    """
    placed = {key: stands[key] for key in names if key in stands and stands[key].part >= 0}
    if not placed:
        return b""
    scale = _scale(placed)
    parts = [_part(part, placed, names, scale) for part in sorted({stand.part for stand in placed.values()})]
    corners, width, bottom = _rows_of(parts)
    drawn = [_drawn(part, placed, names, at, scale) for part, at in zip(parts, corners, strict=True)]
    words = _words(len(parts), placed, names, width)
    height = bottom + 24 + _QUIET_LINE_PX * len(words)
    said = "\n".join(
        f'<text x="{_EDGE_PX}" y="{y:.0f}" class="quiet">{escape(line)}</text>'
        for y, line in zip(itertools.count(bottom + 28, _QUIET_LINE_PX), words, strict=False)
    )
    bar = (
        f'<line class="scale" x1="{_EDGE_PX}" y1="{bottom + 6:.0f}" x2="{_EDGE_PX + scale:.0f}" '
        f'y2="{bottom + 6:.0f}"/>'
    )
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" '
        f'viewBox="0 0 {width:.0f} {height:.0f}"><title>{escape(title)}</title><style>{_STYLE}</style>'
    )
    return "\n".join([head, *drawn, bar, said, "</svg>\n"]).encode("utf-8", "replace")


def _words(
    parts: int, placed: Mapping[FrameKey, Stand], names: Mapping[FrameKey, str], width: float
) -> list[str]:
    """What is to be said of the plan, in lines that fit on the sheet."""
    is_north = all(stand.true_north for stand in placed.values())
    said = ["The bar is one metre long.", "North is up." if is_north else "Up is no compass direction."]
    if parts > 1:
        said.append("How groups that no line joins lie to each other is unknown.")
    if left := [_shown(name) for key, name in names.items() if key not in placed]:
        said.append(f"Where these stood could not be told: {', '.join(left)}.")
    return textwrap.wrap(" ".join(said), max(20, int((width - 2 * _EDGE_PX) / _QUIET_LETTER_PX)))


def _scale(placed: Mapping[FrameKey, Stand]) -> float:
    """Pixels a metre: the widest part, with room for a name on both sides, fits on the sheet."""
    wide = max(_span([stand.x_m for stand in placed.values() if stand.part == part])
               for part in {stand.part for stand in placed.values()})  # fmt: skip
    return min(_PX_PER_M, (_WIDEST_PX - 4 * _ROOM_PX) / wide) if wide else _PX_PER_M


def _span(values: Sequence[float]) -> float:
    return max(values) - min(values)


def _part(part: int, placed: Mapping[FrameKey, Stand], names: Mapping[FrameKey, str], scale: float) -> _Part:
    keys = [key for key, stand in placed.items() if stand.part == part]
    xs, ys = [placed[key].x_m for key in keys], [placed[key].y_m for key in keys]
    beside = max(_ROOM_PX, max(len(names[key]) for key in keys) * _LETTER_PX + _BESIDE_PX)
    width, height = _span(xs) * scale + 2 * beside, _span(ys) * scale + 2 * _ROOM_PX
    return _Part(keys, min(xs), max(ys), width, height, beside)


def _rows_of(parts: Sequence[_Part]) -> tuple[list[tuple[float, float]], float, float]:
    """Left upper corner of each part, side by side in rows, and width and height of all."""
    corners: list[tuple[float, float]] = []
    left = top = bottom = width = 0.0
    for part in parts:
        if left and left + part.width_px > _WIDEST_PX:
            left, top = 0.0, bottom
        corners.append((left, top))
        left += part.width_px
        width, bottom = max(width, left), max(bottom, top + part.height_px)
    return corners, width, bottom


def _drawn(
    part: _Part,
    placed: Mapping[FrameKey, Stand],
    names: Mapping[FrameKey, str],
    corner: tuple[float, float],
    scale: float,
) -> str:
    at = {
        key: (
            corner[0] + part.beside_px + (placed[key].x_m - part.left_m) * scale,
            corner[1] + _ROOM_PX + (part.top_m - placed[key].y_m) * scale,
        )
        for key in part.keys
    }
    lines = []
    for key in part.keys:
        for sight in placed[key].sights:
            if sight.to in at and (str(key) < str(sight.to) or not _sees(placed[sight.to], key)):
                (x1, y1), (x2, y2) = at[key], at[sight.to]
                unsure = "" if sight.certainty >= _SURE else ' class="unsure"'
                lines.append(f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"{unsure}/>')
    for x, y in at.values():
        lines.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{_DOT_PX}"/>')
    shown = {key: _shown(names[key]) for key in part.keys}
    for key, (x, y, anchor) in _places_of_names(at, shown).items():
        lines.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(shown[key])}</text>')
    return "\n".join(lines)


def _places_of_names(
    at: Mapping[FrameKey, tuple[float, float]], shown: Mapping[FrameKey, str]
) -> dict[FrameKey, tuple[float, float, str]]:
    """Where each name is written, and which of its ends is there: where it covers least of dots and names."""
    taken = [(x - _DOT_PX, y - _DOT_PX, x + _DOT_PX, y + _DOT_PX) for x, y in at.values()]
    found = {}
    for key, (x, y) in at.items():
        side, wide = _BESIDE_PX, len(shown[key]) * _LETTER_PX
        tried = [
            (x + side, y + 5, "start"), (x - side, y + 5, "end"), (x, y + _BELOW_PX, "middle"),
            (x, y - _ABOVE_PX, "middle"), (x + _ASLANT_PX, y + _BELOW_PX, "start"),
            (x + _ASLANT_PX, y - _ABOVE_PX, "start"), (x - _ASLANT_PX, y + _BELOW_PX, "end"),
            (x - _ASLANT_PX, y - _ABOVE_PX, "end"),
        ]  # fmt: skip
        boxes = [_box(*place, wide) for place in tried]
        covers = [sum(_common(box, other) for other in taken) for box in boxes]
        best = covers.index(min(covers))
        found[key] = tried[best]
        taken.append(boxes[best])
    return found


def _box(x: float, y: float, anchor: str, wide: float) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a name."""
    left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
    return left, y - 5 - _LINE_PX / 2, left + wide, y - 5 + _LINE_PX / 2


def _common(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> float:
    """Area that two boxes have in common."""
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    return max(wide, 0.0) * max(high, 0.0)


def _sees(stand: Stand, key: FrameKey) -> bool:
    return any(sight.to == key for sight in stand.sights)


def _shown(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)
