"""Denoise: grain and clouds of colour go, as far as they are noise; what stands out of it stays.

The noise is that of the camera, measured on all frames of one camera and sensitivity together and bounded by
what their files tell. It works on the light as recorded, where noise is what physics made it: photons and
reading.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import Band, Frame, FrameFacts, FrameKey, NoiseFacts, Rows
from panopipe.setting import number
from panopipe.stage import JobFacts, MarginStage, Note, Observation, Prepared, Solution, StageContext
from panopipe.studies.noise.clean import Cleaning, fine_reach, fine_scales, joined, parted
from panopipe.studies.noise.measure import is_sound
from panopipe.studies.noise.model import NoiseModel, fitted

_REDUCED_HEIGHT = 512
"""Rows of the frame that stages prepare themselves on."""
_GREY = 0.18
"""Reflectance of a grey card that the camera exposed so that white just saturates."""


@dataclass(frozen=True)
class DenoiseSettings:
    """Settings of the denoise stage."""

    grain_percent: float = number(
        20.0,
        "noise of lightness that is left, so that surfaces keep a grain; 100 leaves all of it",
        low=0,
        high=100,
        unit="percent",
    )
    colour_percent: float = number(
        0.0, "noise of colour that is left; 100 leaves all of it", low=0, high=100, unit="percent"
    )


@dataclass(frozen=True, slots=True)
class Denoising:
    """What `apply` needs: how rows are cleaned, and the planes that coarse scales add, at reduced size."""

    cleaning: Cleaning
    coarse: NDArray[np.float32]


class Denoise(MarginStage[DenoiseSettings, Denoising]):
    """Takes sensor noise out of a frame, scale by scale."""

    name: ClassVar[str] = "denoise"
    version: ClassVar[int] = 10
    summary: ClassVar[str] = "takes out grain and clouds of colour, by the noise of the camera"
    Settings: ClassVar[type] = DenoiseSettings
    survey_settings: ClassVar[tuple[str, ...]] = ()
    notes: ClassVar[Mapping[str, Note]] = {
        "noise_at_grey_percent": Note("noise of a pixel as recorded, against a grey card's light", "percent"),
    }

    def survey(self, frame: Frame, settings: DenoiseSettings) -> NoiseFacts | None:
        """What the frame's own samples tell."""
        return frame.facts.noise

    def solve(
        self, observed: Mapping[FrameKey, Observation[DenoiseSettings]], job: JobFacts
    ) -> Mapping[FrameKey, Solution]:
        """One model for all frames of one camera at one sensitivity, merged of as many exposures."""
        cameras: dict[object, list[FrameKey]] = {}
        for key in sorted(observed):
            cameras.setdefault(_camera(observed[key].facts), []).append(key)
        solutions = {}
        for keys in cameras.values():
            told = [seen for key in keys if isinstance(seen := observed[key].seen, NoiseFacts)]
            model = fitted([noise for noise in told if is_sound(noise)]) if told else None
            solutions.update({key: Solution(data=model) for key in keys})
        return solutions

    def margin_rows(self, height: int, settings: DenoiseSettings) -> int:
        """Rows that the fine scales reach over."""
        return min(fine_reach(height, _fine_scales(height)), height)

    def prepare(self, context: StageContext, settings: DenoiseSettings) -> Prepared[Denoising]:
        """Clean the coarse scales on the reduced frame."""
        model, noise = context.solution, context.reduced.facts.noise
        if noise is None or not isinstance(model, NoiseModel) or not np.any(model.profile):
            return Prepared()
        grain = model.grain(noise.light) * settings.grain_percent / 100
        facts = replace(context.reduced.facts, grain=grain)
        if settings.grain_percent == 100 and settings.colour_percent == 100:
            return Prepared(facts=facts)
        cleaning = Cleaning(
            model,
            noise.width,
            model.variance_form(noise.light_from_samples),
            settings.grain_percent / 100,
            settings.colour_percent / 100,
        )
        rows, height = context.reduced.rows, context.reduced.facts.height
        beyond = self.margin_rows(height, settings) * len(rows) / height
        coarse = cleaning.whole(rows, math.ceil(beyond) + 1)
        return Prepared(Denoising(cleaning, coarse), _notes(model), facts=facts)

    def apply(self, band: Band, settings: DenoiseSettings, prepared: Denoising) -> Rows:
        """Add what the coarse scales change, and clean the fine ones."""
        first, height = band.first - band.margin, band.height
        scales = _fine_scales(height)
        if not scales:
            return joined(parted(band.rows, prepared.coarse, first, height))
        return prepared.cleaning.fine(band.rows, prepared.coarse, first, height, scales)


def _camera(facts: FrameFacts) -> tuple[object, ...]:
    times = facts.noise.exposures if facts.noise else (1.0,)
    exposures = [round(math.log2(time), 1) for time in times]
    return facts.capture.make, facts.capture.model, facts.capture.iso, *exposures


def _fine_scales(height: int) -> int:
    return fine_scales(height, min(height, _REDUCED_HEIGHT))


def _notes(model: NoiseModel) -> dict[str, float | str]:
    variance = float(np.mean(model.profile @ [_GREY, 1.0]))
    return {"noise_at_grey_percent": round(100 * variance**0.5 / _GREY, 3)}
