"""Sends tasks to an executor and brings the results home, one by one."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass
from typing import Generic, ParamSpec, TypeVar

from panopipe.errors import FrameFault, one_line
from panopipe.frame import FrameKey

P = ParamSpec("P")
T = TypeVar("T")
R = TypeVar("R")

_TICK_S = 0.5


class Inline(Executor):
    """Does a task in this process, at once."""

    def kill(self) -> None:
        """End; there is nothing to end."""

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Do it, and return a future that is done."""
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


@dataclass(frozen=True, slots=True)
class TaskResult(Generic[R]):
    """How a task went: its result, or the one line that says why there is none and what raised it."""

    result: R | None
    error: str = ""
    cause: BaseException | None = None

    @property
    def may_pass(self) -> bool:
        """Whether another try may do what this one could not: a worker was lost, memory or a disk failed."""
        return not isinstance(self.cause, FrameFault)


def dispatch(
    executor: Executor,
    work: Callable[[T], R],
    tasks: Mapping[FrameKey, T],
    tick: Callable[[Mapping[FrameKey, float]], None],
) -> Iterator[tuple[FrameKey, TaskResult[R]]]:
    """Have tasks done and yield each as it comes home.

    Parameters
    ----------
    executor : Executor
        Any of the standard interface.
    work : callable
        Picklable; takes a task.
    tasks : mapping of FrameKey to task
        In the order in which they are to be begun.
    tick : callable
        Called about twice a second with the frames that are being worked on and since when.

    Raises
    ------
    OSError
        If a task failed because the disk is full (see `is_disk_full`). Tasks not yet begun are cancelled.
    """
    futures: dict[Future[R], FrameKey] = {executor.submit(work, task): key for key, task in tasks.items()}
    waiting = set(futures)
    since: dict[FrameKey, float] = {}
    while waiting:
        done, waiting = wait(waiting, _TICK_S, return_when=FIRST_COMPLETED)
        full = False
        for future in sorted(done, key=lambda future: futures[future]):
            done.discard(future)
            task_result = _task_result(future)
            key = futures.pop(future)  # what came home belongs to the caller, and to nobody else
            if is_disk_full(task_result.cause):
                full = True
            else:
                yield key, task_result
            del task_result
        if full:
            for future in waiting:
                future.cancel()
            raise OSError(errno.ENOSPC, "the disk is full")
        now = time.monotonic()
        since = {futures[f]: since.get(futures[f], now) for f in waiting if f.running()}
        if since:
            tick(since)


def _task_result(future: Future[R]) -> TaskResult[R]:
    try:
        return TaskResult(future.result())
    except Exception as error:
        return TaskResult(None, one_line(error), error)


def is_disk_full(error: BaseException | None) -> bool:
    """Whether an error says that nothing more can be written."""
    full = {errno.ENOSPC, errno.EDQUOT} if hasattr(errno, "EDQUOT") else {errno.ENOSPC}
    return isinstance(error, OSError) and error.errno in full
