"""The way to a cluster: its scheduler, the workers that it knows, a call to one of them.

All of dask.distributed that panopipe uses is used here.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import secrets
import signal
import threading
import warnings
from collections.abc import Callable, Coroutine
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass
from multiprocessing import resource_tracker
from typing import Any, TypeVar

import dask
from distributed import Client, KilledWorker, LocalCluster, Security

from panopipe.cluster.place import local_workers
from panopipe.errors import WorkerHung, WorkerLost, WorkersGone, one_line
from panopipe.pool.call import answered

T = TypeVar("T")

MEMORY = "MEMORY"
"""Resource by which workers may say how many bytes they have for frames, `--resources MEMORY=8e9`."""
SHARE_OF_LIMIT = 0.75
"""Part of a worker's limit of memory that a frame may take; the engine pauses a worker at 0.8 of it."""
_HERE: dict[str, object] = {
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    # Three hundredths of every processor, by default.
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "500ms",
}
"""Workers on this machine show no pages, and do not watch themselves at work."""
_CONNECT_S = 10.0
_ANSWER_S = 60.0
"""Longest that the scheduler may take to say which workers it has."""
_CLOSE_S = 5.0


@dataclass(frozen=True, slots=True)
class Seen:
    """A worker process as the scheduler sees it.

    Attributes
    ----------
    address : str
        Where it listens; another after it was started anew.
    host : str
        Its machine.
    memory : float
        Bytes that it offers for frames; infinite if it has no limit.
    is_open : bool
        Whether it takes calls; not while it is short of memory, or about to leave.
    counts_memory : bool
        Whether it offers memory as a resource, so that the scheduler counts it for all who use the cluster.
    """

    address: str
    host: str
    memory: float
    is_open: bool
    counts_memory: bool


class Connection:
    """To the scheduler of a cluster, or to workers started for this run on this machine.

    Parameters
    ----------
    place : str
        `tcp://HOST:PORT`, `tls://HOST:PORT` or `local:N`. Certificates for `tls` are found by the engine's
        own configuration.

    Raises
    ------
    ValueError
        If it is none of these.
    ConnectionError
        If no scheduler answers there.
    """

    def __init__(self, place: str) -> None:
        self.name = place
        self._count = local_workers(place)
        self._client: Any = None
        self._local: Any = None
        _hush()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True, name="panopipe cluster")
        self._thread.start()
        try:
            self.begin(self._connect()).result()
        except BaseException as error:
            self.close()
            if isinstance(error, OSError):
                raise ConnectionError(f"no scheduler answers at {place} ({one_line(error)})") from error
            raise

    def begin(self, work: Coroutine[Any, Any, T]) -> Future[T]:
        """Have work done beside the caller, in the one thread that speaks with the cluster."""
        return asyncio.run_coroutine_threadsafe(work, self._loop)

    def soon(self, fn: Callable[..., None], *args: Any) -> None:
        """Call a function in that thread."""
        self._loop.call_soon_threadsafe(fn, *args)

    def close(self) -> None:
        """End the connection; workers that were started for it end too."""
        if self._loop.is_closed():
            return
        with contextlib.suppress(Exception):
            self.begin(self._close()).result(4 * _CLOSE_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_CLOSE_S)
        if not self._thread.is_alive():
            self._loop.close()

    async def workers(self) -> dict[str, Seen]:
        """Workers that are there, by address.

        Raises
        ------
        WorkersGone
            If the scheduler is there no longer.
        """
        try:
            if self._client.status == "running":
                asked = self._client.scheduler.identity(n_workers=-1)
                known = (await asyncio.wait_for(asked, _ANSWER_S))["workers"]
                return {address: _seen(address, worker) for address, worker in known.items()}
        except OSError:  # a time-out is one, too
            pass
        raise WorkersGone(f"the scheduler at {self.name} has gone")

    async def ask(
        self, worker: Seen, gone: asyncio.Event, call: bytes, *, limit_s: float, memory: float = 0
    ) -> bytes:
        """Have one worker do a packed call; its answer.

        Parameters
        ----------
        worker : Seen
            Who; no other is asked in its place.
        gone : Event
            Set when the worker is there no longer.
        call : bytes
            See `panopipe.pool.call`.
        limit_s : float
            Longest that it may take.
        memory : float
            Bytes that the call takes, for a worker that counts them.

        Raises
        ------
        WorkerLost
            If the worker goes away before it answers.
        WorkerHung
            If it takes longer.
        Exception
            If the worker cannot read the call.
        """
        key = f"panopipe-{secrets.token_hex(16)}"
        resources = {MEMORY: memory} if worker.counts_memory else None
        future = self._client.submit(
            answered, call, key=key, workers=[worker.address], resources=resources, pure=False
        )
        answer, leaving = asyncio.ensure_future(future.result()), asyncio.ensure_future(gone.wait())
        try:
            await asyncio.wait((answer, leaving), timeout=limit_s, return_when=asyncio.FIRST_COMPLETED)
            if answer.done():
                return _answer_of(answer)
            if leaving.done():
                raise WorkerLost(f"the worker {worker.address} went away")
            raise WorkerHung(f"took longer than {limit_s:g} s and was ended")
        finally:
            for waiting in (answer, leaving):
                waiting.cancel()
            with contextlib.suppress(Exception):
                await asyncio.shield(self._client.cancel([future], force=True))

    async def restart(self, worker: Seen) -> None:
        """Have a worker process ended and another started in its place, where someone watches over it."""
        with contextlib.suppress(Exception):
            await self._client.restart_workers([worker.address], timeout=_ANSWER_S)

    def _run(self) -> None:
        if hasattr(signal, "pthread_sigmask"):
            # Ctrl-C reaches all processes of a terminal, and the run decides: those started from here inherit
            # this. The tracker is started first, as its start would let the signal through again.
            resource_tracker.ensure_running()
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        self._loop.run_forever()

    async def _connect(self) -> None:
        if self._count:
            with dask.config.set(_HERE):
                self._local = _cluster_here(self._count)
                await self._local
        at = self._local or self.name
        self._client = await Client(at, asynchronous=True, timeout=_CONNECT_S, set_as_default=False)

    async def _close(self) -> None:
        for opened in (self._client, self._local):
            if opened is not None:
                with contextlib.suppress(Exception):
                    await asyncio.wait_for(opened.close(), _CLOSE_S)


def _cluster_here(workers: int) -> Any:
    """Workers and a scheduler that only this user's processes on this machine can speak with."""
    return LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        host="127.0.0.1",
        security=Security.temporary(),
        dashboard_address=None,
        scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
        memory_limit=0,
        silence_logs=logging.CRITICAL,
        asynchronous=True,
    )


def _answer_of(answer: asyncio.Future[bytes]) -> bytes:
    try:
        return answer.result()
    except (KilledWorker, CancelledError) as error:  # the scheduler lost the worker, or we the scheduler
        raise WorkerLost(one_line(error)) from error


def _seen(address: str, worker: dict[str, Any]) -> Seen:
    offered, limit = worker["resources"].get(MEMORY), worker["memory_limit"]
    memory = offered if offered is not None else limit * SHARE_OF_LIMIT if limit else math.inf
    return Seen(address, worker["host"], memory, worker["status"] == "running", offered is not None)


def _hush() -> None:
    """Keep what the engine mutters off the screen; what matters comes home as an error."""
    warnings.filterwarnings("ignore", module="distributed")
    for name in ("distributed", *logging.root.manager.loggerDict):
        if name.split(".")[0] in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
