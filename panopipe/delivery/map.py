"""The plan of a shoot as one picture: where each frame stood, and which see each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

from panopipe.frame import FrameKey
from panopipe.stage import Stand

NAME = "map.svg"

_PX_PER_M, _ROOM_PX, _DOT_PX = 60, 90, 7
_LETTER_PX = 10
"""More than a letter takes, so that no name is cut off."""
_WIDEST_PX = 1600
"""A large house is drawn at a smaller scale rather than wider."""
_STYLE = (
    "svg{background:#fff;font:14px system-ui,'Segoe UI',Roboto,'DejaVu Sans',sans-serif}"
    "line{stroke:#9a9a9a;stroke-width:2}line.unsure{stroke-dasharray:5 5}"
    "circle{fill:#1c1c1c}text{fill:#1c1c1c;stroke:#fff;stroke-width:4px;paint-order:stroke}.quiet{fill:#565656;font-size:12px}.scale{stroke:#1c1c1c}"
)
_SURE = 0.5
"""Certainty of a line of sight from which it is drawn whole."""


@dataclass(frozen=True, slots=True)
class _Part:
    """Frames of one plan, and where its corner lies on the sheet, in pixels."""

    keys: Sequence[FrameKey]
    left_m: float
    top_m: float
    width_px: float
    height_px: float


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
        An SVG, UTF-8. Parts of the shoot that have nothing to do with each other lie side by side.
    """
    placed = {key: stands[key] for key in names if key in stands and stands[key].part >= 0}
    if not placed:
        return b""
    scale = _scale(placed)
    drawn, left = [], 0.0
    parts = [_part(part, placed, names, scale) for part in sorted({stand.part for stand in placed.values()})]
    for part in parts:
        drawn.append(_drawn(part, placed, names, left, scale))
        left += part.width_px
    height = max(part.height_px for part in parts) + 40
    is_north = all(stand.true_north for stand in placed.values())
    words = "The bar is one metre long. " + ("North is up." if is_north else "Up is no compass direction.")
    said = f'<text x="20" y="{height - 12:.0f}" class="quiet">{words}</text>'
    bar = f'<line class="scale" x1="20" y1="{height - 34:.0f}" x2="{20 + scale:.0f}" y2="{height - 34:.0f}"/>'
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{left:.0f}" height="{height:.0f}" '
        f'viewBox="0 0 {left:.0f} {height:.0f}"><title>{escape(title)}</title><style>{_STYLE}</style>'
    )
    return "\n".join([head, *drawn, bar, said, "</svg>\n"]).encode("utf-8", "replace")


def _scale(placed: Mapping[FrameKey, Stand]) -> float:
    """Pixels a metre."""
    wide = sum(_span([stand.x_m for stand in placed.values() if stand.part == part])
               for part in {stand.part for stand in placed.values()})  # fmt: skip
    return min(_PX_PER_M, (_WIDEST_PX - 2 * _ROOM_PX) / wide) if wide else _PX_PER_M


def _span(values: Sequence[float]) -> float:
    return max(values) - min(values)


def _part(part: int, placed: Mapping[FrameKey, Stand], names: Mapping[FrameKey, str], scale: float) -> _Part:
    keys = [key for key, stand in placed.items() if stand.part == part]
    xs, ys = [placed[key].x_m for key in keys], [placed[key].y_m for key in keys]
    words = max(len(names[key]) for key in keys) * _LETTER_PX
    width = _span(xs) * scale + _ROOM_PX + max(_ROOM_PX, words)
    return _Part(keys, min(xs), max(ys), width, _span(ys) * scale + 2 * _ROOM_PX)


def _drawn(
    part: _Part,
    placed: Mapping[FrameKey, Stand],
    names: Mapping[FrameKey, str],
    left: float,
    scale: float,
) -> str:
    at = {
        key: (
            left + _ROOM_PX + (placed[key].x_m - part.left_m) * scale,
            _ROOM_PX + (part.top_m - placed[key].y_m) * scale,
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
    for key, (x, y) in at.items():
        lines.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{_DOT_PX}"/>')
        lines.append(f'<text x="{x + 11:.1f}" y="{y + 5:.1f}">{escape(_shown(names[key]))}</text>')
    return "\n".join(lines)


def _sees(stand: Stand, key: FrameKey) -> bool:
    return any(sight.to == key for sight in stand.sights)


def _shown(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)
