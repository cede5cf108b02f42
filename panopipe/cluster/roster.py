"""Which workers of a cluster do the run's work: those that are there and passed their examination."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field

from panopipe.cluster.connection import Connection, Seen
from panopipe.cluster.examination import Examination, Examined, examined, objection, remark, versions
from panopipe.errors import WorkerLost, WorkersGone, one_line
from panopipe.pool.call import packed, read_answer

WATCH_S = 1.0
WAIT_S = 600.0
"""Longest that a run waits where no worker is: long enough for a machine to be started anew."""


@dataclass(eq=False, slots=True)
class Worker:
    """A worker process of the cluster.

    Attributes
    ----------
    seen : Seen
        As the scheduler saw it last.
    gone : Event
        Set when it is there no longer.
    is_used : bool
        Whether it passed its examination.
    """

    seen: Seen
    gone: asyncio.Event = field(default_factory=asyncio.Event)
    is_used: bool = False


class Roster:
    """Keeps up which workers there are, and has each that is fit served.

    Parameters
    ----------
    connection : Connection
        To the cluster.
    asked : Examination
        What each worker is examined for.
    limit_s : float
        Longest that an examination may take.
    say : callable
        Says a line to the user.

    Attributes
    ----------
    workers : dict of str to Worker
        Those that are used or being examined, by address.
    """

    def __init__(
        self, connection: Connection, asked: Examination, limit_s: float, say: Callable[[str], None]
    ) -> None:
        self._connection, self._asked, self._limit_s, self._say = connection, asked, limit_s, say
        self._here = dict(versions(asked.stages))
        self._refused: dict[str, str] = {}
        self._untold: dict[str, str] = {}
        self._serving: set[asyncio.Task[None]] = set()
        self.workers: dict[str, Worker] = {}

    async def watch(self, serve: Callable[[Worker], Awaitable[None]], news: Callable[[], None]) -> None:
        """Watch until there is no hope left.

        Parameters
        ----------
        serve : callable
            Hands a worker its tasks for as long as it is there.
        news : callable
            Called after each look.

        Raises
        ------
        WorkersGone
            If the scheduler has gone, no worker can be used, or none came for long.
        """
        alone_s = 0.0
        try:
            while True:
                self._see(await self._connection.workers(), serve)
                self._tell()
                alone_s = 0.0 if self.workers else alone_s + WATCH_S
                self._check_hope(alone_s)
                news()
                await asyncio.sleep(WATCH_S)
        finally:
            for serving in self._serving:
                serving.cancel()

    def most_memory(self) -> float:
        """Bytes that the largest worker offers; infinite while some are not known yet."""
        if not self.workers or not all(worker.is_used for worker in self.workers.values()):
            return float("inf")
        return max(worker.seen.memory for worker in self.workers.values())

    async def is_fit(self, worker: Worker) -> bool:
        """Examine a worker; one that is not fit is told and not used any longer.

        Raises
        ------
        WorkerLost, WorkerHung
            If it does not answer.
        """
        said = await self._said(worker)
        why = objection(said, self._here) if isinstance(said, Examined) else said
        if why:
            self.refuse(worker, why)
        elif not worker.is_used and isinstance(said, Examined) and (slow := remark(said)):
            self._say(f"the worker {worker.seen.address} {slow}")
        return not why

    async def _said(self, worker: Worker) -> Examined | str:
        """What a worker says of itself, or the line that says why it does not."""
        call = packed(examined, [self._asked], {})
        try:
            answer = await self._connection.ask(worker.seen, worker.gone, call, limit_s=self._limit_s)
            good, said = read_answer(answer)
        except (ImportError, AttributeError) as error:  # the call itself could not be read there
            return f"panopipe is not installed there, or is another ({one_line(error)})"
        return said if good and isinstance(said, Examined) else one_line(said)

    def refuse(self, worker: Worker, why: str) -> None:
        """Use a worker no longer, and say why."""
        self._refused[worker.seen.address] = self._untold[worker.seen.address] = why
        self.workers.pop(worker.seen.address, None)

    def _see(self, there: Mapping[str, Seen], serve: Callable[[Worker], Awaitable[None]]) -> None:
        for address in self.workers.keys() - there.keys():
            self.workers.pop(address).gone.set()
        self._refused = {address: why for address, why in self._refused.items() if address in there}
        for address in there.keys() - self._refused.keys():
            if address not in self.workers:
                worker = self.workers[address] = Worker(there[address])
                serving = asyncio.ensure_future(self._served(worker, serve))
                self._serving.add(serving)
                serving.add_done_callback(self._serving.discard)
            self.workers[address].seen = there[address]

    def _tell(self) -> None:
        """Say which workers are not used, once one is; where none is, it ends the run and is said then."""
        if any(worker.is_used for worker in self.workers.values()):
            for address, why in self._untold.items():
                self._say(f"the worker {address} is not used: {why}")
            self._untold.clear()

    async def _served(self, worker: Worker, serve: Callable[[Worker], Awaitable[None]]) -> None:
        try:
            if await self.is_fit(worker):
                worker.is_used = True
                await serve(worker)
        except WorkerLost:
            return  # it is not there any longer, or soon will not be
        except Exception as error:  # it hung, or answered what no panopipe of this version answers
            self.refuse(worker, one_line(error))

    def _check_hope(self, alone_s: float) -> None:
        name = self._connection.name
        if self.workers:
            return
        if self._refused:
            (address, why), *others = self._refused.items()
            more = f", and {len(others)} more" if others else ""
            raise WorkersGone(f"no worker of {name} can be used ({address}: {why}{more})")
        if alone_s == WATCH_S:
            self._say(f"no worker at {name}; waiting up to {WAIT_S / 60:.0f} min for one")
        if alone_s > WAIT_S:
            raise WorkersGone(f"no worker came to {name} in {WAIT_S / 60:.0f} min")
