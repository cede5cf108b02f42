"""Worker processes behind the standard executor interface.

Like `concurrent.futures.ProcessPoolExecutor`, with two differences that a night's run needs: a worker that
dies takes only its own task with it, and a task may have a limit of time. Any other executor of the
standard interface can stand in its place.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import logging
import multiprocessing
import os
import queue
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from multiprocessing.connection import wait
from multiprocessing.context import SpawnProcess
from typing import Any, ParamSpec, TypeVar

from panopipe.errors import WorkerHung, WorkerLost
from panopipe.pool.call import answered, packed, read_answer
from panopipe.pool.machine import keep_freed_memory

P = ParamSpec("P")
T = TypeVar("T")

_START_LIMIT_S = 600.0
"""Longest that the start of a worker may take; generous, as a busy machine is no reason to fail a frame."""

_Item = tuple[Future[Any], bytes]


class WorkerPool(Executor):
    """A number of worker processes, each at one task at a time.

    Parameters
    ----------
    workers : int
        Processes.
    limit_s : float or None
        Seconds that a task may take; the start of a worker does not count.
    imports : sequence of str
        Modules that a worker imports before its first task.

    Attributes
    ----------
    ahead : int
        Tasks that it wants to hold at a time: for each worker the one it is at, and the next.
    """

    def __init__(self, workers: int, limit_s: float | None = None, imports: Sequence[str] = ()) -> None:
        self.ahead = 2 * workers
        self._items: queue.SimpleQueue[_Item | None] = queue.SimpleQueue()
        self._closed = False
        self._lanes = [_Worker(self._items, limit_s, tuple(imports)) for _ in range(workers)]

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Queue a call; `fn` and its arguments must be picklable.

        Raises
        ------
        RuntimeError
            After `shutdown`.
        """
        if self._closed:
            raise RuntimeError("the pool is shut down")
        future: Future[T] = Future()
        self._items.put((future, packed(fn, args, kwargs)))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Shut the pool down; with `cancel_futures`, queued tasks are cancelled first."""
        self._closed = True
        if cancel_futures:
            self._cancel_queued()
        for _ in self._lanes:
            self._items.put(None)
        if wait:
            for lane in self._lanes:
                lane.thread.join()

    def kill(self) -> None:
        """End all workers now, at a task or not."""
        self._closed = True
        self._cancel_queued()
        for lane in self._lanes:
            lane.kill()
        self.shutdown()

    def _cancel_queued(self) -> None:
        with contextlib.suppress(queue.Empty):
            while True:
                item = self._items.get_nowait()
                if item:
                    item[0].cancel()


class _Worker:
    """One worker process, made anew when it is lost, and the thread that speaks with it."""

    def __init__(
        self, items: queue.SimpleQueue[_Item | None], limit_s: float | None, imports: tuple[str, ...]
    ) -> None:
        self._items, self._limit_s, self._imports = items, limit_s, imports
        self._process: SpawnProcess | None = None
        self._link: Any = None  # a connection; its class differs between the systems
        self._ended = False
        self._guard = threading.Lock()
        self.thread = threading.Thread(target=self._serve, daemon=True, name="panopipe lane")
        self.thread.start()

    def kill(self) -> None:
        with self._guard:
            self._ended = True
            if self._process:
                self._process.kill()

    def _serve(self) -> None:
        while (item := self._items.get()) is not None:
            future, call = item
            if not future.set_running_or_notify_cancel():
                continue
            try:
                good, result = self._ask(call)
            except BaseException as error:
                self._let_go()
                future.set_exception(error)
            else:
                if good:
                    future.set_result(result)
                else:
                    future.set_exception(result)
        self._let_go()

    def _ask(self, call: bytes) -> tuple[bool, Any]:
        try:
            process, link = self._worker()
        except (EOFError, OSError) as error:
            why = str(error) or "it ended before it was ready"
            raise WorkerLost(f"no worker process could be started ({why})") from error
        try:
            link.send_bytes(call)
            ready = wait([link, process.sentinel], self._limit_s)
            if not ready:
                raise WorkerHung(f"took longer than {self._limit_s:g} s and was ended")
            return read_answer(link.recv_bytes())
        except (EOFError, OSError) as error:
            process.join(5)
            raise WorkerLost(f"the worker process died ({_death(process.exitcode)})") from error

    def _worker(self) -> tuple[SpawnProcess, Any]:
        if self._process and self._link and self._process.is_alive():
            return self._process, self._link
        self._let_go()
        with self._guard:
            if self._ended:
                raise WorkerLost("the run was stopped")
            context = multiprocessing.get_context("spawn")
            self._link, far = context.Pipe()
            process = context.Process(
                target=_work, args=(far, self._imports), daemon=True, name="panopipe worker"
            )
            with far:
                process.start()  # a process that did not start can be neither ended nor waited for
            self._process, link = process, self._link
        if link not in wait([link, process.sentinel], _START_LIMIT_S):
            process.join(1)
            raise WorkerLost(f"no worker process could be started ({_death(process.exitcode)})")
        link.recv_bytes()
        return process, link

    def _let_go(self) -> None:
        process, link = self._process, self._link
        self._process = self._link = None
        if link:
            link.close()
        if process:
            process.kill()
            process.join()
            process.close()


def _death(code: int | None) -> str:
    if code is not None and code < 0:
        name = signal.Signals(-code).name if -code in list(signal.Signals) else f"signal {-code}"
        return f"{name}, most likely out of memory" if name == "SIGKILL" else name
    return f"exit code {code}"


def _work(link: Any, imports: tuple[str, ...]) -> None:
    """Serve calls until the other end goes away."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all processes; the parent decides
    threading.Thread(target=_die_with_parent, daemon=True).start()
    _hush()
    keep_freed_memory()
    gc.disable()  # what libraries make while they load is there to stay; to look it over costs a tenth more
    for name in imports:
        importlib.import_module(name)
    gc.freeze()
    gc.enable()
    link.send_bytes(b"ready")
    while True:
        try:
            call = link.recv_bytes()
        except (EOFError, OSError):
            return
        answer = answered(call)
        with contextlib.suppress(BrokenPipeError):
            link.send_bytes(answer)


def _hush() -> None:
    """Keep what libraries mutter off the user's screen; what matters comes home as an error."""
    warnings.simplefilter("ignore")
    logging.getLogger().addHandler(logging.NullHandler())
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())  # native code, too


def _die_with_parent() -> None:
    """End at once when the parent is gone: an orphan must not write beside the next run."""
    parent = multiprocessing.parent_process()
    if parent:
        parent.join()
        os._exit(1)
