"""Pictures of frames with settings that are tried: made in memory, by the stages of a run."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, replace

from panopipe.frame import Band, FrameKey, Rows
from panopipe.job import Job
from panopipe.pipeline.carried import Inlay, Work, WorksAtFullSize, layout_of
from panopipe.pipeline.frame_pipeline import Neighbour
from panopipe.pipeline.held import HeldFrame, HeldStep, Shown, all_marks
from panopipe.pipeline.steps import StageTimer, check_kinds
from panopipe.recipe import FrameSettings, Recipe
from panopipe.run.frame_files import pictures_of
from panopipe.run.neighbours import Neighbours
from panopipe.run.plan import Planned, plan_frames
from panopipe.run.small_frame import SmallFrame, small_facts
from panopipe.run.surveyed_job import FrameLight, SurveyedJob, frame_light
from panopipe.run.tasks import Chain, FrameFiles, NeighbourTask
from panopipe.state.serialization import dumps
from panopipe.tune.solving import Solved, Solver

_MOST_LIGHTS = 3
_MOST_HELD = 2
"""Frames that are held with all their stages: the one that is tuned, and one more."""
_MOST_BROUGHT = 4
_MOST_AT_FULL_SIZE = 8
"""Frames of which is held what they became at full size, at a small width: some twenty megabytes each."""


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """A frame with settings that are tried, ready to be worked on.

    Attributes
    ----------
    planned : Planned
        The frame and what is in force for it.
    solved : mapping of str to Solved
        Solutions by stage.
    light : FrameLight
        Its light.
    """

    planned: Planned
    solved: Mapping[str, Solved]
    light: FrameLight


class Bench:
    """Works on frames of a job that was looked at.

    Parameters
    ----------
    surveyed_job : SurveyedJob
        The job.
    """

    def __init__(self, surveyed_job: SurveyedJob) -> None:
        self._surveyed_job = surveyed_job
        self._recipe, self._frames = surveyed_job.recipe, _planned(surveyed_job, surveyed_job.recipe)
        self._lights: OrderedDict[Hashable, FrameLight] = OrderedDict()
        self._held: OrderedDict[tuple[FrameKey, Hashable, int], HeldFrame] = OrderedDict()
        self._brought: OrderedDict[Hashable, Band | None] = OrderedDict()
        self._at_full_size: OrderedDict[tuple[FrameKey, int], WorksAtFullSize] = OrderedDict()
        self._solver = Solver(surveyed_job, self.light_of)
        self._sharing = threading.RLock()
        """Held while what is kept is looked up: another thread may work on a frame at full size."""

    @property
    def job(self) -> Job:
        """The job."""
        return self._surveyed_job.job

    @property
    def recipe(self) -> Recipe:
        """The settings that files say."""
        return self._recipe

    @property
    def keys(self) -> tuple[FrameKey, ...]:
        """Frames that could be opened."""
        return tuple(self._frames)

    def take(self, recipe: Recipe) -> None:
        """Take the settings that files say now."""
        self._recipe, self._frames = recipe, _planned(self._surveyed_job, recipe)

    def light_of(self, planned: Planned) -> FrameLight:
        """Light of a frame as its source gives it."""
        name = (planned.key, planned.source)
        if name not in self._lights:
            self._lights[name] = frame_light(self._surveyed_job, planned)
            while len(self._lights) > _MOST_LIGHTS:
                self._lights.popitem(last=False)
        self._lights.move_to_end(name)
        return self._lights[name]

    def tried(
        self, key: FrameKey, settings: FrameSettings, others: Recipe | None = None, *, quick: bool = False
    ) -> Tried:
        """A frame with settings that are tried; of other frames, those that files say, or another recipe's.

        For a picture in a moment (`quick`), what stages solved for other light may be carried.

        Raises
        ------
        StageError
            If it cannot be opened with these settings, or a stage cannot solve.
        """
        frames = self._frames if others is None else _planned(self._surveyed_job, others)
        planned = _with_settings(frames[key], settings)
        with self._sharing:
            solved = self._solver.solve({**frames, key: planned}, key, quick=quick)
            return Tried(planned, solved, self.light_of(planned))

    def show(
        self,
        tried: Tried,
        width: int,
        *,
        quick: bool = False,
        is_wanted: Callable[[], bool] = lambda: True,
    ) -> Shown:
        """Make a frame's picture; see `HeldFrame.show`. It is exact if what was solved for it is.

        Raises
        ------
        StageError
            If a stage fails.
        Superseded
            If it is not wanted any longer.
        ValueError, OSError
            If a picture that the settings name cannot be read.
        """
        held = self._held_frame(tried, width)
        _, sink = check_kinds(tried.planned.chain.steps())
        with self._sharing:
            steps = self._steps(tried)
        shown = held.show(
            steps,
            sink,
            self.neighbour_of(tried, held.facts.width),
            self.job.rights,
            quick=quick,
            is_wanted=is_wanted,
        )
        return replace(shown, exact=shown.exact and all(each.exact for each in tried.solved.values()))

    def learn(
        self,
        tried: Tried,
        full: Rows,
        made: Mapping[str, tuple[Inlay, Inlay]],
        notes: Mapping[str, Mapping[str, float | str]],
        review_reasons: Mapping[str, tuple[str, ...]],
    ) -> None:
        """Take what a frame became at full size, for pictures of a small width to be as true.

        Parameters
        ----------
        tried : Tried
            The frame.
        full : ndarray
            The frame behind its last stage, reduced to that width, anchor column first.
        made : mapping of str to (Inlay, Inlay)
            By stage, what it made of a small place, at that width and at reduced size.
        notes, review_reasons : mapping
            By stage, what it found out.
        """
        light, width = tried.light, full.shape[1]
        with self._sharing:
            steps = self._steps(tried)
            works = self._works_at_full_size(tried.planned.key, width)
        for place, step in enumerate(steps, 1):
            name = step.step.name
            if name in made:
                layout = layout_of(small_facts(light.facts, width))
                found = notes.get(name, {}), review_reasons.get(name, ())
                works.take(Work(all_marks(steps, place), layout, *made[name], *found))
        held = HeldFrame(
            SmallFrame(light.small, light.facts, width), light.reduced, None, works.without_residues()
        )
        residue = held.residue(steps, self.neighbour_of(tried, width), full)
        if residue is not None:
            works.take_residue(residue)

    def _works_at_full_size(self, key: FrameKey, width: int) -> WorksAtFullSize:
        works = self._at_full_size.setdefault((key, width), WorksAtFullSize())
        self._at_full_size.move_to_end((key, width))
        while len(self._at_full_size) > _MOST_AT_FULL_SIZE:
            self._at_full_size.popitem(last=False)
        return works

    def _held_frame(self, tried: Tried, width: int) -> HeldFrame:
        name = (tried.planned.key, tried.planned.source, width)
        if name not in self._held:
            light = tried.light
            reader = SmallFrame(light.small, light.facts, min(width, light.small.shape[1]))
            of_frame = (held for known, held in reversed(self._held.items()) if known[0] == name[0])
            with self._sharing:
                works = self._works_at_full_size(tried.planned.key, width)
            self._held[name] = HeldFrame(reader, light.reduced, next(of_frame, None), works)
            while len(self._held) > _MOST_HELD:
                self._held.popitem(last=False)
        self._held.move_to_end(name)
        return self._held[name]

    def _steps(self, tried: Tried) -> list[HeldStep]:
        pictures = self.pictures_of(tried.planned)
        stamps = {
            stage: tuple(_stamp(self.job, name) for name in by_setting.values())
            for stage, by_setting in tried.planned.pictures.items()
        }
        steps = []
        for step in check_kinds(tried.planned.chain.steps())[0]:
            solved = tried.solved.get(step.name)
            mark = (
                step.name,
                step.settings,
                solved and solved.number,
                stamps.get(step.name),
                self._mark_of_neighbours(tried, step.name),
            )
            steps.append(
                HeldStep(step, mark, solved.solution if solved else None, pictures.get(step.name, {}))
            )
        return steps

    def _mark_of_neighbours(self, tried: Tried, stage: str) -> Hashable:
        solved = tried.solved.get(stage)
        return tuple(
            (other, self._mark_before(self._frames[other], stage))
            for other in (solved.solution.neighbours if solved else ())
            if other in self._frames
        )

    def _mark_before(self, planned: Planned, stage: str) -> Hashable:
        """What a frame looks like before a stage: equal marks, equal rows."""
        solved = self._solver.solve(self._frames, planned.key)
        before = [
            (name, settings, solved[name].number if name in solved else None)
            for name, _, settings in planned.to_stage(stage)
        ]
        corrected = [each.number for each in solved.values() if each.solution.correction is not None]
        return tuple(before), tuple(corrected)

    def pictures_of(self, planned: Planned) -> dict[str, dict[str, Rows]]:
        """Pictures that a frame's settings name, by stage and setting."""
        return pictures_of(self.job.folder, planned.pictures)

    def files_of(self, planned: Planned) -> FrameFiles:
        """Where a frame's files are."""
        return planned.files(self.job, self._surveyed_job.surveyed[planned.key].source)

    def neighbour_of(self, tried: Tried, width: int, *, is_full: bool = False) -> Neighbour:
        """Bring rows of other frames to a frame `width` wide, which is a small one or the frame itself."""

        def rows(key: FrameKey, stage: str, first: int, last: int) -> Band | None:
            if key not in self._frames or key == tried.planned.key:
                return None
            with self._sharing:
                name = (key, stage, first, last, width, self._mark_before(self._frames[key], stage))
                known = name in self._brought
                band = self._brought.get(name)
            if not known:
                band = self._bring(key, stage, (first, last), 0 if is_full else width, width)
            with self._sharing:
                self._brought[name] = band
                self._brought.move_to_end(name)
                while len(self._brought) > _MOST_BROUGHT:
                    self._brought.popitem(last=False)
            return band and replace(band, rows=band.rows.copy())

        return rows

    def _bring(
        self, key: FrameKey, stage: str, rows: tuple[int, int], small_width: int, width: int
    ) -> Band | None:
        planned, surveyed = self._frames[key], self._surveyed_job.surveyed[key]
        files = self.files_of(planned)
        if small_width:
            files = planned.small_files(self.job, surveyed.source, surveyed.facts, small_width)
        with self._sharing:
            solved = self._solver.solve(self._frames, key)
        solutions = {name: dumps(one.solution) for name, one in solved.items()}
        task = NeighbourTask(files, planned.chain, solutions)
        return Neighbours({key: task}, width, StageTimer()).rows(key, stage, *rows)


def _planned(surveyed_job: SurveyedJob, recipe: Recipe) -> dict[FrameKey, Planned]:
    """Frames that could be opened, with what is in force for them."""
    frames = plan_frames(surveyed_job.job, recipe)
    return {key: planned for key, planned in frames.items() if key in surveyed_job.surveyed}


def _with_settings(planned: Planned, settings: FrameSettings) -> Planned:
    chain = Chain(tuple((name, settings.stages[name]) for name in settings.order))
    return replace(planned, settings=settings, chain=chain)


def _stamp(job: Job, name: str) -> tuple[int, int]:
    facts = (job.folder / name).stat()
    return facts.st_size, facts.st_mtime_ns
