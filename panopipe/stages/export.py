"""Export: linear light to a finished sRGB JPEG that any tour platform opens as a sphere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from panopipe.colour.spaces import SRGB_FROM_WORKING, apply_matrix
from panopipe.colour.transfer import srgb_encode
from panopipe.files.icc import srgb_profile
from panopipe.files.jpeg import JpegStream, metadata_segments
from panopipe.frame import Band
from panopipe.setting import choice, switch, whole, wholes
from panopipe.sphere.reduce import AreaReducer
from panopipe.stage import Look, Output, Rights, Sink, SinkStage


@dataclass(frozen=True)
class ExportSettings:
    """Settings of the export."""

    quality: int = whole(93, "JPEG quality", low=1, high=100)
    chroma: str = choice("4:4:4", "chroma sampling of the JPEG", choices=("4:4:4", "4:2:2", "4:2:0"))
    widths: tuple[int, ...] = wholes(
        (), "widths to deliver, the main one first; empty for the full width", low=256, high=65534, unit="px"
    )
    keep_position: bool = switch(False, "leave the GPS position of the shot in the file")


class Export(SinkStage[ExportSettings]):
    """Finished JPEGs."""

    name = "export"
    version = 1
    summary = "Writes sRGB JPEGs with sphere metadata, rights and the facts of the shot."
    Settings = ExportSettings

    def outputs(self, settings: ExportSettings) -> tuple[str, ...]:
        """Suffixes of the files: `.jpg`, then `-4096.jpg` for each further width."""
        return (".jpg", *(f"-{width}.jpg" for width in settings.widths[1:]))

    def start(self, look: Look, settings: ExportSettings, rights: Rights) -> Sink:
        """Begin a frame."""
        return _Export(look, settings, self.outputs(settings))


class _Export(Sink):
    def __init__(self, look: Look, settings: ExportSettings, suffixes: tuple[str, ...]) -> None:
        facts = look.reduced.facts
        widths = [min(width, facts.width) for width in settings.widths] or [facts.width]
        self._files = [_File(facts.width, facts.height, width, settings) for width in widths]
        self._suffixes = suffixes

    def take(self, band: Band) -> None:
        rows = np.roll(band.rows, band.facts.anchor_column, axis=1)
        for file in self._files:
            file.take(rows, band.first)

    def finish(self) -> Sequence[Output]:
        return [
            Output(suffix, file.finish()) for suffix, file in zip(self._suffixes, self._files, strict=True)
        ]


class _File:
    def __init__(self, width: int, height: int, out_width: int, settings: ExportSettings) -> None:
        self._stream = JpegStream(
            out_width,
            out_width // 2,
            quality=settings.quality,
            sampling=settings.chroma,  # type: ignore[arg-type]
            segments=metadata_segments(icc=srgb_profile()),
        )
        self._reducer = AreaReducer(width, height, out_width) if out_width < width else None

    def take(self, rows: np.ndarray, first: int) -> None:
        if self._reducer:
            self._reducer.take(rows, first)
        else:
            self._code(rows)

    def _code(self, rows: np.ndarray) -> None:
        coded = srgb_encode(np.clip(apply_matrix(SRGB_FROM_WORKING, rows), 0, 1))
        self._stream.take(np.round(coded * 255).astype(np.uint8))

    def finish(self) -> memoryview:
        if self._reducer:
            self._code(self._reducer.result())
        return self._stream.finish()
