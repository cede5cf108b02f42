"""A cluster as a place for a run's work: called by address, connected when the first task is there."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Collection, Iterable
from pathlib import Path

from panopipe.cluster.connection import Connection
from panopipe.cluster.examination import Examination
from panopipe.cluster.executor import ClusterExecutor
from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.pool.budget import Workers
from panopipe.state.folders import ARRIVING


class Cluster:
    """Makes executors for the phases of a run. Use it with `with`.

    Parameters
    ----------
    place : str
        `tcp://HOST:PORT`, `tls://HOST:PORT` or `local:N`.
    folder : Path
        The job folder, which all machines see under this path.
    stages : collection of str
        Stages that the job uses.
    limit_s : float
        Longest that a task may take.
    """

    def __init__(self, place: str, folder: Path, stages: Collection[str], limit_s: float) -> None:
        self._place, self._folder, self._limit_s = place, folder, limit_s
        self._stages = tuple(sorted(stages))
        self._readers: dict[FrameKey, str] = {}
        self._connection: Connection | None = None

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        if self._connection:
            self._connection.close()

    def budget(self, pixels: Iterable[int], *, wanted: int | None = None) -> Workers:
        """How many workers there are; more may come, and some not be fit.

        Raises
        ------
        ValueError, ConnectionError
            As `Connection`.
        """
        connection = self._connected()
        return Workers(len(connection.begin(connection.workers()).result()), f"of {self._place}")

    def executor(self, count: int, say: Callable[[str], None]) -> ClusterExecutor:
        """All workers of the cluster; `count` is about how many they are.

        Raises
        ------
        ValueError, OSError
            As `Connection`; or if the job folder cannot be written.
        """
        token = secrets.token_hex(16)
        write_below(self._folder, f"{ARRIVING}/{token}", token.encode(), lasting=False)
        asked = Examination(str(self._folder), token, self._stages)
        return ClusterExecutor(
            self._connected(), asked, limit_s=self._limit_s, say=say, readers=self._readers, workers=count
        )

    def _connected(self) -> Connection:
        if not self._connection:
            self._connection = Connection(self._place)
        return self._connection
