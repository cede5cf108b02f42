"""A job on a real cluster: the same files and the same ledger as on one machine, and nothing left open."""

import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

import psutil
from distributed import Security

from panopipe.cluster.connection import Connection
from panopipe.state.folders import ARRIVING
from panopipe.state.ledger import Ledger
from tests.stress.clusters import OwnCluster
from tests.stress.jobs import Ran, hashes, make_job, panopipe

pytestmark = pytest.mark.slow


def ledger_of(folder: Path) -> dict[str, Any]:
    """What the ledger holds of each frame, without what differs between two runs on one machine."""
    with Ledger(folder, read_only=True) as ledger:
        entries = ledger.entries()
    return {
        str(key): (
            entry.fingerprint,
            replace(entry.record, stage_seconds={}, peak_bytes=0),
            {name: (stamp.size, stamp.sha256) for name, stamp in entry.files.items()},
        )
        for key, entry in entries.items()
    }


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job finished on this machine."""
    folder = make_job(tmp_path_factory.mktemp("jobs") / "plain", rooms=2, frames=2, width=256)
    assert panopipe("run", folder, "--no-review", "--workers", 1).code == 0
    return folder


@pytest.fixture
def other(plain: Path, tmp_path: Path) -> Path:
    """The same job, not begun."""
    shutil.copytree(plain / "originals", tmp_path / "other/originals")
    shutil.copy(plain / "recipe.toml", tmp_path / "other")
    return tmp_path / "other"


def on(cluster: str, folder: Path) -> Ran:
    return panopipe("run", folder, "--no-review", "--cluster", cluster)


def test_a_cluster_gives_the_same_files_and_ledger(plain: Path, other: Path) -> None:
    ran = on("local:2", other)
    assert (ran.code, "with 2 workers (of local:2)" in ran.output) == (0, True), ran.output
    assert hashes(other / "finished") == hashes(plain / "finished")
    assert ledger_of(other) == ledger_of(plain)
    assert list((other / ARRIVING).iterdir()) == []
    again = panopipe("run", other, "--no-review")
    assert (again.code, "to finish" in again.output) == (0, False)


def test_a_lost_scheduler_ends_the_run_and_another_goes_on(plain: Path, other: Path, tmp_path: Path) -> None:
    with OwnCluster(tmp_path / "cluster", workers=1) as cluster:
        running = cluster.begin(other)
        cluster.wait_for_finished(other, 1)
        cluster.end_scheduler()
        output, _ = running.communicate(timeout=120)
    assert running.returncode == 3, output
    assert f"the scheduler at {cluster.address} has gone; run again: it goes on from here" in output
    assert panopipe("run", other, "--no-review").code == 0
    assert hashes(other / "finished") == hashes(plain / "finished")


def test_workers_of_another_panopipe_are_refused_with_one_line(other: Path, tmp_path: Path) -> None:
    older = tmp_path / "older"
    older.mkdir()
    (older / "sitecustomize.py").write_text("import panopipe\npanopipe.__version__ = '0.0.9'\n")
    with OwnCluster(tmp_path / "cluster", workers=1, env={"PYTHONPATH": str(older)}) as cluster:
        ran = on(cluster.address, other)
    said = [line for line in ran.output.splitlines() if "waiting" not in line]  # it may come a moment later
    assert (ran.code, len(said)) == (2, 1), ran.output
    assert "it has panopipe 0.0.9, this machine" in said[0]
    assert hashes(other / "finished") == {}


def test_the_engine_s_own_settings_encrypt_the_way(plain: Path, other: Path, tmp_path: Path) -> None:
    secret = Security.temporary().get_tls_config_for_role("scheduler")
    (tmp_path / "ca.pem").write_text(secret["ca_file"])
    (tmp_path / "cert.pem").write_text(secret["cert"])
    (tmp_path / "key.pem").write_text(secret["key"])
    names = {"CA_FILE": "ca.pem"}
    for role in ("SCHEDULER", "WORKER", "CLIENT"):
        names |= {f"{role}__CERT": "cert.pem", f"{role}__KEY": "key.pem"}
    env = {f"DASK_DISTRIBUTED__COMM__TLS__{name}": str(tmp_path / file) for name, file in names.items()}
    with OwnCluster(tmp_path / "cluster", workers=1, env=env, scheme="tls") as cluster:
        assert on(cluster.address, other).code != 0  # without the certificate there is no way in
        running = cluster.begin(other)
        output, _ = running.communicate(timeout=120)
    assert running.returncode == 0, output
    assert hashes(other / "finished") == hashes(plain / "finished")


@pytest.fixture
def connection() -> Iterator[Connection]:
    opened = Connection("local:1")
    yield opened
    opened.close()


def test_workers_here_can_be_reached_from_this_machine_alone(connection: Connection) -> None:
    this = psutil.Process()
    processes = [this, *this.children(recursive=True)]
    listening = [one for process in processes for one in process.net_connections() if one.status == "LISTEN"]
    assert listening
    assert {one.laddr.ip for one in listening} == {"127.0.0.1"}
    (address,) = connection.begin(connection.workers()).result(10)
    assert address.startswith("tls://127.0.0.1:")


MODULES = """
import sys
from panopipe.cli import main
try:
    main()
except SystemExit as end:
    print("ended", end.code)
print("loaded", sorted({name.split(".")[0] for name in sys.modules} & {"dask", "distributed", "tornado"}))
"""


def python(code: str, *words: object) -> str:
    command = [sys.executable, "-c", code, *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=300, check=False).stdout


def test_a_run_on_one_machine_loads_nothing_of_it(other: Path) -> None:
    assert "loaded []" in python(MODULES, "run", other, "--no-review", "--workers", 1)


def test_where_it_is_not_installed_a_line_says_how(other: Path) -> None:
    command = [sys.executable, "-c", f"import sys; sys.modules['distributed'] = None\n{MODULES}"]
    words = ["run", str(other), "--cluster", "local:1"]
    ran = subprocess.run([*command, *words], capture_output=True, text=True, timeout=300, check=False)
    assert "ended 2" in ran.stdout
    assert ran.stderr.count("\n") == 1
    assert "pip install 'panopipe[cluster]'" in ran.stderr


def test_workers_cannot_be_counted_twice(other: Path) -> None:
    ran = panopipe("run", other, "--cluster", "local:1", "--workers", 2)
    assert (ran.code, ran.output.count("\n")) == (2, 1)
