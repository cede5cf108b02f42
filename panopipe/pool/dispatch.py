"""Sends tasks to an executor and brings the results home, one by one."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass
from itertools import islice
from typing import Generic, ParamSpec, TypeVar

from panopipe.errors import FrameFault, WorkersGone, one_line
from panopipe.frame import FrameKey

P = ParamSpec("P")
T = TypeVar("T")
R = TypeVar("R")
K = TypeVar("K", FrameKey, str)

AHEAD = 64
"""Tasks that an executor holds at a time, unless its own attribute `ahead` says how many it wants."""

_TICK_S = 0.5


class Inline(Executor):
    """Does a task in this process, at once."""

    ahead = 1

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
    tasks: Iterable[tuple[K, T]],
    tick: Callable[[Mapping[K, float]], None],
) -> Iterator[tuple[K, TaskResult[R]]]:
    """Have tasks done and yield each as it comes home.

    A task is taken from `tasks` only when the executor wants one more: very many need no room at once.

    Parameters
    ----------
    executor : Executor
        Any of the standard interface.
    work : callable
        Picklable; takes a task.
    tasks : iterable of (key, task)
        In the order in which they are to be begun, each under the key that its result comes home with: of a
        frame, or the name of a stage.
    tick : callable
        Called about twice a second with what is being worked on and since when.

    Raises
    ------
    OSError
        If a task failed because the disk is full (see `is_disk_full`), or because no worker can be had any
        longer (`WorkersGone`). Tasks not yet begun are cancelled.
    """
    futures: dict[Future[R], K] = {}
    since: dict[K, float] = {}
    upcoming, ahead = iter(tasks), int(getattr(executor, "ahead", AHEAD))
    while True:
        for key, task in islice(upcoming, max(0, ahead - len(futures))):
            futures[executor.submit(work, task)] = key
        if not futures:
            return
        done, waiting = wait(set(futures), _TICK_S, return_when=FIRST_COMPLETED)
        ends: BaseException | None = None
        for future in sorted(done, key=lambda future: futures[future]):
            done.discard(future)
            task_result = _task_result(future)
            key = futures.pop(future)  # what came home belongs to the caller, and to nobody else
            if is_disk_full(task_result.cause):
                ends = OSError(errno.ENOSPC, "the disk is full")
            elif isinstance(task_result.cause, WorkersGone):
                ends = task_result.cause
            else:
                yield key, task_result
            del task_result
        if ends:
            for future in waiting:
                future.cancel()
            raise ends
        now = time.monotonic()
        since = {futures[f]: since.get(futures[f], now) for f in waiting if f.running()}
        if since:
            tick(since)


def dispatch_twice(
    executors: tuple[Executor, Callable[[], Executor]],
    work: Callable[[T], R],
    keys: Collection[K],
    task: Callable[[K], T],
    tick: Callable[[Mapping[K, float]], None],
    note: Callable[[K, str], None],
) -> Iterator[tuple[K, TaskResult[R]]]:
    """Have tasks done as `dispatch` does; what failed and may pass is tried once more when the rest is home.

    Parameters
    ----------
    executors : tuple of Executor and callable
        The one for all, and what calls the one for what is tried once more; that may end the first.
    work, tick : callable
        As for `dispatch`.
    keys : collection of FrameKey or str
        In the order in which they are to be begun.
    task : callable
        Makes the task of a key, anew for each try.
    note : callable
        Told the key and the error of what will be tried once more.

    Raises
    ------
    OSError
        As `dispatch`.
    """
    first, again = executors
    failed: list[K] = []
    for key, task_result in dispatch(first, work, ((key, task(key)) for key in keys), tick):
        if task_result.result is None and task_result.may_pass:
            note(key, task_result.error)
            failed.append(key)
        else:
            yield key, task_result
    if failed:
        yield from dispatch(again(), work, ((key, task(key)) for key in failed), tick)


def _task_result(future: Future[R]) -> TaskResult[R]:
    try:
        return TaskResult(future.result())
    except Exception as error:
        return TaskResult(None, one_line(error), error)


def is_disk_full(error: BaseException | None) -> bool:
    """Whether an error says that nothing more can be written."""
    full = {errno.ENOSPC, errno.EDQUOT} if hasattr(errno, "EDQUOT") else {errno.ENOSPC}
    return isinstance(error, OSError) and error.errno in full
