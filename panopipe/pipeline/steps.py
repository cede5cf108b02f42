"""A frame's stages with their settings, and the careful way to call them."""

from __future__ import annotations

import math
import numbers
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

import cv2
import numpy as np

from panopipe.errors import StageError, one_line
from panopipe.frame import Notes, Rows
from panopipe.setting import rules
from panopipe.stage import MarginStage, RowStage, SinkStage, SourceStage, SpanStage, Stage

S_co = TypeVar("S_co", bound=Stage[Any], covariant=True)
ChangesLight = RowStage[Any, Any] | MarginStage[Any, Any] | SpanStage[Any, Any]
"""What may stand between source and sink."""


@dataclass(frozen=True, slots=True)
class Step(Generic[S_co]):
    """A stage and the settings it has for a frame."""

    stage: S_co
    settings: Any

    @property
    def name(self) -> str:
        """Name of the stage."""
        return self.stage.name


AnyStep = Step[Stage[Any]]
MiddleStep = Step[ChangesLight]
SinkStep = Step[SinkStage[Any]]


@dataclass(slots=True)
class StageTimer:
    """Counts the seconds of CPU that each stage takes, and turns what it raises into a `StageError`.

    A stage that asks for rows of another frame is not charged for the stages that make them.

    Attributes
    ----------
    comes_to : callable
        Told the name of each stage as a frame comes to it.
    seconds : dict of str to float
        Seconds by stage.
    """

    comes_to: Callable[[str], None] = lambda _: None
    seconds: dict[str, float] = field(default_factory=dict)
    _others: float = 0.0

    @contextmanager
    def on(self, name: str) -> Iterator[None]:
        """Count what happens inside as work of stage `name`."""
        started, before, self._others = time.thread_time(), self._others, 0.0
        try:
            yield
        except StageError:
            raise
        except MemoryError as error:
            raise StageError(name, "not enough memory for this frame; run with fewer workers") from error
        except (ValueError, OSError) as error:
            raise StageError(name, one_line(error)) from error
        except Exception as error:
            text = f"stopped with a fault of its own ({type(error).__name__}: {one_line(error)})"
            raise StageError(name, text) from error
        finally:
            took = time.thread_time() - started
            self.seconds[name] = self.seconds.get(name, 0.0) + took - self._others
            self._others = before + took


def declared_notes(step: AnyStep, notes: Notes) -> Notes:
    """Return a stage's notes, each declared in `Stage.notes` or named like a setting.

    Raises
    ------
    StageError
        If one is not: nobody could tell what it means. Or if its value is neither a number nor text: it could
        not be kept.
    """
    known = {*step.stage.notes, *rules(step.stage.Settings)}
    for name, value in notes.items():
        if name not in known:
            raise StageError(step.name, f'noted "{name}", which it does not declare')
        if not isinstance(value, str | numbers.Real):
            raise StageError(
                step.name, f'noted "{name}" as {type(value).__name__}; notes are numbers or text'
            )
    return {name: value if isinstance(value, str) else _plain(value) for name, value in notes.items()}


def checked_reasons(step: AnyStep, reasons: Sequence[str]) -> tuple[str, ...]:
    """Return why a stage wants a person to look.

    Raises
    ------
    StageError
        If the reasons are no sentences.
    """
    if isinstance(reasons, str) or not all(isinstance(reason, str) for reason in reasons):
        raise StageError(step.name, "gave reasons to look that are no tuple of sentences")
    return tuple(reasons)


def _plain(value: Any) -> float:
    """Number without the type of an array library."""
    return int(value) if isinstance(value, numbers.Integral) else float(value)


def checked_rows(name: str, value: object, shape: Sequence[int]) -> Rows:
    """Return what a stage gave, if it is what the contract asks for.

    Raises
    ------
    StageError
        If shape or dtype differ or a value is not finite.
    """
    rows = shaped_rows(name, value, shape)
    if not is_finite(rows):
        row = int(np.flatnonzero(~np.isfinite(rows).all(axis=(1, 2)))[0])
        raise StageError(name, f"gave values that are no numbers (row {row} of {shape[0]})")
    return rows


def shaped_rows(name: str, value: object, shape: Sequence[int]) -> Rows:
    """Return what a stage gave, if it has the dtype and the shape it must have.

    Raises
    ------
    StageError
        If it has not.
    """
    if not isinstance(value, np.ndarray) or value.dtype != np.float32 or value.shape != tuple(shape):
        what = f"{value.dtype} {value.shape}" if isinstance(value, np.ndarray) else type(value).__name__
        raise StageError(name, f"gave {what} where float32 {tuple(shape)} was asked for")
    return value


def is_finite(rows: Rows) -> bool:
    """Whether all values are numbers: only then is their sum in double precision one.

    A tenth of the cost of asking each value.
    """
    if not rows.size:
        return True
    return math.isfinite(cv2.sumElems(np.ascontiguousarray(rows).reshape(len(rows), -1))[0])


def check_kinds(
    steps: Sequence[AnyStep],
) -> tuple[tuple[MiddleStep, ...], SinkStep]:
    """Split steps into those that change light and the sink; a source at the head is left out.

    Raises
    ------
    ValueError
        If a stage stands where its kind cannot.
    """
    rest = steps[1:] if steps and isinstance(steps[0].stage, SourceStage) else steps
    if not rest or not isinstance(sink := rest[-1].stage, SinkStage):
        raise ValueError("the last stage must be one that makes files")
    return tuple(_changes_light(step) for step in rest[:-1]), Step(sink, rest[-1].settings)


def _changes_light(step: AnyStep) -> MiddleStep:
    if not isinstance(stage := step.stage, RowStage | MarginStage | SpanStage):
        raise ValueError(f"stage {step.name} cannot stand between source and sink")
    return Step(stage, step.settings)
