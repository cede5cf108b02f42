"""Before a run: which files are one frame together, as far as the job file does not say it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from panopipe.errors import one_line
from panopipe.frame import FrameKey
from panopipe.job import TAKES, FrameEntry, Group, Job
from panopipe.job.grouping import (
    Recognised,
    grouped,
    keep_recognised,
    looked_at,
    read_recognised,
    stat_of,
    still_true,
)
from panopipe.pool.dispatch import dispatch
from panopipe.pool.worker_pool import WorkerPool
from panopipe.recipe import Recipe
from panopipe.registry import loaded_stage
from panopipe.run.session import Options
from panopipe.stage import FileGroup, SourceStage
from panopipe.state.run_log import ProgressReporter

_LIMIT_S = 900.0


@dataclass(frozen=True, slots=True)
class GroupingTask:
    """Files of one room that may be one frame: the source stage that reads them, and where they are.

    `takes` says that they are takes of one stand, because the job file says so.
    """

    source: str
    folder: str
    paths: tuple[str, ...]
    takes: bool = False


def recognised(
    job: Job,
    recipe: Recipe,
    reporter: ProgressReporter,
    *,
    keeps: bool,
    options: Options | None = None,
) -> Job:
    """Put files together that show one place.

    What an earlier run found is believed while the files of a room stay what they were.

    Parameters
    ----------
    job : Job
        The job.
    recipe : Recipe
        Says which stage reads the files.
    reporter : ProgressReporter
        Where to say how it goes.
    keeps : bool
        Whether to keep what is found in the job folder.
    options : Options, optional
        Where the work is done.
    """
    work = _Work(job, recipe)
    if work.tasks:
        options = options or Options()
        count = options.budget([0] * len(work.tasks), wanted=options.workers).count
        make = options.executor
        pool = make(count, reporter.line) if make else WorkerPool(count, _LIMIT_S, (__name__,))

        def tick(since: Mapping[FrameKey, float]) -> None:
            rooms = ", ".join(dict.fromkeys(key.room or "the job" for key in since))
            reporter.progress(f"looking for exposures and takes of one place in {rooms}")

        try:
            for key, result in dispatch(pool, file_groups, work.tasks.items(), tick):
                work.take(key, *(result.result or ((), (result.error,))))
                if result.result is None and result.may_pass:
                    work.ask_again(key)
        finally:
            pool.kill() if isinstance(pool, WorkerPool) else pool.shutdown(cancel_futures=True)
    if keeps and work.has_news:
        keep_recognised(job.folder, work.found)
    groups = [group for one in work.found.values() for group in one.groups]
    remarks = [remark for one in work.found.values() for remark in one.remarks]
    return grouped(job, groups, remarks)


def file_groups(task: GroupingTask) -> tuple[tuple[FileGroup, ...], tuple[str, ...]]:
    """Decide which files of a candidate are one frame."""
    stage = loaded_stage(task.source)
    assert isinstance(stage, SourceStage)
    files = [Path(task.folder) / path for path in task.paths]
    if task.takes:
        try:
            return (stage.judged_takes(files),), ()
        except (ValueError, OSError) as error:
            return (), (
                f"{files[0].stem}: its takes are not judged ({one_line(error)}); the first is finished",
            )
    groups, doubts = stage.groups(files)
    return tuple(groups), tuple(doubts)


def _group(found: FileGroup, paths: Sequence[str]) -> Group:
    files = tuple(paths[place] for place in found.members)
    chosen = files[found.chosen] if found.kind == TAKES else ""
    return Group(found.kind, files, found.said, chosen=chosen, takes=found.takes, doubt=found.doubt)


@dataclass(slots=True)
class _Work:
    """What is known of each room, and what is to be looked at."""

    job: Job
    recipe: Recipe
    found: dict[str, Recognised] = field(default_factory=dict)
    tasks: dict[FrameKey, GroupingTask] = field(default_factory=dict)
    has_news: bool = False

    def __post_init__(self) -> None:
        known = read_recognised(self.job.folder)
        rooms = looked_at(self.job)
        self.has_news = set(known) != set(rooms)
        for room, entries in rooms.items():
            source = self._source(entries)
            rule = f"{source} {loaded_stage(source).version}"
            stats = stat_of(self.job.folder, entries)
            by_hand = [group.files for group in self.job.by_hand if group.files[0] in entries]
            is_judged = room in known and set(by_hand) <= {group.files for group in known[room].groups}
            if is_judged and still_true(known[room], rule, stats):
                self.found[room] = known[room]
                continue
            self.has_news = True
            self.found[room] = Recognised(rule, stats)
            self._ask(room, source, list(entries), by_hand)

    def _source(self, entries: Mapping[str, FrameEntry]) -> str:
        first = next(iter(entries.values()))
        return self.recipe.settings(first.key).order[0]

    def _ask(self, room: str, source: str, paths: list[str], by_hand: list[tuple[str, ...]]) -> None:
        stage = loaded_stage(source)
        if not isinstance(stage, SourceStage):
            return
        folder = str(self.job.folder)
        open_to = [path for path in paths if not any(path in files for files in by_hand)]
        tasks = [GroupingTask(source, folder, files, takes=True) for files in by_hand]
        for places in stage.candidates([self.job.folder / path for path in open_to]):
            tasks.append(GroupingTask(source, folder, tuple(open_to[place] for place in places)))
        self.tasks |= {FrameKey(room, str(number)): task for number, task in enumerate(tasks)}

    def take(self, key: FrameKey, groups: tuple[FileGroup, ...], doubts: tuple[str, ...]) -> None:
        """Add what was found in one candidate."""
        paths, before = self.tasks[key].paths, self.found[key.room]
        made = [_group(one, paths) for one in groups]
        told = [f"{key.room}/{doubt}" if key.room else doubt for doubt in doubts]
        self.found[key.room] = Recognised(
            before.rule, before.files, (*before.groups, *made), (*before.remarks, *told)
        )

    def ask_again(self, key: FrameKey) -> None:
        """Have the next run look at a room again that was not seen whole: no rule stands for it now."""
        self.found[key.room] = replace(self.found[key.room], rule="")
