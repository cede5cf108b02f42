"""The stage contract.

A job's frames go through the stages that its recipe names, in that order: one source (file to light),
any number of stages that change light, one sink (light to named bytes). A stage is pure: no files, no
clock, no global state, no chance that does not come from the frame.

The run streams bands of a few rows from the source through neighbouring `RowStage`s to the next stage, so
that a band stays in the processor's cache. A `MarginStage` streams like them and sees some rows above and
below its own. A `SpanStage` is handed all the rows it asks for at once.
Before that, each stage may prepare itself on the frame at reduced size (`prepare`), and on all frames of
the job (`survey` and `solve`).

The reduced frame goes through the stages in the same order. Each prepares itself on it as the stages
before leave it; then a by-rows stage is applied to it as one band (`first` 0, rows as wide as the reduced
frame), and what a span stage made of its full-size rows is averaged into it. So `apply` of a stage that
streams takes the height of the frame from the band it is handed (`band.height`), never from `facts.height`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, ClassVar, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from panopipe.capture import Capture
from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Notes, Rows

S = TypeVar("S")
"""A stage's settings: a frozen dataclass made with `panopipe.setting`."""

P = TypeVar("P")
"""What a stage prepares on the reduced frame and is handed with each band."""


@dataclass(frozen=True, slots=True)
class Note:
    """What a figure or word that a stage notes is: declared once, beside the stage.

    Attributes
    ----------
    meaning : str
        One line for the photographer.
    unit : str
        Unit of a number, empty for a bare share, a count or a word. It stands in the note's name, too.
    """

    meaning: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Sightline:
    """A frame that another one sees.

    Attributes
    ----------
    to : FrameKey
        The frame that is seen.
    yaw_deg : float
        Where it is in the finished picture: 0 in the middle, growing to the right.
    distance_m : float
        How far away it stood.
    certainty : float
        How sure that is, 0 to 1; 1 for what was given by hand.
    by_hand : bool
        Whether the job file says so.
    """

    to: FrameKey
    yaw_deg: float
    distance_m: float
    certainty: float
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Stand:
    """Where a frame was taken from, and what it sees from there.

    Attributes
    ----------
    part : int
        Which connected part of the shoot; places in different parts have nothing to do with each other.
        -1 for a frame that could not be placed.
    x_m, y_m : float
        Place in the part's plan: to the right and up the page, which is east and north where `true_north`.
    heading_deg : float
        Where the middle of the finished picture looks, from up the page to the right.
    true_north : bool
        Whether the part's plan is turned to true north.
    sights : tuple of Sightline
        Frames that are seen from here, the nearest first.
    doubt : str
        Why a person should look at it, in one sentence, or empty.
    room : str
        Name of the room that is proposed for it: frames that stand in one room have one name.
    """

    part: int = -1
    x_m: float = 0.0
    y_m: float = 0.0
    heading_deg: float = 0.0
    true_north: bool = False
    sights: tuple[Sightline, ...] = ()
    doubt: str = ""
    room: str = ""


@dataclass(frozen=True, slots=True)
class LinkByHand:
    """What the job file says of two frames.

    Attributes
    ----------
    frames : tuple of two FrameKey
        The frames.
    sees : bool
        Whether they see each other.
    yaw_deg : float or None
        Where the first sees the second in its file, if it is given.
    back_yaw_deg : float or None
        Where the second sees the first.
    distance_m : float or None
        How far apart they stood.
    """

    frames: tuple[FrameKey, FrameKey]
    sees: bool = True
    yaw_deg: float | None = None
    back_yaw_deg: float | None = None
    distance_m: float | None = None


@dataclass(frozen=True, slots=True)
class JobFacts:
    """What the joint solution of a job may know besides the observations.

    Attributes
    ----------
    rooms : mapping of str to sequence of FrameKey
        Frames of each room, in walking (name) order.
    reference : FrameKey or None
        The frame whose white the photographer trusts, from the job file.
    links : tuple of LinkByHand
        Links between frames that the job file corrects.
    north : mapping of FrameKey to float
        Headings of the middle of frames' files from true north, in degrees, from the job file.
    """

    rooms: Mapping[str, Sequence[FrameKey]]
    reference: FrameKey | None = None
    links: tuple[LinkByHand, ...] = ()
    north: Mapping[FrameKey, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Observation(Generic[S]):
    """What a stage saw of one frame in the survey.

    Attributes
    ----------
    seen : object
        What `Stage.survey` returned; small and picklable.
    settings : S
        The frame's own settings for the stage.
    facts : FrameFacts
        The frame's facts.
    """

    seen: Any
    settings: S
    facts: FrameFacts


@dataclass(frozen=True, slots=True)
class Solution:
    """What the joint solution says for one frame; small, picklable, the same on every run.

    Attributes
    ----------
    data : object
        The stage's own; handed back to it in `StageContext.solution`. It is part of the fingerprint of the
        frame's output, so let it hold no more than what changes the picture.
    correction : ndarray of shape (3, 3), dtype float64, or None
        Set by white balance: the correction it will apply, working space to working space. The run puts
        it into `FrameFacts.correction` before the first stage.
    light : ndarray of shape (height, width, 2), dtype float32, or None
        Set by white balance as well, and put into `FrameFacts.light`: how the light of each place differs
        from the white that `correction` makes neutral.
    neighbours : tuple of FrameKey
        Frames whose rows the stage wants to see in `StageContext.neighbours` (span stages only).
    notes : Notes
        Named figures for the review.
    stand : Stand or None
        Where the frame was taken from, from the stage that finds that out; for the map and the links.
    """

    data: Any = None
    correction: NDArray[np.float64] | None = None
    light: NDArray[np.float32] | None = None
    neighbours: tuple[FrameKey, ...] = ()
    notes: Notes = field(default_factory=dict)
    stand: Stand | None = None


class Solutions(Mapping[FrameKey, Solution]):
    """Solutions that are made when they are asked for: a run asks for all, whoever tunes a frame for one.

    Parameters
    ----------
    keys : sequence of FrameKey
        Frames that there are solutions for.
    make : callable
        Makes the solution of a frame, the same each time.
    """

    def __init__(self, keys: Sequence[FrameKey], make: Callable[[FrameKey], Solution]) -> None:
        self._keys, self._make = dict.fromkeys(keys), make

    def __getitem__(self, key: FrameKey) -> Solution:
        if key not in self._keys:
            raise KeyError(key)
        return self._make(key)

    def __iter__(self) -> Iterator[FrameKey]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)


@dataclass(frozen=True, slots=True)
class StageContext:
    """What a stage may look at before it changes a frame.

    Attributes
    ----------
    reduced : Frame
        The whole frame at reduced size (1024 wide, or the frame itself if smaller), as the stages before
        this one leave it.
    solution : object
        `Solution.data` of this stage for this frame; None if it does not survey.
    pictures : mapping of str to ndarray
        Pictures that the settings name, by setting: float32 (height, width, 4), linear light in the
        working space with straight alpha in 0 to 1.
    neighbours : mapping of FrameKey to Band
        Rows of the neighbours that the solution asked for, the same rows as the stage's own span, at the
        same point of the pipeline. They are made when they are asked for, at the cost of so many rows of a
        frame. A neighbour that could not be had is missing.
    memory : dict
        What the stage found out on this very frame, with whatever settings: it may put there what it would
        find again. Empty in a run; a frame that is tuned comes with what was put there last time.
    """

    reduced: Frame
    solution: Any = None
    pictures: Mapping[str, Rows] = field(default_factory=dict)
    neighbours: Mapping[FrameKey, Band] = field(default_factory=dict)
    memory: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Prepared(Generic[P]):
    """What a stage makes of a `StageContext`, before any row is changed.

    Attributes
    ----------
    data : P or None
        Handed to `apply` with each band. None means: nothing to do, pass the frame untouched.
    notes : Notes
        Named figures for the review: those of `Stage.notes`, and what was chosen for settings left to the
        stage, under the setting's own name.
    review_reasons : tuple of str
        Plain sentences why a person should look at this frame.
    facts : FrameFacts or None
        The frame's facts after this stage, where it changes them (a correction that is applied now, a lean
        that is gone); None leaves them. Key, size and anchor stay as they are.
    """

    data: P | None = None
    notes: Notes = field(default_factory=dict)
    review_reasons: tuple[str, ...] = ()
    facts: FrameFacts | None = None


@dataclass(frozen=True, slots=True)
class Applied:
    """A span stage's result: the rows, and what it found out while working."""

    rows: Rows
    notes: Notes = field(default_factory=dict)
    review_reasons: tuple[str, ...] = ()


class Stage(ABC, Generic[S]):
    """What every stage declares.

    Attributes
    ----------
    name : str
        One word of the trade; the recipe's table has this name.
    version : int
        Raised whenever the same frame and settings give another picture; what was made is then re-made.
    summary : str
        One line for the photographer.
    Settings : type
        Frozen dataclass made with `panopipe.setting`. Neutral values exist and change nothing.
    notes : mapping of str to Note
        What the stage may note of a frame, by name; a number's unit ends its name.
    survey_settings : tuple of str or None
        Settings that `survey` and `solve` look at; None for all. They are handed the others at their built-in
        values, so that a change of those asks for no new look at the frames.
    solve_settings : tuple of str
        Settings among these that `solve` alone looks at, so that a change of one asks for a new solution and
        no new look. `survey` is handed them at their built-in values.
    """

    name: ClassVar[str]
    version: ClassVar[int]
    summary: ClassVar[str]
    Settings: ClassVar[type]
    notes: ClassVar[Mapping[str, Note]] = {}
    survey_settings: ClassVar[tuple[str, ...] | None] = None
    solve_settings: ClassVar[tuple[str, ...]] = ()

    @property
    def surveys(self) -> bool:
        """Whether `survey` and `solve` are to be called before any frame is finished."""
        return type(self).survey is not Stage.survey

    def settings_for_survey(self, settings: S) -> S:
        """Return the settings as `solve` is handed them."""
        if self.survey_settings is None:
            return settings
        made: S = self.Settings(**{name: getattr(settings, name) for name in self.survey_settings})
        return made

    def settings_for_look(self, settings: S) -> S:
        """Return the settings, as `solve` is handed them, as `survey` is."""
        if not self.solve_settings:
            return settings
        names = [own.name for own in fields(self.Settings) if own.name not in self.solve_settings]
        made: S = self.Settings(**{name: getattr(settings, name) for name in names})
        return made

    def survey(self, frame: Frame, settings: S) -> Any:
        """Observe one frame at reduced size, straight from the source; small and picklable."""
        raise TypeError(f"stage {self.name} does not survey")

    def solve(
        self, observed: Mapping[FrameKey, Observation[S]], job: JobFacts
    ) -> Mapping[FrameKey, Solution]:
        """Join the observations of all frames into one solution for each; independent of their order.

        In a run an observation is read when it is asked for, and of a large job only the last few are held:
        go through them one by one, and keep of each what is wanted of all. `Solutions` may ask again.
        """
        raise TypeError(f"stage {self.name} does not survey")


class RowStage(Stage[S], Generic[S, P]):
    """A stage whose output row needs only the same input row and what was prepared."""

    @abstractmethod
    def prepare(self, context: StageContext, settings: S) -> Prepared[P]:
        """Find on the reduced frame what `apply` needs."""

    @abstractmethod
    def apply(self, band: Band, settings: S, prepared: P) -> Rows:
        """Return the band's rows as they shall be; may write into `band.rows`.

        The same bits must come out however the frame is cut into bands. The reduced frame comes through
        here too, as one band of another width than `facts.width`; `band.height` is right for both.
        """


class MarginStage(Stage[S], Generic[S, P]):
    """A stage whose output row needs the input rows around it too, a few above and a few below.

    It streams like a `RowStage`: each input row is made once and held for as long as it is needed.
    """

    @abstractmethod
    def margin_rows(self, height: int, settings: S) -> int:
        """Rows to see above and below, in a frame `height` rows high; from 0 to `height`.

        A reach in degrees takes more rows in a larger frame: the reduced frame comes through here too.
        """

    @abstractmethod
    def prepare(self, context: StageContext, settings: S) -> Prepared[P]:
        """Find on the reduced frame what `apply` needs."""

    @abstractmethod
    def apply(self, band: Band, settings: S, prepared: P) -> Rows:
        """Return rows `band.first` to `band.last` as they shall be, without the margin, in a new array.

        `band.rows` also holds `band.margin` rows above and below, continued over the poles by a half-turn,
        and cannot be written to. At the sides a row goes on at its other end. The same bits must come out
        however the frame is cut into bands, and the reduced frame comes through as for a `RowStage`.
        """


class SpanStage(Stage[S], Generic[S, P]):
    """A stage that needs many rows, or all, at once."""

    @abstractmethod
    def span(self, facts: FrameFacts, settings: S) -> tuple[int, int]:
        """First row and one past the last row that the stage reads or changes; equal if none."""

    @abstractmethod
    def prepare(self, context: StageContext, settings: S) -> Prepared[P]:
        """Find what `apply` needs on the reduced frame, the solution, pictures and neighbours."""

    @abstractmethod
    def apply(self, band: Band, settings: S, prepared: P) -> Applied:
        """Return the whole span as it shall be; may write into `band.rows`."""


class FrameReader(ABC):
    """A frame's file, open for reading rows as linear light. Close it, or use it with `with`.

    Attributes
    ----------
    facts : FrameFacts
        Of the frame.
    notes : mapping of str to float or str
        What opening it found out, for the photographer.
    probed : object, optional
        What looking at its samples found out: plain data (`panopipe.state.serialization`). A run keeps it and
        hands it to `SourceStage.open` when the same files are opened again with the same settings.
    review_reasons : tuple of str
        Plain sentences why a person should look at the frame, such as damage to its file.
    """

    facts: FrameFacts
    notes: Notes
    probed: Any = None
    review_reasons: tuple[str, ...] = ()

    @abstractmethod
    def reduced(self, width: int) -> Rows:
        """Return the whole frame at `width` by `width`/2, area-averaged; the full frame if smaller."""

    @abstractmethod
    def read(self, first: int, last: int) -> Rows:
        """Rows `first` to `last` of the full frame, anchor column first; a new array each time.

        The same bits however the frame is cut into bands.
        """

    def read_into(self, first: int, rows: Rows) -> Rows:
        """Rows from `first` on, as many as `rows` has, an array in one piece that they may be written into.

        Returns it, or a new array, as by default.
        """
        return self.read(first, first + len(rows))

    @abstractmethod
    def close(self) -> None:
        """Let go of the file."""

    def __enter__(self) -> FrameReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(frozen=True, slots=True)
class TakeFault:
    """What is wrong with a take against the others of its stand.

    Attributes
    ----------
    kind : str
        In the words of the trade: "flare spot".
    figure : float
        How much.
    unit : str
        "%" of the sphere, "EV", "deg" or "px".
    yaw_deg, pitch_deg : float or None
        Where in its file; None if it is everywhere.
    private : bool
        Whether it may be a person.
    """

    kind: str
    figure: float
    unit: str
    yaw_deg: float | None = None
    pitch_deg: float | None = None
    private: bool = False


@dataclass(frozen=True, slots=True)
class JudgedTake:
    """One take of a stand: its faults, the worst first, and a small JPEG that shows where they are."""

    faults: tuple[TakeFault, ...] = ()
    picture: bytes = b""


@dataclass(frozen=True, slots=True)
class FileGroup:
    """Files that are one frame together.

    Attributes
    ----------
    kind : str
        What they are to each other; "exposures" are merged when the frame is opened, of "takes" one is
        chosen.
    members : tuple of int
        Their places in the list of files that was given; the first gives the frame its name.
    said : str
        The group in words, for the photographer: "5 exposures, 2 EV apart".
    chosen : int
        Of takes, the member to finish.
    takes : tuple of JudgedTake
        What was found on each of them, in the order of `members`.
    doubt : str
        Why the choice is not clear; empty if it is.
    """

    kind: str
    members: tuple[int, ...]
    said: str
    chosen: int = 0
    takes: tuple[JudgedTake, ...] = ()
    doubt: str = ""


class SourceStage(Stage[S]):
    """The first stage: files in, light out."""

    def candidates(self, files: Sequence[Path]) -> Sequence[tuple[int, ...]]:
        """Return which files of a room may be one frame together, by places in the list.

        Asked of every room at every run, so nothing but headers is read. Those of one candidate come in the
        order in which `groups` is to see them.
        """
        return ()

    def groups(self, files: Sequence[Path]) -> tuple[Sequence[FileGroup], Sequence[str]]:
        """Return which files of one candidate are one frame, and a line for each that was in doubt."""
        return (), ()

    def judged_takes(self, files: Sequence[Path]) -> FileGroup:
        """Judge files that are takes of one stand because the job file says so.

        Raises
        ------
        ValueError
            If one of them cannot be looked at.
        OSError
            If one cannot be read.
        """
        raise ValueError(f"{self.name} does not judge takes")

    @abstractmethod
    def open(self, files: Sequence[Path], key: FrameKey, settings: S, probed: Any = None) -> FrameReader:
        """Open the files of one frame (one, or the exposures of a bracket).

        `probed` is what `FrameReader.probed` was before, or something else from a job folder that a
        stranger made: it is to be checked, and is left out of the call where the source never gave any.

        Raises
        ------
        ValueError
            If a file is not a frame that panopipe takes; the message says what it is and what to do.
        OSError
            If a file cannot be read.
        """


@dataclass(frozen=True, slots=True)
class Output:
    """A finished file that is not yet written: what to put behind the frame's name, and its bytes."""

    suffix: str
    data: bytes | memoryview


@dataclass(frozen=True, slots=True)
class Rights:
    """Who holds the rights in the pictures and how to reach them, from the job file."""

    title: str = ""
    creator: str = ""
    copyright: str = ""
    contact_url: str = ""
    contact_email: str = ""


class Sink(ABC):
    """A frame on its way out, band after band from the top."""

    @abstractmethod
    def take(self, band: Band) -> None:
        """Take the next rows."""

    @abstractmethod
    def finish(self) -> Sequence[Output]:
        """All rows were taken: the files of this frame, the first of them the main one."""


class SinkStage(Stage[S]):
    """The last stage: light in, named bytes out."""

    @abstractmethod
    def outputs(self, settings: S) -> tuple[str, ...]:
        """Suffixes of the files that `Sink.finish` will give, known beforehand, the main one first."""

    def remark(self, facts: FrameFacts, settings: S) -> str:
        """Return how the files of such a frame will differ from what the settings ask for; empty if not."""
        return ""

    def pictures(self, settings: S) -> Mapping[str, object]:
        """By suffix, what of the settings decides the picture in a file, and not only its metadata.

        The files that are named here can be given other metadata by `relabelled`, and the frame need not be
        finished again for it. By default none are.
        """
        return {}

    def relabelled(self, data: bytes, capture: Capture, settings: S, rights: Rights) -> bytes:
        """A finished file with the metadata that settings and rights ask for, its picture as it is.

        It must be what finishing the frame again would give. `capture` is how the frame was taken, as the
        stages left it. By default files hold no metadata.
        """
        return data

    @abstractmethod
    def start(self, context: StageContext, settings: S, rights: Rights) -> Sink:
        """Begin a frame of the size that `context.reduced.facts` tells."""
