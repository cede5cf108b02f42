"""Decode: a picture file becomes linear light in the working space, nothing above white thrown away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from panopipe.colour.pointwise import transform_rows
from panopipe.colour.spaces import Matrix
from panopipe.colour.temperature import cct_duv_from_xy, xy_from_cct_duv
from panopipe.files.picture import linear_light, open_picture
from panopipe.files.recorded import CameraColour, Recorded
from panopipe.frame import FrameFacts, FrameKey, Rows
from panopipe.setting import choice, number
from panopipe.sphere.anchor import anchor_column, anchor_rows
from panopipe.sphere.reduce import AreaReducer
from panopipe.stage import Opened, SourceStage

_BAND_ROWS = 16


@dataclass(frozen=True)
class DecodeSettings:
    """How samples become light."""

    white: str = choice(
        "as-shot",
        "white of the frame: what the camera was set to, or the kelvin and Duv given here",
        choices=("as-shot", "fixed"),
    )
    white_kelvin: float = number(5000, "temperature of the fixed white", low=2000, high=15000, unit="K")
    white_duv: float = number(
        0, "distance of the fixed white from the black body, green above 0", low=-0.03, high=0.03
    )


class Decode(SourceStage[DecodeSettings]):
    """Reads a linear DNG, TIFF, JPEG or PNG."""

    name = "decode"
    version = 1
    summary = "reads a frame into linear light: levels, white and colour as the file's own data say"
    Settings = DecodeSettings

    def open(self, files: Sequence[Path], key: FrameKey, settings: DecodeSettings) -> DecodedFrame:
        """See `SourceStage.open`."""
        if len(files) != 1:
            raise ValueError(f"{len(files)} files for one frame; decode takes one")
        recorded = open_picture(files[0])
        try:
            return DecodedFrame(recorded, key, settings)
        except BaseException:
            recorded.samples.close()
            raise


class DecodedFrame(Opened):
    """A frame's file, open; rows become light when asked for."""

    def __init__(self, recorded: Recorded, key: FrameKey, settings: DecodeSettings) -> None:
        self._recorded = recorded
        self._samples = recorded.samples
        width, height = self._samples.width, self._samples.height
        self._anchor = anchor_column(self._samples.rows(row, row + 1)[0] for row in anchor_rows(height))
        self.notes: dict[str, float | str] = dict(recorded.notes)
        self._white_xy = self._chosen_white(settings)
        white = None if self._white_xy is None else (float(self._white_xy[0]), float(self._white_xy[1]))
        self.facts = FrameFacts(key, width, height, self._anchor, recorded.capture, white_xy=white)
        self._affine = self._light_from_samples()

    def _chosen_white(self, settings: DecodeSettings) -> Matrix | None:
        colour = self._recorded.colour
        if not isinstance(colour, CameraColour):
            return None
        kelvin, duv = (float(value) for value in cct_duv_from_xy(colour.as_shot_xy))
        self.notes |= {"as_shot_kelvin": round(kelvin, 1), "as_shot_duv": round(duv, 5)}
        if settings.white == "as-shot":
            return colour.as_shot_xy
        return xy_from_cct_duv(settings.white_kelvin, settings.white_duv)

    def _light_from_samples(self) -> Matrix:
        """Affine (3, 4): levels, white, colour and baseline exposure in one step."""
        colour, black, white = self._recorded.colour, self._recorded.black, self._recorded.white
        if not isinstance(colour, CameraColour) or self._white_xy is None:
            return np.hstack([colour.working_from_linear, np.zeros((3, 1))])  # type: ignore[union-attr]
        scale = 1 / (white - black)
        matrix = colour.camera.working_from_camera(self._white_xy) * 2.0**colour.baseline_exposure_ev
        return np.hstack([matrix * scale, (matrix @ (-black * scale))[:, None]])

    def reduced(self, width: int) -> Rows:
        """See `Opened.reduced`."""
        width = min(width, self.facts.width)
        reducer = AreaReducer(self.facts.width, self.facts.height, width - width % 2)
        for first in range(0, self.facts.height, _BAND_ROWS):
            reducer.take(self.read(first, min(first + _BAND_ROWS, self.facts.height)), first)
        return reducer.result()

    def read(self, first: int, last: int) -> Rows:
        """See `Opened.read`."""
        if not 0 <= first <= last <= self.facts.height:
            raise ValueError(f"rows {first} to {last} of a frame of {self.facts.height}")
        samples = self._samples.rows(first, last)
        colour = self._recorded.colour
        linear = isinstance(colour, CameraColour)
        numbers = samples if linear else linear_light(samples, colour)  # type: ignore[arg-type]
        light = transform_rows(self._turned(numbers), self._affine)
        if samples.dtype.kind == "f" and not cv2.checkRange(light):
            raise ValueError(
                f"rows {first} to {last} hold samples that are no numbers; export the frame again"
            )
        return light

    def _turned(self, samples: np.ndarray) -> Rows:
        """Samples as float32, anchor column first."""
        turned: Rows = np.empty(samples.shape, np.float32)
        rest = self.facts.width - self._anchor
        turned[:, :rest] = samples[:, self._anchor :]
        turned[:, rest:] = samples[:, : self._anchor]
        return turned

    def close(self) -> None:
        """See `Opened.close`."""
        self._samples.close()
