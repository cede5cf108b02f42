"""What a stage saw of all frames of a job, read from the ledger as it is asked for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

from panopipe.frame import FrameKey
from panopipe.run.plan import survey_fingerprint
from panopipe.run.tasks import SolveTask
from panopipe.stage import Observation, Stage
from panopipe.state.ledger import Ledger
from panopipe.state.serialization import loads, packages_of

HELD = 256
"""Observations that are held: all of a house. Each takes a tenth to a sixth of a megabyte, so those of a
whole night would take gigabytes."""


class Observed(Mapping[FrameKey, Observation[Any]]):
    """Observations by frame, as long as the ledger is open; those asked for last are held.

    Parameters
    ----------
    ledger : Ledger
        Where they are kept.
    task : SolveTask
        The frames, and what each was to be looked at for.
    stage : Stage
        The stage that saw them.

    Attributes
    ----------
    unreadable : dict of FrameKey to str
        Why, where one cannot be read again; such a frame is not among the others.
    """

    def __init__(self, ledger: Ledger, task: SolveTask, stage: Stage[Any]) -> None:
        def read(key: FrameKey) -> Observation[Any]:
            frame = task.frames[key]
            facts = replace(ledger.facts(frame.source), key=key)
            found = ledger.seen(survey_fingerprint(frame.source, task.stage, frame.settings))
            return Observation(loads(found, packages_of(stage)), frame.settings, facts)

        self.unreadable: dict[FrameKey, str] = {}
        self._read, self._keys = lru_cache(maxsize=HELD)(read), dict[FrameKey, None]()
        for key in task.frames:
            try:
                self._read(key)
                self._keys[key] = None
            except (KeyError, ValueError) as error:
                self.unreadable[key] = (
                    f"what {stage.name} saw of it cannot be read again ({error}); run again"
                )

    def __getitem__(self, key: FrameKey) -> Observation[Any]:
        if key not in self._keys:
            raise KeyError(key)
        return self._read(key)

    def __iter__(self) -> Iterator[FrameKey]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)
