"""What the phases of a run share: the job, its plan, the ledger, the workers, and how it goes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Set
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace

from panopipe.errors import one_line
from panopipe.frame import FrameFacts, FrameKey
from panopipe.job import Job
from panopipe.pool.budget import Workers, workers_for
from panopipe.pool.dispatch import Inline
from panopipe.pool.worker_pool import WorkerPool
from panopipe.recipe import Recipe
from panopipe.run.frame_files import source_fingerprint
from panopipe.run.plan import Planned, plan_frames
from panopipe.state.file_stamp import FileStamp, hashed
from panopipe.state.ledger import Entry, Ledger
from panopipe.state.record import FrameRecord
from panopipe.state.run_log import RunLog
from panopipe.state.solutions import Outline

WORK = "panopipe.run.work"
"""What a worker imports before its first task."""
Say = Callable[[str], None]
HANG_LIMIT_S = 3600.0
"""Longest that a frame may take by default; generous, it only has to end what would never end."""


@dataclass(frozen=True, slots=True)
class Options:
    """How to run.

    Attributes
    ----------
    only : collection of FrameKey or None
        Frames to finish; all if None. The whole job is looked at all the same, for what is solved jointly.
    workers : int or None
        Worker processes; as many as fit if None.
    limit_s : float
        Longest that one frame may take, in seconds.
    rehash : bool
        Hash all originals, even those whose size and time are unchanged.
    executor : callable or None
        Makes the executor for a number of workers, which may say lines to the user by its second argument;
        worker processes of this machine if None.
    budget : callable
        Says how many workers frames of these sizes get, and why; as many as fit into this machine by default.
    """

    only: Collection[FrameKey] | None = None
    workers: int | None = None
    limit_s: float = HANG_LIMIT_S
    rehash: bool = False
    executor: Callable[[int, Say], Executor] | None = None
    budget: Callable[..., Workers] = workers_for


@dataclass(slots=True)
class Summary:
    """How a run went.

    Attributes
    ----------
    finished, already, failed : list of FrameKey
        Frames finished now, frames that were finished before and needed nothing, frames that failed.
    errors : dict of FrameKey to str
        One line for each failed frame.
    stopped : str
        Why the run stopped before its end, or empty.
    interrupted : bool
        Whether the user stopped it.
    left : int
        Frames not come to when the run stopped.
    seconds : float
        Time it took.
    log : str
        The log of the run, relative to the job folder.
    unread : mapping of str to str
        Room folders that could not be read, and why; none if only some frames were wanted.
    """

    finished: list[FrameKey] = field(default_factory=list)
    already: list[FrameKey] = field(default_factory=list)
    failed: list[FrameKey] = field(default_factory=list)
    errors: dict[FrameKey, str] = field(default_factory=dict)
    stopped: str = ""
    interrupted: bool = False
    left: int = 0
    seconds: float = 0.0
    log: str = ""
    unread: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Surveyed:
    """A frame that was looked at: the fingerprint that the ledger has its facts under, and its size."""

    source: str
    width: int
    height: int

    @property
    def pixels(self) -> int:
        """Pixels of the frame."""
        return self.width * self.height


class Session:
    """One run over a job, from its plan to its summary.

    Parameters
    ----------
    job : Job
        The job.
    recipe : Recipe
        Its settings.
    options : Options
        How to run.
    run_log : RunLog
        Screen, log and events.
    ledger : Ledger
        What is known from runs before.

    Attributes
    ----------
    keeps_small : bool
        Whether looking at a frame keeps its light for proofs.
    solved : dict of str to str
        By stage, the fingerprint of the joint solution in force; the solutions themselves are in the ledger.
    """

    def __init__(self, job: Job, recipe: Recipe, options: Options, run_log: RunLog, ledger: Ledger) -> None:
        self.job, self.recipe, self.options = job, recipe, options
        self.run_log, self.ledger = run_log, ledger
        self.frames = plan_frames(job, recipe)
        self.wanted: Set[FrameKey] = self.frames.keys() if options.only is None else set(options.only)
        self.stamps = {} if options.rehash else self._unchanged(ledger.originals())
        self.surveyed: dict[FrameKey, Surveyed] = {}
        self.solved: dict[str, str] = {}
        self.summary = Summary(log=run_log.path, unread=job.unread if options.only is None else {})
        self.keeps_small = False
        self._pool: tuple[int, Executor] | None = None

    def source_fingerprint_of(self, planned: Planned) -> str:
        """Fingerprint of a frame's light; its originals must have been hashed."""
        return source_fingerprint({path: self.stamps[path] for path in planned.paths}, planned.source)

    def facts(self, key: FrameKey) -> FrameFacts:
        """Facts of a frame that was looked at."""
        return replace(self.ledger.facts(self.surveyed[key].source), key=key)

    def stamp(self, name: str) -> FileStamp:
        """Size, time and hash of a file of the job, read only if it changed."""
        if name not in self.stamps:
            self.stamps[name] = hashed(self.job.folder / name)
            self.ledger.put_originals({name: self.stamps[name]})
        return self.stamps[name]

    def outlines(self, key: FrameKey) -> dict[str, Outline]:
        """What of a frame's solutions is to be known before it is made, by stage."""
        return self.ledger.solutions.outlines(key, self.solved)

    def solutions(self, key: FrameKey) -> dict[str, str]:
        """A frame's solutions by stage, as they were spelled."""
        return self.ledger.solutions.spelled(key, self.solved)

    def neighbours(self, outlines: Mapping[str, Outline], key: FrameKey) -> list[FrameKey]:
        """Frames whose rows a frame's solutions ask for, and that can be had."""
        wanted = [other for outline in outlines.values() for other in outline.neighbours]
        return [other for other in dict.fromkeys(wanted) if other in self.surveyed and other != key]

    def failed(self, key: FrameKey, error: str, cause: BaseException | None = None) -> None:
        """Note that a frame failed; it costs only itself."""
        planned, before, surveyed = self.frames[key], self.ledger.entry(key), self.surveyed.get(key)
        line = one_line(ValueError(error))
        record = FrameRecord(
            key,
            "failed",
            planned.paths,
            before=planned.before if surveyed else "",
            width=surveyed.width if surveyed else 0,
            height=surveyed.height if surveyed else 0,
            settings=planned.effective(),
            order=planned.settings.order,
            error=f"{key}: {line}",
            set_aside=planned.entry.set_aside,
        )
        self.ledger.put({key: Entry("", record, before.files if before else {})})
        if key in self.wanted:
            self.summary.failed.append(key)
            self.summary.errors[key] = line
        self.run_log.line(f"{key}: failed: {line}")
        self.run_log.event("failed", key, error=line, kind=type(cause).__name__ if cause else "")

    def call(self, pixels: list[int], what: str) -> Executor:
        """Workers for frames of these sizes; says how many and why."""
        workers = self.options.budget(pixels, wanted=self.options.workers)
        frames = f"{len(pixels)} frame{'s' if len(pixels) != 1 else ''}"
        many = f"{workers.count} worker{'s' if workers.count != 1 else ''}"
        self.run_log.line(f"{frames} to {what}, with {many} ({workers.why})")
        return self._workers(workers.count)

    def call_one(self) -> Executor:
        """One new worker, for what failed."""
        self.dismiss()
        return self._workers(1)

    def at_hand(self) -> Executor:
        """The workers that are there, or as many as the frames that were looked at will want."""
        if self._pool:
            return self._pool[1]
        pixels = (surveyed.pixels for surveyed in self.surveyed.values())
        return self._workers(self.options.budget(pixels, wanted=self.options.workers).count)

    def call_inline(self) -> Executor:
        """No worker at all: for a few small pictures the start of a process would cost more than the work."""
        self.dismiss()
        self._pool = (0, Inline())
        return self._pool[1]

    def dismiss(self) -> None:
        """End the workers, whatever they are at."""
        if self._pool:
            pool = self._pool[1]
            self._pool = None
            if hasattr(pool, "kill"):
                pool.kill()
            else:
                pool.shutdown(cancel_futures=True)

    def _workers(self, count: int) -> Executor:
        if not (self._pool and self._pool[0] == count):
            self.dismiss()
            limit_s, make = self.options.limit_s, self.options.executor
            made = make(count, self.run_log.line) if make else WorkerPool(count, limit_s, (WORK,))
            self._pool = (count, made)
        return self._pool[1]

    def _unchanged(self, known: Mapping[str, FileStamp]) -> dict[str, FileStamp]:
        """Hashes of the files whose size and time are still those of the ledger."""
        names = {path for planned in self.frames.values() for path in planned.paths}
        names |= {
            n for p in self.frames.values() for pictures in p.pictures.values() for n in pictures.values()
        }
        return {
            name: known[name]
            for name in sorted(names & set(known))
            if known[name].same_stat(self.job.folder / name)
        }
