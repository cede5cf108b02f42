"""The exposures of a bracket, opened together: laid on the reference once, then read as one picture.

One that is broken, of another camera or of another place is left out with a line that says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from panopipe.capture import Capture
from panopipe.errors import one_line
from panopipe.files.picture import open_picture
from panopipe.files.recorded import CameraColour, Recorded
from panopipe.files.samples import MadeSamples, Samples, WholeSamples
from panopipe.sphere.anchor import anchor_column, anchor_rows
from panopipe.sphere.reduce import AreaReducer, covering_rows
from panopipe.studies.bracket.merger import Exposure, Merger
from panopipe.studies.bracket.motion import still
from panopipe.studies.bracket.moved import Moved, find_moved
from panopipe.studies.bracket.register import LEAST_AGREEMENT, LEAST_SEEN, NARROWEST, WIDEST, Look, register

Floats = NDArray[np.float64]

LIKELY_NOISE = np.array([[1e-4, 1e-6]] * 3)
"""Of samples of a camera of which nothing is known: 10,000 electrons at saturation, 10 of reading."""
MOST_EXPOSURES = 16
_PLACES_TOLD = 4
_ROWS_AT_ONCE = 1 << 18

REDUCED_WIDTH = 2048
"""Columns at which exposures are also merged reduced: a look at the frame wants no more."""

Reduced = NDArray[np.float16]
"""A picture of an exposure so wide, 1 where samples are cut off; half floats are finer than its noise."""


class Told(Protocol):
    """What one exposure tells to those who ask for it.

    Attributes
    ----------
    level : ndarray of shape (3,), dtype float64
        Share of the white level at which its planes are cut off.
    """

    @property
    def level(self) -> Floats:
        """See above."""


Damage = Callable[[Recorded], tuple[str, ...]]
Ask = Callable[[Recorded, int, bool], Told]
"""Of a picture, its first column, and whether it is the reference."""


@dataclass(frozen=True, slots=True)
class Bracket:
    """What looking at a bracket found: plain data.

    Attributes
    ----------
    names : tuple of str
        Names of all its files, the reference's first.
    exposures : tuple of Exposure or None
        For each file, how it is merged; None where it is left out.
    anchor : int
        Column of the files at which the merged frame begins.
    width : int
        Columns of the files.
    left_out : tuple of str
        A sentence for each file that is left out.
    moved : tuple of Moved
        Places for which exposures of one moment are used.
    """

    names: tuple[str, ...]
    exposures: tuple[Exposure | None, ...]
    anchor: int
    width: int
    left_out: tuple[str, ...] = ()
    moved: tuple[Moved, ...] = ()

    def is_sound(self, names: Sequence[str]) -> bool:
        """Whether it can be that of these files: it may come from a job folder that a stranger made."""
        if not isinstance(self.names, tuple) or self.names != tuple(names):
            return False
        told = isinstance(self.left_out, tuple) and all(isinstance(line, str) for line in self.left_out)
        some = isinstance(self.exposures, tuple) and len(self.exposures) == len(names)
        is_place = type(self.anchor) is int and type(self.width) is int and 0 <= self.anchor < self.width
        return (
            told
            and some
            and is_place
            and any(self.exposures)
            and all(one is None or (isinstance(one, Exposure) and one.is_sound()) for one in self.exposures)
            and isinstance(self.moved, tuple)
            and all(isinstance(place, Moved) and place.is_sound(len(self.used)) for place in self.moved)
        )

    @property
    def used(self) -> tuple[Exposure, ...]:
        """Exposures that are merged."""
        return tuple(exposure for exposure in self.exposures if exposure)

    def moved_told(self) -> str:
        """The largest places where something moved, in words."""
        used = [name for name, one in zip(self.names, self.exposures, strict=True) if one]
        parts = []
        for place in self.moved[:_PLACES_TOLD]:
            yaw, pitch = self.moved_at(place)
            parts.append(
                f"yaw {yaw:.0f} pitch {pitch:.0f}: {' '.join(used[i] for i in sorted(place.moment))}"
            )
        more = len(self.moved) - len(parts)
        return "; ".join(parts) + (f"; and {more} more" if more > 0 else "")

    def moved_at(self, place: Moved) -> tuple[float, float]:
        """Yaw and pitch of a place, as the files count."""
        return place.direction_deg(self.anchor / self.width)

    def told(self) -> str:
        """The exposures in words: names and EV against the reference."""
        parts = [
            f"{name} {np.log2(one.time):+.2f} EV"
            for name, one in zip(self.names, self.exposures, strict=True)
            if one
        ]
        return ", ".join(parts)


class _ReducedSamples(WholeSamples):
    """Half floats, read as float32."""

    def rows(self, first: int, last: int) -> NDArray[np.float32]:
        """See `Samples.rows`."""
        return super().rows(first, last).astype(np.float32)


class OpenBracket:
    """The files of a bracket, open.

    Attributes
    ----------
    bracket : Bracket
        How they are merged.
    recorded : list of Recorded
        Those that are merged, the reference first.
    told : list of Told
        What each of them told when it was looked at; empty where that was done before.
    """

    def __init__(self, bracket: Bracket, recorded: list[Recorded], seen: Sequence[_Shot] = ()) -> None:
        self.bracket, self.recorded = bracket, recorded
        self.told = [shot.told for shot in seen]
        self._reduced = [shot.reduced for shot in seen if shot.reduced is not None]

    @property
    def shortest(self) -> int:
        """Which of them took least light."""
        return int(np.argmin([exposure.time / exposure.level.min() for exposure in self.bracket.used]))

    def merged(self) -> Recorded:
        """All of them as one picture, its first column the anchor, its light that of the reference."""
        return self._merged([one.samples for one in self.recorded], self.bracket.used, self.bracket.anchor)

    def merged_reduced(self) -> Recorded:
        """The same of exposures that were reduced first: a look at the frame need not merge all of it."""
        used, anchor = self.bracket.used, self.bracket.anchor
        reduced = self._reduced or [
            reduced_share(recorded, exposure.level, anchor, REDUCED_WIDTH).astype(np.float16)
            for recorded, exposure in zip(self.recorded, used, strict=True)
        ]
        averaged = (self.bracket.width / REDUCED_WIDTH) ** 2
        samples = [_ReducedSamples(share, "reduced") for share in reduced]
        return self._merged(samples, [exposure.reduced(averaged) for exposure in used], 0)

    def _merged(self, samples: Sequence[Samples], exposures: Sequence[Exposure], start: int) -> Recorded:
        merger = Merger(exposures, [one.rows for one in samples], samples[0].width, start, self.bracket.moved)
        made = MadeSamples(samples, merger.rows)
        is_float = any(recorded.is_float for recorded in self.recorded)
        return replace(
            self.recorded[0],
            samples=made,
            black=np.zeros(3),
            white=np.ones(3),
            is_float=is_float,
            stored=None,
        )

    def close(self) -> None:
        """Let go of the files."""
        for recorded in self.recorded:
            recorded.samples.close()


def open_bracket(files: Sequence[Path], ask: Ask, damage: Damage, known: object = None) -> OpenBracket:
    """Open the exposures of one place.

    Parameters
    ----------
    files : sequence of Path
        The reference first.
    ask : callable
        Finds what is to be told of a picture, see `Told`.
    damage : callable
        Sentences about damage to a picture.
    known : object
        What was found when they were opened before, or something else from a job folder.

    Raises
    ------
    ValueError
        If none of them can be used; the message is that of the first.
    OSError
        If a file cannot be read any longer.
    """
    if len(files) > MOST_EXPOSURES:
        raise ValueError(f"{len(files)} exposures of one place; up to {MOST_EXPOSURES} are merged")
    names = [file.name for file in files]
    seen: Sequence[_Shot] = ()
    if not (isinstance(known, Bracket) and known.is_sound(names)):
        known, seen = _looked_at(files, ask, damage)
    opened: list[Recorded] = []
    try:
        for file, exposure in zip(files, known.exposures, strict=True):
            if exposure:
                opened.append(open_picture(file, streamed=len(known.used) > 1))
        if any(one.samples.width != known.width for one in opened):
            raise ValueError("its exposures are of another size than they were; run again")
    except BaseException:
        for one in opened:
            one.samples.close()
        raise
    return OpenBracket(known, opened, seen)


def _looked_at(files: Sequence[Path], ask: Ask, damage: Damage) -> tuple[Bracket, list[_Shot]]:
    """Lay all exposures on the first that is sound, by light; one file is open at a time."""
    shots: dict[int, _Shot] = {}
    looks: dict[int, Look] = {}
    why: dict[int, str] = {}
    error: Exception | None = None
    for number, file in enumerate(files):
        try:
            recorded = open_picture(file)
            try:
                reference = next(iter(shots.values()), None)
                shots[number], looks[number] = _looked_at_one(recorded, reference, ask, damage)
            finally:
                recorded.samples.close()
        except (ValueError, OSError) as caught:
            why[number] = one_line(caught)
            error = error or caught
    if not shots:
        assert error is not None
        raise error
    first = next(iter(shots))
    laid = _laid(shots, looks, why)
    relative = [one.time * float(np.mean(shots[first].level) / np.mean(one.level)) for one in laid.values()]
    moved = find_moved([looks[number] for number in laid], relative, list(laid).index(first))
    names = tuple(file.name for file in files)
    left_out = tuple(f"{names[number]} is left out: {line}." for number, line in sorted(why.items()))
    exposures = tuple(laid.get(number) for number in range(len(names)))
    bracket = Bracket(names, exposures, shots[first].anchor, shots[first].width, left_out, moved)
    return bracket, [shots[number] for number in laid]


def _looked_at_one(
    recorded: Recorded, reference: _Shot | None, ask: Ask, damage: Damage
) -> tuple[_Shot, Look]:
    """Look at one exposure.

    Raises
    ------
    ValueError
        If it is damaged, or cannot be of the reference's place.
    """
    if reference and (unlike := _unlike(recorded, reference)):
        raise ValueError(unlike)
    if told := damage(recorded):
        raise ValueError(told[0].rstrip("."))
    if reference:
        return _Shot.of(recorded, ask(recorded, reference.anchor, False), reference.anchor)
    rows = anchor_rows(recorded.samples.height)
    anchor = anchor_column(recorded.samples.rows(r, r + 1)[0] for r in rows)
    return _Shot.of(recorded, ask(recorded, anchor, True), anchor)


def _unlike(recorded: Recorded, reference: _Shot) -> str:
    """Why a picture cannot be an exposure of the reference's place; empty if it can."""
    width = recorded.samples.width
    if width != reference.width:
        return f"it is {width} pixels wide, not {reference.width}"
    if width < NARROWEST:
        return f"frames narrower than {NARROWEST} pixels are not laid on each other"
    if not (isinstance(recorded.colour, CameraColour) and reference.is_camera):
        return "finished colours cannot be merged; export linear DNGs"
    if _camera(recorded.capture) != reference.camera:
        return "it is of another camera"
    return ""


def _camera(capture: Capture) -> tuple[str | None, str | None]:
    return capture.make, capture.model


@dataclass(frozen=True, slots=True)
class _Shot:
    """What is found out about one exposure alone."""

    width: int
    anchor: int
    is_camera: bool
    camera: tuple[str | None, str | None]
    black: Floats
    white: Floats
    told: Told
    noise: Floats
    brightness: float
    reduced: Reduced | None

    @property
    def level(self) -> Floats:
        return self.told.level

    @classmethod
    def of(cls, recorded: Recorded, told: Told, anchor: int) -> tuple[_Shot, Look]:
        noise, level = recorded.noise_profile, told.level
        noise = LIKELY_NOISE if noise is None else noise
        width = recorded.samples.width
        wide = reduced_share(recorded, level, anchor, REDUCED_WIDTH)
        share = wide
        if wide.shape[1] > WIDEST:
            reducer = AreaReducer(wide.shape[1], len(wide), WIDEST)
            reducer.take(wide, 0)
            share = reducer.result()
        per_level = np.stack([noise[:, 0] / level, noise[:, 1] / level**2], axis=1)
        value = exposure_value(recorded.capture)
        shot = cls(
            width,
            anchor,
            isinstance(recorded.colour, CameraColour),
            _camera(recorded.capture),
            recorded.black,
            recorded.white,
            told,
            noise,
            float(np.log2(np.mean(share) + 1e-9)) if value is None else value,
            wide.astype(np.float16) if width > REDUCED_WIDTH else None,
        )
        return shot, Look(share, per_level / max(width / share.shape[1], 1) ** 2)


def reduced_share(
    recorded: Recorded,
    level: Floats,
    anchor: int,
    width: int = WIDEST,
    rows: tuple[float, float] = (0.0, 1.0),
) -> NDArray[np.float32]:
    """Small picture of samples, 1 where they are cut off, its first column the anchor; up to `width` wide.

    `rows` are the shares of the height between which they are read; beyond, the picture is black.
    """
    samples = recorded.samples
    while width > samples.width:
        width //= 2
    part = slice(*(round(share * width / 2) for share in rows))
    wanted = (part.start, part.stop)
    reducer = AreaReducer(samples.width, samples.height, width, anchor, wanted)
    begin, end = covering_rows(*wanted, samples.height, width // 2)
    at_once = max(8, _ROWS_AT_ONCE // samples.width)
    for first in range(begin, end, at_once):
        reducer.take(samples.rows(first, min(first + at_once, end)), first)
    seen, span = reducer.result(), level * (recorded.white - recorded.black)
    seen -= recorded.black.astype(np.float32)
    seen /= span.astype(np.float32)
    if not -_BEYOND < seen.min() <= seen.max() < _BEYOND:
        raise ValueError("it holds samples that are no light")
    if len(seen) == width // 2:
        return seen
    share = np.zeros((width // 2, width, 3), np.float32)
    share[part] = seen
    return share


_BEYOND = 1e6


def exposure_value(capture: Capture) -> float | None:
    """Light that an exposure takes as its file tells, in EV; None if it does not tell.

    Time and sensitivity count up, the square of the aperture's number counts down (ISO 2720); what is not
    told of the last two is taken to be the same in all exposures.
    """
    if not capture.exposure_s or capture.exposure_s <= 0:
        return None
    iso = capture.iso if capture.iso and capture.iso > 0 else 100.0
    f_number = capture.f_number if capture.f_number and capture.f_number > 0 else 1.0
    return float(np.log2(capture.exposure_s * iso / 100 / f_number**2))


def _laid(shots: dict[int, _Shot], looks: dict[int, Look], why: dict[int, str]) -> dict[int, Exposure]:
    """Lay each exposure on its neighbour in light that lies already, from the reference outwards.

    Looks are replaced as they lie then.
    """
    first = next(iter(shots))
    motions, times = {first: still()}, {first: 0.0}
    by_light = sorted(shots, key=lambda number: shots[number].brightness)
    middle = by_light.index(first)
    for side in (by_light[middle + 1 :], by_light[:middle][::-1]):
        partner = first
        for number in side:
            found = register(looks[partner], looks[number])
            if found.agreement < LEAST_AGREEMENT or found.seen < LEAST_SEEN:
                why[number] = (
                    "it does not show this place from this stand"
                    if found.seen >= LEAST_SEEN
                    else "it shows too little to be laid on the others"
                )
                continue
            motions[number], times[number] = found.motion, times[partner] + found.ratio_ev
            looks[number] = Look(found.motion.seen(looks[number].share), looks[number].noise)
            looks[partner].forget()
            partner = number
        looks[partner].forget()
    found_exposures = {}
    for number in sorted(motions):
        shot = shots[number]
        # What registration compares is 1 where samples are cut off; light is counted by the white level.
        time = 2.0 ** times[number] * float(np.mean(shot.level) / np.mean(shots[first].level))
        exposure = Exposure(time, shot.black, shot.white, shot.level, shot.noise, motions[number])
        found_exposures[number] = exposure
    return found_exposures
