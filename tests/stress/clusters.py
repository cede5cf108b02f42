"""A cluster whose workers, scheduler and runs are killed: nothing may be lost, doubled or hang."""

from __future__ import annotations

import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType

from tests.stress.jobs import command, hashes, make_job, panopipe, put_again

_START_S = 120.0
_HANG_S = 300.0
_HERE = ("--host", "127.0.0.1", "--no-dashboard", "--dashboard-address", "127.0.0.1:0")


class OwnCluster:
    """A scheduler and workers of this machine, each a process, to be ended as a test likes.

    Parameters
    ----------
    folder : Path
        Where they keep their files.
    workers : int
        Worker processes; each is started anew when it dies.
    env : mapping of str to str
        Added to their environment.
    scheme : str
        "tcp" or "tls".
    """

    def __init__(
        self, folder: Path, workers: int, env: Mapping[str, str] | None = None, scheme: str = "tcp"
    ) -> None:
        folder.mkdir(parents=True)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self.address = f"{scheme}://127.0.0.1:{port}"
        self._folder, self._count, self._env = folder, workers, {**os.environ, **(env or {})}
        self._scheduler: subprocess.Popen[bytes] | None = None
        self._nannies: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> OwnCluster:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in (self._nannies, self._scheduler):
            _end(process)

    def start(self) -> None:
        """Start the scheduler and its workers."""
        scheme, port = self.address.partition(":")[0], self.address.rpartition(":")[2]
        self._scheduler = self._process("scheduler", *_HERE, "--port", port, "--protocol", scheme)
        self._wait_for_port(int(port))
        self._start_workers()

    def keep_up(self) -> None:
        """Start the workers anew if who watches over them gave up, as when one dies while it starts."""
        if self._nannies is not None and self._nannies.poll() is not None:
            self._start_workers()

    def _start_workers(self) -> None:
        count = ["--nworkers", str(self._count), "--nthreads", "1", "--memory-limit", "0"]
        self._nannies = self._process("worker", self.address, *count, *_HERE)

    def end_scheduler(self) -> None:
        """Kill the scheduler; its workers end then, too."""
        _end(self._scheduler, signal.SIGKILL)
        _end(self._nannies)

    def worker_pids(self) -> list[int]:
        """Worker processes that are there now, without those that watch over them."""
        if self._nannies is None:
            return []
        return [pid for pid in _children(self._nannies.pid) if b"spawn_main" in _words(pid)]

    def begin(self, job: Path) -> subprocess.Popen[str]:
        """Begin a run of a job on this cluster."""
        return subprocess.Popen(
            command("run", job, "--no-review", "--cluster", self.address),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=self._env,
        )

    def wait_for_finished(self, job: Path, count: int) -> None:
        """Wait until a run has finished so many pictures."""
        until = time.monotonic() + _START_S
        while len(list((job / "finished").rglob("*.jpg"))) < count and time.monotonic() < until:
            time.sleep(0.02)

    def _process(self, *words: str) -> subprocess.Popen[bytes]:
        with (self._folder / f"{words[0]}.log").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-m", "dask", *words],
                stdout=log,
                stderr=log,
                cwd=self._folder,
                env=self._env,
            )

    def _wait_for_port(self, port: int) -> None:
        until = time.monotonic() + _START_S
        while time.monotonic() < until:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    return
            time.sleep(0.05)
        raise RuntimeError(f"no scheduler came up at {self.address}")


def kill_cluster(room: Path, count: int, seed: int = 1) -> list[str]:
    """Kill workers `count` times over many runs, now and then the scheduler or a run; lines of the table."""
    chance = random.Random(seed)
    calm = make_job(room / "calm", rooms=3, frames=4, width=256)
    if panopipe("run", calm, "--no-review", "--workers", 2).code:
        raise RuntimeError("the job does not come through on one machine")
    wanted, tally = hashes(calm / "finished"), Counter[str]()
    with OwnCluster(room / "cluster", workers=2) as cluster:
        while tally["workers killed"] < count:
            job = room / "job"
            put_again(calm, job)
            tally["jobs"] += 1
            _one_job(cluster, job, chance, tally)
            there = hashes(job / "finished")
            tally["finished files lost"] += len(wanted.keys() - there.keys())
            tally["finished files other or doubled"] += sum(wanted.get(name) != there[name] for name in there)
            tally["files left behind"] += len(list((job / ".panopipe/arriving").iterdir()))
            print(dict(tally), file=sys.stderr, flush=True)
    names = ("workers killed", "schedulers killed", "runs killed", "jobs", "runs", "runs that hung")
    names += ("finished files lost", "finished files other or doubled", "files left behind")
    return [f"{name:34} {tally[name]:6}" for name in names]


def _one_job(cluster: OwnCluster, job: Path, chance: random.Random, tally: Counter[str]) -> None:
    """Run a job and disturb it, again and again, until a run comes through."""
    for _ in range(100):
        tally["runs"] += 1
        running = cluster.begin(job)
        _disturb(cluster, running, chance, tally)
        until = time.monotonic() + _HANG_S
        while running.poll() is None and time.monotonic() < until:
            cluster.keep_up()
            time.sleep(0.2)
        if running.poll() is None:
            tally["runs that hung"] += 1
            _end(running, signal.SIGKILL)
        if running.returncode == 0:
            return
    raise RuntimeError("a job did not come to its end in 100 runs")


def _disturb(
    cluster: OwnCluster, running: subprocess.Popen[str], chance: random.Random, tally: Counter[str]
) -> None:
    kills = chance.randint(1, 4)
    while running.poll() is None and kills:
        time.sleep(chance.uniform(0.3, 2.0))
        what = chance.choices(["workers killed", "schedulers killed", "runs killed"], [8, 1, 1])[0]
        if running.poll() is not None:
            return
        kills -= 1
        if what == "schedulers killed":
            cluster.end_scheduler()
            cluster.start()
        elif what == "runs killed":
            running.kill()
        elif not (workers := cluster.worker_pids()) or not _killed(chance.choice(workers)):
            continue
        tally[what] += 1


def _children(pid: int) -> list[int]:
    return [
        int(child)
        for tasks in Path(f"/proc/{pid}/task").glob("*/children")
        for child in tasks.read_text().split()
    ]


def _words(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def _killed(pid: int) -> bool:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return False
    return True


def _end(process: subprocess.Popen[bytes] | subprocess.Popen[str] | None, how: int = signal.SIGTERM) -> None:
    if process is None:
        return
    process.send_signal(how)
    try:
        process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
