"""Joint solutions while a frame is tuned: what a run would solve, for one frame, without writing anything."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from panopipe.frame import FrameFacts, FrameKey
from panopipe.pipeline.steps import StageTimer
from panopipe.registry import loaded_stage
from panopipe.run.plan import Planned
from panopipe.run.solve import facts_for_solving
from panopipe.run.surveyed_job import (
    FrameLight,
    SurveyedJob,
    given_as_surveyed,
    seen_of,
    source_as_surveyed,
)
from panopipe.run.tasks import read_solutions
from panopipe.stage import Observation, Solution, Solutions
from panopipe.state.ledger import Ledger

_MOST_SOLVED = 12
"""Solutions of the whole job that are held: as it is, and of what was tried last."""
_MOST_SEEN = 64
"""Observations held of settings that were tried."""


@dataclass(frozen=True, slots=True)
class Solved:
    """A frame's solution by one stage.

    Attributes
    ----------
    number : int
        The same for the same solution.
    solution : Solution
        The solution.
    exact : bool
        Whether it is that of the frame's light as it is now; false where one from before was carried.
    """

    number: int
    solution: Solution
    exact: bool = True


class Solver:
    """Solves for one frame at a time.

    Parameters
    ----------
    surveyed_job : SurveyedJob
        The job.
    light_of : callable
        Gives the light of a frame; asked only where a stage must look again.
    """

    def __init__(self, surveyed_job: SurveyedJob, light_of: Callable[[Planned], FrameLight]) -> None:
        self._surveyed_job, self._light_of = surveyed_job, light_of
        self._seen: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
        self._solved: OrderedDict[tuple[Any, ...], Mapping[FrameKey, Solution]] = OrderedDict()
        self._each: dict[tuple[int, FrameKey], Solution] = {}
        self._numbers: dict[tuple[Any, ...], int] = {}
        self._last: dict[tuple[str, FrameKey], tuple[Any, Solved]] = {}

    def solve(
        self, frames: Mapping[FrameKey, Planned], key: FrameKey, *, quick: bool = False
    ) -> dict[str, Solved]:
        """Solutions for a frame by stage.

        Parameters
        ----------
        frames : mapping of FrameKey to Planned
            All frames of the job that could be opened, with the settings that are tried.
        key : FrameKey
            The frame.
        quick : bool
            Carry what a stage solved last for the same settings of its own, though light before it is another
            now; not where its solution corrects the light of all stages.

        Raises
        ------
        StageError
            If a stage cannot look or solve.
        """
        return {
            stage: self._solution(frames, key, stage, own, quick=quick) for stage, own in frames[key].surveys
        }

    def _solution(
        self, frames: Mapping[FrameKey, Planned], key: FrameKey, stage: str, own: Any, *, quick: bool
    ) -> Solved:
        given = {
            other: (planned.source, settings)
            for other, planned in frames.items()
            for name, settings in planned.surveys
            if name == stage
        }
        name = (stage, tuple(given.items()))
        if name not in self._solved:
            known, last = self._last.get((stage, key), (None, None))
            if quick and last and known == own and last.solution.correction is None:
                return replace(last, exact=False)
            self._solved[name] = self._solve(frames, stage, {k: own for k, (_, own) in given.items()})
            self._numbers[name] = max(self._numbers.values(), default=0) + 1
            self._forget()
        self._solved.move_to_end(name)
        number = self._numbers[name]
        if (number, key) not in self._each:
            with StageTimer().on(stage):
                self._each[number, key] = self._solved[name].get(key, Solution())
        solved = Solved(number, self._each[number, key])
        self._last[stage, key] = own, solved
        return solved

    def _forget(self) -> None:
        while len(self._solved) > _MOST_SOLVED:
            name, _ = self._solved.popitem(last=False)
            number = self._numbers[name]  # the number stays taken
            self._each = {place: kept for place, kept in self._each.items() if place[0] != number}

    def _solve(
        self, frames: Mapping[FrameKey, Planned], stage: str, given: Mapping[FrameKey, Any]
    ) -> Mapping[FrameKey, Solution]:
        def solve() -> Mapping[FrameKey, Solution]:
            return self._solved_anew(frames, stage, given)

        looked = self._surveyed_job
        if not all(
            self._is_as_looked_at(frames[key])
            and own == given_as_surveyed(looked, key, stage)
            and (stage, key, loaded_stage(stage).settings_for_look(own)) in looked.seen
            for key, own in given.items()
        ):
            return solve()
        anew = cache(solve)  # where the ledger does not hold it any longer
        return Solutions(list(given), lambda key: self._kept(stage, key) or anew().get(key, Solution()))

    def _kept(self, stage: str, key: FrameKey) -> Solution | None:
        """What was solved for a frame when the job was looked at."""
        solved = {stage: self._surveyed_job.solved.get(stage, "")}
        try:
            with Ledger(self._surveyed_job.job.folder, read_only=True) as ledger:
                return read_solutions(ledger.solutions.spelled(key, solved)).get(stage)
        except (OSError, ValueError):
            return None

    def _solved_anew(
        self, frames: Mapping[FrameKey, Planned], stage: str, given: Mapping[FrameKey, Any]
    ) -> Mapping[FrameKey, Solution]:
        job = self._surveyed_job.job
        observed = {
            key: Observation(self._observed(frames[key], stage, own), own, self._facts(frames[key]))
            for key, own in given.items()
        }
        reference = job.reference if job.reference in self._surveyed_job.surveyed else None
        with StageTimer().on(stage):
            return loaded_stage(stage).solve(observed, facts_for_solving(job, reference))

    def _observed(self, planned: Planned, stage: str, given: Any) -> Any:
        given = loaded_stage(stage).settings_for_look(given)
        if self._is_as_looked_at(planned) and (stage, planned.key, given) in self._surveyed_job.seen:
            return self._surveyed_job.seen[stage, planned.key, given]
        name = (stage, planned.key, planned.source, given)
        if name not in self._seen:
            self._seen[name] = seen_of(self._light_of(planned), stage, given)
            while len(self._seen) > _MOST_SEEN:
                self._seen.popitem(last=False)
        return self._seen[name]

    def _facts(self, planned: Planned) -> FrameFacts:
        if self._is_as_looked_at(planned):
            return self._surveyed_job.surveyed[planned.key].facts
        return self._light_of(planned).facts

    def _is_as_looked_at(self, planned: Planned) -> bool:
        """Whether the source of a frame is set as it was when the job was looked at."""
        return planned.source == source_as_surveyed(self._surveyed_job, planned.key)
