"""Machines of a cluster that are threads of this process: they answer, or do what a test has them do."""

import asyncio
import threading
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from panopipe.cluster.connection import Seen
from panopipe.errors import WorkerLost, WorkersGone
from panopipe.pool.call import answered

GB = 1e9


@dataclass
class Machine:
    """A worker; `before` is called with each call that it is handed, and may raise."""

    host: str = "one"
    memory: float = 8 * GB
    before: Callable[[bytes], None] = lambda _: None
    calls: list[bytes] = field(default_factory=list)


class Machines:
    """Stands in for the connection to a cluster."""

    name = "tcp://there:8786"

    def __init__(self, machines: dict[str, Machine]) -> None:
        self.there, self.scheduler_is_there, self.restarted = machines, True, list[str]()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()

    def begin(self, work: Coroutine[Any, Any, Any]) -> Future[Any]:
        return asyncio.run_coroutine_threadsafe(work, self._loop)

    def soon(self, fn: Callable[..., None], *args: Any) -> None:
        self._loop.call_soon_threadsafe(fn, *args)

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    async def workers(self) -> dict[str, Seen]:
        if not self.scheduler_is_there:
            raise WorkersGone(f"the scheduler at {self.name} has gone")
        return {name: Seen(name, one.host, one.memory, True, False) for name, one in self.there.items()}

    async def ask(
        self, worker: Seen, gone: asyncio.Event, call: bytes, *, limit_s: float, memory: float = 0
    ) -> bytes:
        machine = self.there.get(worker.address)
        if machine is None:
            raise WorkerLost(f"the worker {worker.address} went away")
        machine.calls.append(call)
        await asyncio.to_thread(machine.before, call)
        return await asyncio.to_thread(answered, call)

    async def restart(self, worker: Seen) -> None:
        self.restarted.append(worker.address)
        self.there.pop(worker.address, None)
