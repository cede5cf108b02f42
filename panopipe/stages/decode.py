"""Decode: a picture file becomes linear light in the working space, nothing above white thrown away."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix, xyz_from_xy
from panopipe.colour.temperature import cct_duv_from_xy, planckian_xy, xy_from_cct_duv
from panopipe.exposures.grouping import candidate_groups, file_groups, told_takes
from panopipe.exposures.opening import REDUCED_WIDTH, Bracket, OpenBracket, open_bracket
from panopipe.exposures.takes import WIDTH as TAKES_WIDTH
from panopipe.exposures.takes import judge_takes
from panopipe.files.picture import linear_light, open_picture
from panopipe.files.recorded import CameraColour, ProfileColour, Recorded
from panopipe.files.samples import Samples as FileSamples
from panopipe.frame import FrameFacts, FrameKey, NoiseFacts, Rows
from panopipe.pixels.matrix import transform_rows
from panopipe.setting import choice, number
from panopipe.sphere.anchor import anchor_column, anchor_rows
from panopipe.sphere.reduce import AreaReducer
from panopipe.stage import FileGroup, FrameReader, Note, SourceStage
from panopipe.studies.bracket.noise import merged_noise
from panopipe.studies.clipped.band import Rebuilder
from panopipe.studies.clipped.chunks import Chunks, Part, part_that_lacks_nothing
from panopipe.studies.clipped.level import cut_level
from panopipe.studies.clipped.rebuild import Lights, share_of_red
from panopipe.studies.clipped.surroundings import Surroundings, is_array, saturated_percent, survey
from panopipe.studies.damage.report import damage
from panopipe.studies.damage.summary import summary
from panopipe.studies.noise.measure import MOST_COLUMNS, SATURATED, Gatherer, groups_of_rows
from panopipe.studies.noise.measure import is_sound as is_sound_noise

Samples = NDArray[Any]

_BAND_PIXELS = 1 << 18
"""Pixels averaged at a time."""
_PICKED_ROWS = 256
_BEYOND_MEASURE = np.float64(1e6)
_COPY_AGAIN = "Look at the frame; copy it again from the card, or export it again"
_MOST_LEVEL = 2.0**20
"""Share of the reference's white at which the shortest exposure of a bracket may be cut off."""
_LIGHTS_KELVIN = (2500, 2700, 3000, 3500, 4000, 5000, 6500, 8000, 10000)
"""Black bodies that stand for the lights of a house and its windows."""


@dataclass(frozen=True, slots=True)
class Probe:
    """What looking at a frame's samples found out.

    Attributes
    ----------
    anchor : int
        Column that the frame is turned to begin with.
    level : ndarray of shape (3,), dtype float64, or None
        Share of the white level at which each plane is cut off; None where nothing is.
    surroundings : Surroundings
        What the frame tells of its saturated parts.
    noise : NoiseFacts
        What it tells of its noise.
    damage : tuple of str
        Sentences about parts that no camera wrote.
    bracket : Bracket or None
        How several exposures are merged; None where there is one.
    """

    anchor: int
    level: Matrix | None
    surroundings: Surroundings
    noise: NoiseFacts
    damage: tuple[str, ...] = ()
    bracket: Bracket | None = None

    def is_sound(self, width: int) -> bool:
        """Whether it can be that of a frame so wide: it may come from a job folder that a stranger made."""
        level_is_sound = self.level is None or (
            is_array(self.level, (3,)) and bool(np.all((self.level > 0) & (self.level <= _MOST_LEVEL)))
        )
        is_place = isinstance(self.anchor, int) and 0 <= self.anchor < width
        is_surrounded = isinstance(self.surroundings, Surroundings) and self.surroundings.is_sound()
        is_told = isinstance(self.damage, tuple) and all(isinstance(part, str) for part in self.damage)
        is_measured = isinstance(self.noise, NoiseFacts) and is_sound_noise(self.noise)
        return is_place and level_is_sound and is_surrounded and is_told and is_measured


@dataclass(frozen=True)
class DecodeSettings:
    """How samples become light."""

    white: str = choice(
        "as-shot",
        "white of the frame: what the camera was set to, or the kelvin and Duv given here",
        choices=("as-shot", "fixed"),
    )
    white_kelvin: float = number(5000, "temperature of the fixed white", low=2000, high=15000, unit="kelvin")
    white_duv: float = number(
        0, "distance of the fixed white from the black body, green above 0", low=-0.03, high=0.03
    )
    clipped: str = choice(
        "rebuild",
        "colour of clipped highlights: rebuilt from what is left of it and its surroundings, or as recorded",
        choices=("rebuild", "as-recorded"),
    )


class Decode(SourceStage[DecodeSettings]):
    """Reads a linear DNG, TIFF, JPEG or PNG."""

    name = "decode"
    version = 13
    summary = "reads a frame into linear light: levels, white and colour as the file's own data say"
    Settings = DecodeSettings
    notes: ClassVar[Mapping[str, Note]] = {
        "samples": Note("how the file spells its samples, and who reads them"),
        "baseline_exposure_ev": Note("how far the file says its light is to be raised", "EV"),
        "corrections_left_out": Note("corrections the file lists that a stitched sphere no longer wants"),
        "profile": Note("colour profile of a finished picture"),
        "fixed_white": Note("why a white named in the recipe was not used"),
        "as_shot_cct_kelvin": Note("colour temperature of the white that the camera was set to", "kelvin"),
        "as_shot_duv": Note("how far that white lies to the green side of lamps"),
        "clipping_found_at_percent_of_white": Note("where samples really stop, if not at white", "percent"),
        "clipped_share_percent": Note("part of the sphere where a channel is clipped", "percent"),
        "clipped_in_all_planes_percent": Note("part of the sphere where all channels are clipped", "percent"),
        "moved_places": Note(
            "places where something moved between exposures, so that those of one moment are used"
        ),
        "moved": Note("where they are, the largest first, and which exposures are used"),
        "moved_share_percent": Note("part of the sphere that these places take", "percent"),
        "moved_yaw_deg": Note("direction of the largest of them, as the file counts", "deg"),
        "moved_pitch_deg": Note("its height above the horizon", "deg"),
        "exposures_merged": Note(
            "files merged into this frame, and how much more light than the first they took"
        ),
    }

    def candidates(self, files: Sequence[Path]) -> Sequence[tuple[int, ...]]:
        """See `SourceStage.candidates`."""
        return candidate_groups(files)

    def groups(self, files: Sequence[Path]) -> tuple[Sequence[FileGroup], Sequence[str]]:
        """See `SourceStage.groups`."""
        return file_groups(files, look)

    def judged_takes(self, files: Sequence[Path]) -> FileGroup:
        """See `SourceStage.judged_takes`."""
        return told_takes(judge_takes(files, look), files)

    def open(
        self, files: Sequence[Path], key: FrameKey, settings: DecodeSettings, probed: Any = None
    ) -> DecodedFrame:
        """See `SourceStage.open`."""
        if len(files) > 1:
            return _opened_bracket(files, key, settings, probed)
        # Who has looked at a frame reads its rows downwards; to look takes several passes over all samples.
        recorded = open_picture(files[0], streamed=isinstance(probed, Probe))
        try:
            return DecodedFrame(recorded, key, settings, probed)
        except BaseException:
            recorded.samples.close()
            raise


def look(file: Path) -> tuple[Rows, FrameFacts]:
    """Light of a file at the size at which takes are judged, and its facts."""
    with Decode().open([file], FrameKey("", file.stem), DecodeSettings()) as frame:
        return frame.reduced(TAKES_WIDTH), frame.facts


class DecodedFrame(FrameReader):
    """A frame's file, open; rows become light when asked for."""

    def __init__(
        self, recorded: Recorded, key: FrameKey, settings: DecodeSettings, probed: Any = None
    ) -> None:
        self._recorded = recorded
        self._samples = recorded.samples
        width, height = self._samples.width, self._samples.height
        self.notes: dict[str, float | str] = dict(recorded.notes)
        self._white_xy = self._chosen_white(settings)
        self._affine = self._light_from_samples()
        white = None if self._white_xy is None else (float(self._white_xy[0]), float(self._white_xy[1]))
        is_known = isinstance(probed, Probe) and probed.is_sound(width)
        self.probed: Probe = probed if is_known else self._looked_at()
        self.review_reasons = self.probed.damage
        self._anchor = self._first_column()
        self.facts = FrameFacts(
            key, width, height, self.probed.anchor, recorded.capture, white_xy=white, noise=self.probed.noise
        )
        self.facts = replace(self.facts, clips_at=self._clips_at())
        self._chunks: Chunks | None = None
        self._note_clipped()
        rebuilder = self._rebuilder()
        if rebuilder and settings.clipped == "rebuild":
            self._chunks = Chunks(self._samples.read_into, width, self._samples.dtype, rebuilder)

    def _first_column(self) -> int:
        """Column of the samples that comes first in the frame."""
        return self.probed.anchor

    def _chosen_white(self, settings: DecodeSettings) -> Matrix | None:
        colour = self._recorded.colour
        if not isinstance(colour, CameraColour):
            if settings.white == "fixed":
                self.notes["fixed_white"] = "left out: this picture holds finished colours"
            return None
        kelvin, duv = (float(value) for value in cct_duv_from_xy(colour.as_shot_xy))
        self.notes |= {"as_shot_cct_kelvin": round(kelvin, 1), "as_shot_duv": round(duv, 5)}
        return _white_of(colour, settings)

    def _light_from_samples(self) -> Matrix:
        """Affine (3, 4): levels, white, colour and baseline exposure in one step."""
        colour, black, white = self._recorded.colour, self._recorded.black, self._recorded.white
        if not isinstance(colour, CameraColour) or self._white_xy is None:
            return np.hstack([colour.working_from_linear, np.zeros((3, 1))])  # type: ignore[union-attr]
        scale = 1 / (white - black)
        matrix = _working_from_camera(colour, self._white_xy)
        return np.hstack([matrix * scale, (matrix @ (-black * scale))[:, None]])

    def _looked_at(self) -> Probe:
        return replace(self._probe(), damage=damage_of(self._recorded))

    def _probe(self) -> Probe:
        """Look at samples picked from the whole frame: what is clipped, and what light is around it."""
        colour, white, height = self._recorded.colour, self._recorded.white, self._samples.height
        anchor = anchor_column(self._samples.rows(row, row + 1)[0] for row in anchor_rows(height))
        picked = _picked(self._samples, anchor)
        _must_be_light(picked)
        goes_on = picked.dtype.kind == "f" and bool(np.any(picked > white))
        share = self._recorded.share_of_white(picked)
        if goes_on or not isinstance(colour, CameraColour) or self._white_xy is None:
            # Floats that go on above the white level are not cut off there.
            percents = (0.0, 0.0) if goes_on else saturated_percent(share)
            noise = self._noise(anchor, np.ones(3))
            return Probe(anchor, None, Surroundings(np.zeros((1, 2, 2)), *percents), noise)
        lights = _lights(colour, self._white_xy)
        level = cut_level(share, lights)
        noise = self._noise(anchor, level)
        return Probe(anchor, level, survey(share / level, lights.cut_at(level)), noise)

    def _noise(self, anchor: int, level: Matrix) -> NoiseFacts:
        is_camera = isinstance(self._recorded.colour, CameraColour)
        matrix = self._affine[:, :3] * ((self._recorded.white - self._recorded.black) if is_camera else 1)
        return noise_of(self._recorded, anchor, level, matrix)

    def _rebuilder(self) -> Rebuilder | None:
        colour, black, white = self._recorded.colour, self._recorded.black, self._recorded.white
        level = self.probed.level
        if level is None or not isinstance(colour, CameraColour) or self._white_xy is None:
            return None
        lights = _lights(colour, self._white_xy).cut_at(level)
        return Rebuilder(
            black, black + level * (white - black), lights, self.probed.surroundings, self._anchor
        )

    def _clips_at(self) -> tuple[float, float] | None:
        """Levels at which the planes of neutral light clip, see `FrameFacts.clips_at`."""
        rebuilder, colour = self._rebuilder(), self._recorded.colour
        if rebuilder is None or not isinstance(colour, CameraColour):
            return None if self._recorded.is_float else (1.0, 1.0)
        gain = 2.0**colour.baseline_exposure_ev
        neutral = rebuilder.lights.neutral
        return float(gain / neutral.max()), float(gain / neutral.min())

    def _note_clipped(self) -> None:
        level, surroundings = self.probed.level, self.probed.surroundings
        if level is not None and level.min() < 1:
            self.notes["clipping_found_at_percent_of_white"] = round(100 * float(level.max()), 2)
        self.notes["clipped_share_percent"] = round(surroundings.any_percent, 4)
        self.notes["clipped_in_all_planes_percent"] = round(surroundings.all_percent, 4)

    def reduced(self, width: int) -> Rows:
        """See `FrameReader.reduced`.

        Camera samples are averaged before they become light: levels and colour are one linear step.
        """
        if width >= self.facts.width:
            return self.read(0, self.facts.height)
        height = self.facts.height
        is_linear = isinstance(self._recorded.colour, CameraColour)
        start = self._anchor if is_linear else 0
        reducer = AreaReducer(self.facts.width, height, width - width % 2, start)
        at_once = max(8, _BAND_PIXELS // self.facts.width)
        for first in range(0, height, at_once):
            last = min(first + at_once, height)
            if not is_linear:
                reducer.take(self.read(first, last), first)
                continue
            for part in self._parts(first, last):
                reducer.take(part.samples, part.first, (part.rows, part.columns, part.lacking))
        return (
            self._checked(transform_rows(reducer.result(), self._affine)) if is_linear else reducer.result()
        )

    def read(self, first: int, last: int) -> Rows:
        """See `FrameReader.read`."""
        if first > last:
            raise ValueError(f"rows {first} to {last} of a frame of {self.facts.height}")
        return self.read_into(first, np.empty((last - first, self.facts.width, 3), np.float32))

    def read_into(self, first: int, rows: Rows) -> Rows:
        """See `FrameReader.read_into`."""
        last = first + len(rows)
        if not 0 <= first <= last <= self.facts.height:
            raise ValueError(f"rows {first} to {last} of a frame of {self.facts.height}")
        for part in self._parts(first, last):
            self._into_light(part, rows[part.first - first : part.last - first])
        return self._checked(rows)

    def _parts(self, first: int, last: int) -> Iterator[Part]:
        if self._chunks:
            yield from self._chunks.parts(first, last)
        elif first < last:
            yield part_that_lacks_nothing(first, last, self._samples.rows(first, last))

    def _into_light(self, part: Part, light: Rows) -> None:
        colour = self._recorded.colour
        if not isinstance(colour, CameraColour):
            transform_rows(linear_light(part.samples, colour), self._affine, out=light, start=self._anchor)
            return
        transform_rows(part.samples, self._affine, out=light, start=self._anchor)
        if len(part.rows):
            columns = (part.columns - self._anchor) % self.facts.width
            lacking = part.lacking.astype(np.float32)[None]
            light[part.rows - part.first, columns] += transform_rows(lacking, self._affine[:, :3])[0]

    def _checked(self, light: Rows) -> Rows:
        """Light of floats may be anything; that of whole numbers is finite."""
        if self._recorded.is_float:
            _must_be_light(light)
        return light

    def close(self) -> None:
        """See `FrameReader.close`."""
        self._samples.close()


@dataclass(frozen=True, slots=True)
class ToldExposure:
    """What one exposure of a bracket tells.

    Attributes
    ----------
    level : ndarray of shape (3,), dtype float64
        Share of the white level at which its planes are cut off.
    share : ndarray of shape (h, 2 h, 3), dtype float64
        Samples picked from all of it, 1 at the white level.
    noise : NoiseFacts or None
        Its noise, if it is the reference.
    """

    level: Matrix
    share: Matrix
    noise: NoiseFacts | None = None


class MergedFrame(DecodedFrame):
    """The exposures of one place, open: their rows are merged, then they become light as a single file's do.

    What merging starts from (the first column, noise, what is cut off) is found in single exposures: merged
    rows are made in order, and looking here and there would make them several times.
    """

    def __init__(self, opened: OpenBracket, key: FrameKey, settings: DecodeSettings, probed: Any) -> None:
        self._opened, self._settings = opened, settings
        super().__init__(opened.merged(), key, settings, probed)
        self.notes["exposures_merged"] = opened.bracket.told()
        if moved := opened.bracket.moved:
            self.notes["moved_places"] = len(moved)
            self.notes["moved"] = opened.bracket.moved_told()
            yaw, pitch = opened.bracket.moved_at(moved[0])
            self.notes |= {"moved_yaw_deg": round(yaw, 2), "moved_pitch_deg": round(pitch, 2)}
            self.notes["moved_share_percent"] = round(sum(place.share_percent() for place in moved), 3)

    def _first_column(self) -> int:
        return 0

    def _looked_at(self) -> Probe:
        bracket, used = self._opened.bracket, self._opened.bracket.used
        colour = self._recorded.colour
        assert isinstance(colour, CameraColour) and self._white_xy is not None
        told = cast("list[ToldExposure]", self._opened.told)
        shortest = self._opened.shortest
        level = used[shortest].level / used[shortest].time
        lights = _lights(colour, self._white_xy).cut_at(level)
        around = survey(told[shortest].share / used[shortest].level, lights)
        noise = told[0].noise
        assert noise is not None
        return Probe(bracket.anchor, level, around, merged_noise(noise, used), bracket.left_out, bracket)

    def reduced(self, width: int) -> Rows:
        """See `FrameReader.reduced`; what is far smaller is merged after the exposures are reduced."""
        if not width <= REDUCED_WIDTH < self.facts.width:
            return super().reduced(width)
        probed = replace(self.probed, anchor=0)
        small = DecodedFrame(self._opened.merged_reduced(), self.facts.key, self._settings, probed)
        light = small.read(0, small.facts.height)
        if width == small.facts.width:
            return light
        reducer = AreaReducer(small.facts.width, small.facts.height, width - width % 2)
        reducer.take(light, 0)
        return reducer.result()


def _opened_bracket(
    files: Sequence[Path], key: FrameKey, settings: DecodeSettings, probed: Any
) -> DecodedFrame:
    """Several exposures as one frame; the one that is left, if no other can be used."""

    def ask(recorded: Recorded, anchor: int, is_reference: bool) -> ToldExposure:
        return _told_exposure(recorded, anchor, settings if is_reference else None)

    known = probed.bracket if isinstance(probed, Probe) else None
    if not (isinstance(known, Bracket) and type(known.width) is int and probed.is_sound(known.width)):
        known = probed = None
    opened = open_bracket(files, ask, damage_of, known)
    try:
        if known is not opened.bracket:
            probed = None
        if len(opened.recorded) > 1:
            return MergedFrame(opened, key, settings, probed)
        alone = DecodedFrame(opened.recorded[0], key, settings, probed)
        alone.probed = replace(alone.probed, damage=opened.bracket.left_out, bracket=opened.bracket)
        alone.review_reasons = alone.probed.damage
        return alone
    except BaseException:
        opened.close()
        raise


def _told_exposure(recorded: Recorded, anchor: int, reference: DecodeSettings | None) -> ToldExposure:
    """Ask one exposure of a bracket; the reference, of which settings are given, for its noise too."""
    share = recorded.share_of_white(_picked(recorded.samples, anchor))
    colour = recorded.colour
    if not isinstance(colour, CameraColour):
        return ToldExposure(np.ones(3), share)
    level = cut_level(share, _lights(colour, colour.as_shot_xy))
    if reference is None:
        return ToldExposure(level, share)
    matrix = _working_from_camera(colour, _white_of(colour, reference))
    return ToldExposure(level, share, noise_of(recorded, anchor, level, matrix))


def _white_of(colour: CameraColour, settings: DecodeSettings) -> Matrix:
    if settings.white == "as-shot":
        return colour.as_shot_xy
    return xy_from_cct_duv(settings.white_kelvin, settings.white_duv)


def _working_from_camera(colour: CameraColour, white_xy: Matrix) -> Matrix:
    return np.asarray(colour.camera.working_from_camera(white_xy) * 2.0**colour.baseline_exposure_ev)


def noise_of(recorded: Recorded, anchor: int, level: Matrix, light_from_samples: Matrix) -> NoiseFacts:
    """Measure noise on some groups of rows of a picture.

    Parameters
    ----------
    recorded : Recorded
        The picture.
    anchor : int
        Column that the frame is turned to begin with.
    level : ndarray of shape (3,), dtype float64
        Share of the white above which samples are cut off.
    light_from_samples : ndarray of shape (3, 3), dtype float64
        Light of samples that are 1 at the white level.
    """
    width, height = recorded.samples.width, recorded.samples.height
    gatherer, groups = Gatherer(height, light_from_samples), groups_of_rows(height)
    for place, (first, last) in enumerate(groups):
        start = (anchor + place * width // len(groups)) % width
        rows = recorded.samples.rows(first, last)
        samples = np.concatenate([rows[:, start:], rows[:, :start]], axis=1)[:, :MOST_COLUMNS]
        if isinstance(recorded.colour, ProfileColour):
            share = linear_light(samples, recorded.colour)
        else:
            share = recorded.share_of_white(samples, np.float32)
        cut = [
            (samples[..., plane] <= 0) | (share[..., plane] >= SATURATED * level[plane]) for plane in range(3)
        ]
        gatherer.take(share, first, cut[0] | cut[1] | cut[2])
    return gatherer.result(recorded.noise_profile)


def _picked(samples: FileSamples, anchor: int) -> Samples:
    """Every so many-th sample of the whole frame, anchor column first."""
    width, height = samples.width, samples.height
    step = max(height // _PICKED_ROWS, 1)
    columns = (np.arange(step // 2, width, step) + anchor) % width
    rows = range(step // 2, height, step)
    count = min(len(rows), len(columns) // 2)
    return np.stack(
        [samples.rows(row, row + 1)[0].take(columns[: 2 * count], axis=0) for row in rows[:count]]
    )


def damage_of(recorded: Recorded) -> tuple[str, ...]:
    """Sentences about damage that the coding of a file does not tell of."""
    stored = recorded.stored
    if stored is None:
        return ()
    samples = stored.samples
    if not stored.digest_fits():
        return (f"The file is damaged: its own checksum is not that of its samples. {_COPY_AGAIN}",)
    linear = isinstance(recorded.colour, CameraColour) or recorded.is_float
    size = samples.height, samples.width
    seen = summary(samples.rows, size, stored.segment, largest=stored.largest, linear=linear)
    words = damage(seen, cosine_coded=stored.cosine_coded)
    return (f"The file looks damaged: {words}. {_COPY_AGAIN}",) if words else ()


def _lights(colour: CameraColour, white_xy: Matrix) -> Lights:
    """How the lights of a house look to this camera when it is set to `white_xy`."""
    neutral = colour.camera.neutral(white_xy)
    balanced = xyz_from_xy(planckian_xy(_LIGHTS_KELVIN)) @ colour.camera.camera_from_xyz(white_xy).T / neutral
    return Lights(neutral, share_of_red(balanced))


def _must_be_light(values: Samples) -> None:
    """Refuse what is not a number, and what float32 arithmetic downstream could not bear."""
    if not np.all(np.abs(values) < _BEYOND_MEASURE):
        raise ValueError("the frame holds samples that are no light (not a number, or endless); export it")
