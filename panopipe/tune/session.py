"""One sitting of tuning: the job looked at, pictures with what is tried, and what is kept."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from panopipe.errors import one_line
from panopipe.frame import FrameKey
from panopipe.job import OVERRIDES, RECIPE_FILE, Job, open_job
from panopipe.job.places import place
from panopipe.pipeline.held import Shown
from panopipe.recipe import FrameSettings, Recipe, load_recipe
from panopipe.recipe.edit import Change, carried, check_content, settings_locked
from panopipe.recipe.journal import Step, put_again, read_journal, take_back, write_step
from panopipe.run.job_run import Options, look_at_job
from panopipe.run.plan import plan_frames
from panopipe.stage import Output
from panopipe.state.lock import run_at_work
from panopipe.state.run_log import ProgressReporter
from panopipe.tune.bench import Bench, Tried
from panopipe.tune.controls import controls, gestures, values
from panopipe.tune.doubts import Doubts
from panopipe.tune.draft import Draft, Level, changes_of, tried, with_changes
from panopipe.tune.latest import LatestRequests
from panopipe.tune.loupe import Loupe, Spot

WIDTH = 1536
"""Columns of the picture that is tuned by."""
SMALL_WIDTH = 512
"""Columns of the pictures of other rooms."""
_RUN_AGAIN_S = 1.0


@dataclass(frozen=True, slots=True)
class Asked:
    """Who asks for a picture: the page, and the number of its request."""

    page: str
    number: int


@dataclass(frozen=True, slots=True)
class Answer:
    """A picture, and what goes with it as plain values."""

    output: Output
    told: Mapping[str, Any]


class Session:
    """Tunes frames of a job.

    Parameters
    ----------
    folder : Path
        The job folder.
    start : str
        Room or frame to begin with; empty for the first.
    options : Options
        How to look at the job.

    Raises
    ------
    ValueError, OSError
        If the job or its recipe is wrong, or there is no such room or frame.
    """

    def __init__(self, folder: Path, start: str = "", options: Options | None = None) -> None:
        self.job: Job = open_job(folder)
        self._recipe = load_recipe(self.job)
        self._options = options or Options()
        self.start = _frame_of(self.job, start)
        self.doubts = Doubts(folder)
        self._requests, self._full_size = LatestRequests(), LatestRequests()
        self._bench: Bench | None = None
        self._loupe: Loupe | None = None
        self._failed: Mapping[FrameKey, str] = {}
        self._said, self._fault = "Opening the job", ""
        self._stamp = _stamp(self.job)
        self._reading = threading.Lock()

    def look(self) -> None:
        """Look at all frames of the job; while a run works on it, wait until it has ended."""
        while self._bench is None:
            try:
                looked = look_at_job(self.job, self._recipe, self._options, _Reporter(self))
            except BlockingIOError as error:
                self._said = f"Waiting: {one_line(error)}"
                time.sleep(_RUN_AGAIN_S)
            except (ValueError, OSError) as error:
                self._fault = one_line(error)
                return
            else:
                self.job, self._failed = looked.job, looked.failed  # as the look put its files together
                if self.start not in self.job.frames:
                    self.start = _frame_with(self.job, self.start)
                bench = Bench(looked)
                bench.take(self._recipe)
                self._loupe, self._bench = Loupe(bench, WIDTH), bench

    def close(self) -> None:
        """Let go of the frame that is open at full size."""
        if self._loupe is not None:
            self._loupe.close()

    def say(self, text: str) -> None:
        """Note how the look goes."""
        self._said = text

    def state(self) -> dict[str, Any]:
        """How it stands: ready or not, whether a run works on the job, what files say has changed."""
        self._read_again()
        return {
            "ready": self._bench is not None,
            "said": self._said,
            "fault": self._fault,
            "run": run_at_work(self.job.folder),
            "stamp": self._stamp,
        }

    def overview(self) -> dict[str, Any]:
        """Rooms and frames, and where to begin."""
        keys = list(self.job.frames)
        rooms = [
            {
                "name": room,
                "frames": [
                    {"id": keys.index(key), "name": key.name, "fault": self._failed.get(key, "")}
                    for key in frames
                ],
            }
            for room, frames in self.job.rooms.items()
        ]
        return {"title": self.job.title, "rooms": rooms, "start": keys.index(self.start)}

    def frame(self, number: int) -> dict[str, Any]:
        """Controls of a frame, what is in force for it, and the stamp of the files that say so."""
        key = self.key(number)
        settings = self._recipe.settings(key)
        return {
            "controls": controls(settings),
            "gestures": gestures(settings),
            "values": values(key, settings),
            "own": _says_anything(self._recipe, key),
            "stamp": self._stamp,
        }

    def key(self, number: int) -> FrameKey:
        """The frame of a number.

        Raises
        ------
        ValueError
            If there is none.
        """
        keys = list(self.job.frames)
        if not 0 <= number < len(keys):
            raise ValueError(f"no frame {number}")
        return keys[number]

    def picture(self, number: int, draft: Draft, asked: Asked, *, quick: bool = False) -> Answer:
        """A frame with a draft.

        Raises
        ------
        ValueError
            If a value of the draft is not allowed.
        StageError
            If a stage fails.
        Superseded
            If the page asked for another meanwhile.
        """
        key, bench = self.key(number), self._ready()
        with self._requests.turn(f"{asked.page} picture", asked.number) as is_wanted:
            settings = tried(self.job, self._recipe, key, draft)
            frame = bench.tried(key, settings, quick=quick)
            shown = bench.show(frame, WIDTH, quick=quick, is_wanted=is_wanted)
        told = _told(key, settings, shown)
        return Answer(shown.outputs[0], {**told, "has_finer": frame.light.facts.width > WIDTH})

    def piece(self, number: int, draft: Draft, spot: Spot, asked: Asked) -> Answer:
        """A piece of a frame at full size; raises as `picture`."""
        return self._at_full_size(
            number, draft, asked, lambda loupe, frame, wanted: loupe.piece(frame, spot, wanted)
        )

    def fine(self, number: int, draft: Draft, asked: Asked) -> Answer:
        """A frame with a draft, worked on at full size and reduced; raises as `picture`."""
        return self._at_full_size(number, draft, asked, Loupe.whole)

    def _at_full_size(
        self,
        number: int,
        draft: Draft,
        asked: Asked,
        make: Callable[[Loupe, Tried, Callable[[], bool]], Output],
    ) -> Answer:
        """Work at full size beside the small pictures, until the page asks for another of those."""
        key, bench = self.key(number), self._ready()
        assert self._loupe is not None
        with self._full_size.turn(f"{asked.page} full size", asked.number) as is_newest:

            def is_wanted() -> bool:
                return is_newest() and self._requests.is_newest(f"{asked.page} picture", asked.number)

            frame = bench.tried(key, tried(self.job, self._recipe, key, draft))
            return Answer(make(self._loupe, frame, is_wanted), {})

    def as_recorded(self, number: int) -> bytes:
        """JPEG of a frame as decoded.

        Raises
        ------
        OSError
            If it was not kept.
        """
        planned = plan_frames(self.job, self._recipe)[self.key(number)]
        return (self.job.folder / planned.before).read_bytes()

    def keep(self, number: int, draft: Draft, level: Level, *, write: bool) -> tuple[Change, ...]:
        """Changes of recipe files that keep a draft; written if told so.

        Raises
        ------
        ValueError
            If a value or a file is wrong.
        OSError
            If a file cannot be written.
        """
        key = self.key(number)
        with settings_locked(self.job):
            changes = changes_of(self.job, load_recipe(self.job), key, draft, level)
            if write:
                write_step(self.job, f"keep {_place(key, level)} {' '.join(_words(draft))}".strip(), changes)
        if write:
            self._read_again()
        return changes

    def carry(
        self, source: str, rooms: Sequence[str], stages: Sequence[str], *, write: bool
    ) -> tuple[Change, ...]:
        """Changes that give rooms the settings of a room or a frame; written if told so. Raises as `keep`."""
        with settings_locked(self.job):
            changes = carried(self.job, source, rooms, stages)
            if write:
                write_step(self.job, f"carry {source} {' '.join(rooms)}", changes)
        if write:
            self._read_again()
        return changes

    def carried_picture(
        self, number: int, source: str, stages: Sequence[str], asked: Asked, *, after: bool
    ) -> Answer:
        """A small picture of a frame of another room, as it is or with what would be carried to its room."""
        key, bench = self.key(number), self._ready()
        recipe = self._recipe
        if after:
            changes = carried(self.job, source, [key.room], stages)
            layers = {
                change.file: check_content(self.job, change.file, change.content or "") for change in changes
            }
            recipe = with_changes(self.job, recipe, layers)
        with self._requests.turn(f"{asked.page} carried", asked.number) as is_wanted:
            settings = recipe.settings(key)
            shown = bench.show(bench.tried(key, settings, recipe), SMALL_WIDTH, is_wanted=is_wanted)
        return Answer(shown.outputs[0], _told(key, settings, shown))

    def undo(self) -> Step:
        """Take the last step back that was written. Raises as `take_back`."""
        step = take_back(self.job)
        self._read_again()
        return step

    def redo(self) -> Step:
        """Write the step again that was taken back last. Raises as `put_again`."""
        step = put_again(self.job)
        self._read_again()
        return step

    def steps(self) -> dict[str, Any]:
        """Steps that were written, the newest last, and how many of them stand."""
        journal = read_journal(self.job)
        return {"said": [step.said for step in journal.steps], "standing": journal.standing}

    def _ready(self) -> Bench:
        if self._bench is None:
            raise ValueError(self._fault or self._said)
        return self._bench

    def _read_again(self) -> None:
        """Read the recipe again if a file of it is another by now; if it is wrong, the last right stays."""
        with self._reading:
            stamp = _stamp(self.job)
            if stamp == self._stamp:
                return
            try:
                self._recipe = load_recipe(self.job)
                self._fault = ""
            except ValueError as error:
                self._fault = one_line(error)
                return
            self._stamp = stamp
            if self._bench is not None:
                self._bench.take(self._recipe)


class _Reporter(ProgressReporter):
    """Tells the page how the look goes."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def line(self, text: str) -> None:
        self._session.say(text)

    def progress(self, text: str) -> None:
        self._session.say(text)


def _frame_of(job: Job, where: str) -> FrameKey:
    """The frame to begin with."""
    if not where:
        return next(iter(job.frames))
    meant = place(job, where)
    if meant.frame is not None:
        return meant.frame
    return job.rooms[meant.room][0] if meant.room else next(iter(job.frames))


def _frame_with(job: Job, key: FrameKey) -> FrameKey:
    """The frame that a file was put into."""
    within = (frame for frame, members in job.members.items() if key in members)
    return next(within, next(iter(job.frames)))


def _told(key: FrameKey, settings: FrameSettings, shown: Shown) -> dict[str, Any]:
    return {
        "exact": shown.exact,
        "turned_deg": 360 * shown.reduced.facts.turned_columns / shown.reduced.facts.width,
        "values": values(key, settings),
        "notes": shown.notes,
        "reasons": [reason for reasons in shown.review_reasons.values() for reason in reasons],
    }


def _says_anything(recipe: Recipe, key: FrameKey) -> dict[str, list[str]]:
    """Stages that the files of a frame's room, and of the frame with its room, set."""
    room = recipe.rooms.get(key.room)
    frame = recipe.frames.get(key)
    of_room = {table for table, _ in room.values} if room else set()
    of_frame = of_room | ({table for table, _ in frame.values} if frame else set())
    return {"room": sorted(of_room), "frame": sorted(of_frame)}


def _place(key: FrameKey, level: Level) -> str:
    return {"frame": str(key), "room": key.room, "job": "job"}[level]


def _words(draft: Draft) -> Iterator[str]:
    for name, value in draft.items():
        yield name if value is None else f"{name}={value}"


def _stamp(job: Job) -> str:
    """Tells one state of the recipe files from another without reading them."""
    paths = [job.folder / RECIPE_FILE, *sorted((job.folder / OVERRIDES).rglob("*.toml"))]
    facts = [(path.relative_to(job.folder).as_posix(), path.stat()) for path in paths if path.is_file()]
    return repr(hash(tuple((name, stat.st_size, stat.st_mtime_ns) for name, stat in facts)))
