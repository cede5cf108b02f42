"""Export: linear light to finished sRGB JPEGs that any tour platform opens as a sphere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Literal, cast

import numpy as np
from numpy.typing import NDArray

from panopipe import __version__
from panopipe.capture import Capture
from panopipe.colour.spaces import SRGB_FROM_WORKING
from panopipe.files.exif import exif_block
from panopipe.files.icc import srgb_profile
from panopipe.files.imprint import Imprint
from panopipe.files.jpeg import JpegStream, metadata_segments, relabelled, width_of
from panopipe.files.xmp import xmp_packet
from panopipe.frame import Band, FrameFacts, Rows
from panopipe.pixels.code import LUMINANCE_OF_SRGB, SrgbCoder
from panopipe.pixels.gamut import CEILING
from panopipe.pixels.matrix import transform_rows
from panopipe.setting import choice, switch, whole, wholes
from panopipe.sphere.dither import grain_tile
from panopipe.sphere.enlarge import Doubler
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.sphere.reduce import RowReducer
from panopipe.stage import Output, Rights, Sink, SinkStage, StageContext

_SLIVER = 0.0005
"""Share of the sphere whose brightness counts for nothing: a glint is no reason to bend a room's whites."""
_MOST_ENLARGED = 2
"""Times a frame's width that its pictures may have: beyond it nothing looks sharp any longer."""
_HIGHEST_PEAK = 4.0
"""Two stops above white; what lies higher was left so by the tone stage and becomes white."""


@dataclass(frozen=True)
class ExportSettings:
    """Settings of the export."""

    quality: int = whole(94, "JPEG quality; 100 is the largest file", low=1, high=100)
    chroma: str = choice(
        "4:4:4",
        "chroma sampling; 4:2:0 halves the colour's resolution both ways for a smaller file",
        choices=("4:4:4", "4:2:2", "4:2:0"),
    )
    widths: tuple[int, ...] = wholes(
        (),
        "widths to deliver, even numbers, the main one first; empty, or 0, for the full width; up to twice "
        "that, which holds no more detail",
        low=0,
        high=65534,
        unit="px",
    )
    dither: bool = switch(True, "fine grain that hides the steps between 8-bit codes in walls and skies")
    keep_position: bool = switch(False, "leave the GPS position in the file: it tells where the home stands")


class Export(SinkStage[ExportSettings]):
    """Writes the light down: sRGB, 8 bits, JPEG, with all that a viewer needs to know."""

    name = "export"
    version = 3
    summary = "sRGB JPEGs with sphere metadata, rights and the facts of the shot, in one or more widths"
    Settings = ExportSettings

    def outputs(self, settings: ExportSettings) -> tuple[str, ...]:
        """Suffixes of the files: `.jpg` for the first width, `-4096.jpg` and the like for further ones.

        Raises
        ------
        ValueError
            If a width is odd, too small, or named twice.
        """
        widths = settings.widths or (0,)
        for width in widths:
            if width % 2 or 0 < width < 64:
                raise ValueError(
                    f"widths: {width} cannot be; take an even number of 64 or more, or 0 for full"
                )
        if len(set(widths)) < len(widths):
            raise ValueError(f"widths: {', '.join(map(str, widths))} names one twice")
        return (".jpg", *(f"-{width or 'full'}.jpg" for width in widths[1:]))

    def remark(self, facts: FrameFacts, settings: ExportSettings) -> str:
        """Say which widths are above the frame's own."""
        above = [width for width in settings.widths if width > facts.width]
        return _too_wide(max(above, default=0), facts.width) or "; ".join(
            f"width {width} is {width / facts.width:.3g} times the frame's {facts.width} px: enlarged, it "
            "holds no more detail than the file"
            for width in above
        )

    def pictures(self, settings: ExportSettings) -> Mapping[str, object]:
        """See `SinkStage.pictures`: whether the position is kept is a matter of metadata alone."""
        coded = settings.quality, settings.chroma, settings.dither
        return {
            suffix: (width, *coded)
            for suffix, width in zip(self.outputs(settings), settings.widths or (0,), strict=True)
        }

    def relabelled(self, data: bytes, capture: Capture, settings: ExportSettings, rights: Rights) -> bytes:
        """See `SinkStage.relabelled`."""
        return relabelled(
            data, _metadata(capture, width_of(data), rights, keep_position=settings.keep_position)
        )

    def start(self, context: StageContext, settings: ExportSettings, rights: Rights) -> Sink:
        """Begin a frame.

        Raises
        ------
        ValueError
            If a width is more than twice the frame's own, the frame is too wide for a JPEG, or a text of the
            metadata too long.
        """
        facts, above_white = context.reduced.facts, _light_above_white(context.reduced.rows)
        widths = [width or facts.width for width in settings.widths or (0,)]
        if facts.proof:
            widths = [min(width, facts.width) for width in widths]
        if fault := _too_wide(max(widths), facts.width):
            raise ValueError(fault)
        files = [_Picture(facts, width, settings, rights, above_white) for width in widths]
        return _Files(dict(zip(self.outputs(settings), files, strict=True)))


def _too_wide(width: int, own: int) -> str:
    """Say so if a width is more than a frame may be enlarged to."""
    most = _MOST_ENLARGED * own
    return (
        f"widths: {width} is more than twice the frame's {own} px; take {most} at most"
        if width > most
        else ""
    )


def _light_above_white(reduced: Rows) -> tuple[float, float]:
    """Peak luminance, from 1 to `_HIGHEST_PEAK`, and the ceiling of colours (1, or a little below).

    Both are 1 unless more than a sliver of the sphere lies above: then the light is given room.
    """
    rgb = transform_rows(reduced, SRGB_FROM_WORKING)
    peak = _white_or_above(rgb @ LUMINANCE_OF_SRGB.astype(np.float32))
    brightest_channel = np.maximum(np.maximum(rgb[..., 0], rgb[..., 1]), rgb[..., 2])
    return min(peak, _HIGHEST_PEAK), CEILING if _white_or_above(brightest_channel) > 1 else 1.0


def _white_or_above(values: NDArray[np.float32]) -> float:
    """Value above which `_SLIVER` of the sphere lies, or 1 if that is larger."""
    row, column = np.nonzero(values > 1)
    above = values[row, column]
    order = np.argsort(-above, kind="stable")
    share = np.cumsum(pixel_solid_angle(len(values))[row[order]]) / (4 * np.pi)
    reached = np.flatnonzero(share > _SLIVER)
    return float(above[order[reached[0]]]) if len(reached) else 1.0


class _Files(Sink):
    def __init__(self, pictures: dict[str, _Picture]) -> None:
        self._pictures = pictures

    def take(self, band: Band) -> None:
        for picture in self._pictures.values():
            picture.take(band.rows, band.first)

    def finish(self) -> Sequence[Output]:
        return [Output(suffix, picture.finish()) for suffix, picture in self._pictures.items()]


class _Picture:
    """One file of a frame, at one width."""

    def __init__(
        self,
        facts: FrameFacts,
        width: int,
        settings: ExportSettings,
        rights: Rights,
        above_white: tuple[float, float],
    ) -> None:
        self._anchor, self._own_width = facts.finished_anchor_column, facts.width
        self._turn = round(self._anchor * width / facts.width) % width
        self._stream = JpegStream(
            width,
            width // 2,
            quality=settings.quality,
            sampling=cast("Literal['4:4:4', '4:2:2', '4:2:0']", settings.chroma),
            segments=_metadata(facts.capture, width, rights, keep_position=settings.keep_position),
        )
        self._doubler = Doubler(facts.height) if width > facts.width else None
        whole = 2 * facts.width if self._doubler else facts.width
        self._reducer = RowReducer(whole, whole // 2, width) if width < whole else None
        peak, ceiling = above_white
        grain = grain_tile() if settings.dither else np.zeros_like(grain_tile())
        self._coder = SrgbCoder(grain, peak=peak, ceiling=ceiling)

    def take(self, rows: Rows, first: int) -> None:
        for large, at in self._doubler.take(rows, first) if self._doubler else ((rows, first),):
            for sized, row in self._reduced(large, at):
                self._code(sized, row)

    def _reduced(self, rows: Rows, first: int) -> Iterator[tuple[Rows, int]]:
        if self._reducer is None:
            yield rows, first
            return
        # Pixels of the smaller picture are whole ones in the file, whatever the anchor.
        anchor = self._anchor * rows.shape[1] // self._own_width
        for small, row in self._reducer.take(np.roll(rows, anchor, axis=1), first):
            yield np.roll(small, -self._turn, axis=1), row

    def finish(self) -> memoryview:
        return self._stream.finish()

    def _code(self, anchored: Rows, first: int) -> None:
        """Code rows that begin at the anchor as rows of the file."""
        while len(anchored):
            codes = self._stream.space(len(anchored))
            self._coder.code(anchored[: len(codes)], first, turn=self._turn, out=codes)
            self._stream.fill(len(codes))
            anchored, first = anchored[len(codes) :], first + len(codes)


def _metadata(capture: Capture, width: int, rights: Rights, *, keep_position: bool) -> list[bytes]:
    imprint = Imprint(width, width // 2, f"panopipe {__version__}", **asdict(rights))
    return metadata_segments(
        exif=exif_block(capture, imprint, keep_position=keep_position),
        xmp=xmp_packet(capture, imprint),
        icc=srgb_profile(),
    )
