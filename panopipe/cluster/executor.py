"""Sends tasks to the workers of a cluster: one at a time to each, and to another one if that is lost.

The engine brings a call to a worker and says which workers there are; which of them gets which frame is
decided here. Left to its scheduler, all tasks would be handed out at once, a lost worker would count against
each of those it held, and some would run twice.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future
from concurrent.futures import wait as wait_for
from dataclasses import dataclass
from typing import Any, ParamSpec, TypeVar

from panopipe.cluster.arrival import on_its_way, put_in_place
from panopipe.cluster.connection import Connection
from panopipe.cluster.examination import Examination
from panopipe.cluster.roster import Roster, Worker
from panopipe.errors import FrameFault, WorkerHung, WorkerLost, WorkersGone, one_line
from panopipe.frame import FrameKey
from panopipe.pool.budget import memory_for
from panopipe.pool.call import packed, read_answer
from panopipe.pool.dispatch import AHEAD, is_disk_full
from panopipe.pool.machine import processors
from panopipe.pool.worker_pool import WorkerPool
from panopipe.run.session import WORK
from panopipe.run.tasks import FinishTask, SolveTask, SurveyTask

P = ParamSpec("P")
T = TypeVar("T")

LOSSES = 4
"""Workers that may be lost over a task before it has failed: as many as the engine itself allows."""
_STOP_S = 10.0
_SOLVERS = 4
"""Stages that are solved at a time, at most; each holds what it saw of all frames."""


@dataclass(eq=False, slots=True)
class _Task:
    """A call and the future of its result."""

    future: Future[Any]
    fn: Callable[..., Any]
    args: tuple[Any, ...]
    kwargs: Mapping[str, Any]
    losses: int = 0

    @property
    def frame(self) -> FrameKey | None:
        """The frame that it is about."""
        task = self.args[0] if self.args else None
        return task.files.key if isinstance(task, SurveyTask | FinishTask) else None

    @property
    def memory(self) -> int:
        """Bytes that it takes."""
        return memory_for(getattr(self.args[0], "pixels", 0) if self.args else 0)


class ClusterExecutor(Executor):
    """The workers of a cluster behind the standard executor interface.

    Parameters
    ----------
    connection : Connection
        To the cluster.
    asked : Examination
        What each worker is examined for.
    limit_s : float
        Longest that a task may take.
    say : callable
        Says a line to the user.
    readers : dict of FrameKey to str
        Machines that have read a frame's originals; kept up.
    workers : int
        About how many workers there will be.

    Attributes
    ----------
    ahead : int
        Tasks that it wants to hold: enough to find for each worker one whose originals its machine has read.
    """

    def __init__(
        self,
        connection: Connection,
        asked: Examination,
        *,
        limit_s: float,
        say: Callable[[str], None],
        readers: dict[FrameKey, str],
        workers: int = 1,
    ) -> None:
        self.ahead = max(AHEAD, 4 * workers)
        self._connection, self._limit_s, self._readers = connection, limit_s, readers
        self._roster = Roster(connection, asked, limit_s, say)
        self._waiting: deque[_Task] = deque()
        self._held: set[_Task] = set()
        self._news = asyncio.Event()
        self._ended: Exception | None = None
        self._beside: WorkerPool | None = None
        self._watching = connection.begin(self._watch())

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Queue a call; `fn` and its arguments must be picklable, and `fn` be installed at the workers."""
        if args and isinstance(args[0], SolveTask):
            return self._beside_the_ledger().submit(fn, *args, **kwargs)
        task = _Task(Future(), fn, args, kwargs)
        self._connection.soon(self._take, task)
        return task.future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Shut down: after what is held is done, unless `cancel_futures`."""
        if wait and not cancel_futures:
            wait_for([task.future for task in list(self._held)])
        self.kill()

    def kill(self) -> None:
        """Let go of all tasks now. A worker goes on to the end of its frame, which then takes no place."""
        self._watching.cancel()
        if self._beside:
            self._beside.kill()
        with contextlib.suppress(TimeoutError):
            self._connection.begin(self._end(WorkerLost("the run was stopped"))).result(_STOP_S)

    def _beside_the_ledger(self) -> WorkerPool:
        """Workers of this machine, for what reads the ledger: its locks may not hold over a network."""
        if not self._beside:
            self._beside = WorkerPool(min(processors(), _SOLVERS), self._limit_s, (WORK,))
        return self._beside

    # What follows runs in the thread of the connection.

    def _take(self, task: _Task) -> None:
        if self._ended:
            task.future.set_exception(self._ended)
            return
        self._held.add(task)
        self._waiting.append(task)
        self._news.set()

    async def _watch(self) -> None:
        try:
            await self._roster.watch(self._serve, self._look)
        except Exception as error:
            await self._end(error if isinstance(error, WorkersGone) else WorkersGone(one_line(error)))

    def _look(self) -> None:
        """Fail what no worker has memory for; have idle workers look for tasks."""
        most = self._roster.most_memory()
        for task in [task for task in self._waiting if task.memory > most]:
            self._waiting.remove(task)
            text = f"wants {task.memory / 1e9:.1f} GB of memory, the largest worker has {most / 1e9:.1f} GB"
            self._fail(task, FrameFault(text))
        self._news.set()

    async def _serve(self, worker: Worker) -> None:
        """Hand a worker one task after the other, for as long as it is there and fit."""
        while not worker.gone.is_set():
            if not (task := self._next(worker)):
                self._news.clear()
                await self._news.wait()
            elif not await self._have_done(worker, task):
                return

    def _next(self, worker: Worker) -> _Task | None:
        """The task for a worker that is free: one whose originals its machine has read, if there is one."""
        if not worker.seen.is_open:
            return None
        fitting = [task for task in self._waiting if task.memory <= worker.seen.memory]
        read = [task for task in fitting if task.frame and self._readers.get(task.frame) == worker.seen.host]
        for task in (read or fitting)[:1]:
            self._waiting.remove(task)
            return task
        return None

    async def _have_done(self, worker: Worker, task: _Task) -> bool:
        """Have a worker do a task; whether it can be handed another.

        Raises
        ------
        WorkerLost, WorkerHung
            If the worker cannot.
        """
        if not task.losses and not task.future.set_running_or_notify_cancel():
            self._held.discard(task)
            return True
        sent = tuple(map(on_its_way, task.args))
        try:
            call = packed(task.fn, sent, task.kwargs)
            good, result = read_answer(
                await self._connection.ask(
                    worker.seen, worker.gone, call, limit_s=self._limit_s, memory=task.memory
                )
            )
        except WorkerLost as error:
            self._do_again(task, error)
            raise
        except WorkerHung as error:
            self._fail(task, error)
            await self._connection.restart(worker.seen)
            raise
        except Exception as error:  # what cannot be sent, or not be read there
            good, result = False, error
        if good:
            await self._keep(worker, task, sent, result)
            return True
        self._fail(task, result)
        # One that no longer sees the job folder would spoil each frame that it is handed.
        return isinstance(result, FrameFault) or is_disk_full(result) or await self._roster.is_fit(worker)

    async def _keep(self, worker: Worker, task: _Task, sent: tuple[Any, ...], result: Any) -> None:
        if task.frame:
            self._readers[task.frame] = worker.seen.host
        try:
            placed = await asyncio.to_thread(put_in_place, task.args, sent, result)
        except Exception as error:
            self._fail(task, error)
        else:
            if task in self._held:
                self._held.discard(task)
                task.future.set_result(placed)

    def _do_again(self, task: _Task, error: WorkerLost) -> None:
        """Put a task in front again whose worker was lost; not without end, as it may be what kills them."""
        task.losses += 1
        if task.losses >= LOSSES:
            self._fail(task, WorkerLost(f"{task.losses} workers were lost over it ({error})"))
        else:
            self._waiting.appendleft(task)
            self._news.set()

    def _fail(self, task: _Task, error: BaseException) -> None:
        if task not in self._held:
            return
        self._held.discard(task)
        if task.future.running() or task.future.set_running_or_notify_cancel():
            task.future.set_exception(error)

    async def _end(self, error: Exception) -> None:
        self._ended = error
        self._waiting.clear()
        for task in list(self._held):
            self._fail(task, error)
