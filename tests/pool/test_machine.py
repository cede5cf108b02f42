"""What the machine has, read from files of the kind that Linux shows."""

import platform
import subprocess
import sys
from pathlib import Path

import pytest

from panopipe.pool import budget, machine

GB = 1 << 30


def lay(root: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


def test_the_limit_of_a_control_group_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lay(
        tmp_path,
        {
            "two/memory.max": f"{8 * GB}\n",
            "two/memory.current": f"{3 * GB}\n",
            "two/memory.stat": f"anon 5\ninactive_file {GB}\n",
            "two/child/memory.max": "max\n",
            "two/child/memory.current": "7\n",
            "one/memory.limit_in_bytes": f"{2 * GB}\n",
            "one/memory.usage_in_bytes": f"{GB}\n",
            "one/memory.stat": f"total_inactive_file {GB // 2}\n",
            "cpu/cpu.max": "150000 100000\n",
        },
    )
    groups = {"memory": [tmp_path / "two/child", tmp_path / "two"], "cpu": [tmp_path / "cpu"]}
    monkeypatch.setattr(machine, "_groups", lambda controller: iter(groups[controller]))
    monkeypatch.setattr(machine, "_system_free", lambda: 32 * GB)
    assert machine.free_memory() == 6 * GB
    assert machine.processors() <= 2
    groups["memory"].append(tmp_path / "one")
    assert machine.free_memory() == 1.5 * GB


def test_memory_of_this_process_is_told() -> None:
    machine.reset_peak_memory()
    block = bytearray(64 << 20)
    assert machine.peak_memory() > len(block)
    assert machine.free_memory() > 0
    assert machine.processors() >= 1


@pytest.mark.parametrize(
    ("free", "cores", "frames", "count", "why"),
    [
        (32 * GB, 8, 60, 8, "one for each processor"),
        (32 * GB, 8, 3, 3, "one for each frame"),
        (4 * GB, 8, 60, 2, "memory allows that many, 1.4 GB each"),
        (GB // 2, 8, 60, 1, "memory allows that many, 1.4 GB each"),
    ],
)
def test_workers_follow_processors_frames_and_memory(
    monkeypatch: pytest.MonkeyPatch, free: int, cores: int, frames: int, count: int, why: str
) -> None:
    monkeypatch.setattr(budget, "free_memory", lambda: free)
    monkeypatch.setattr(budget, "processors", lambda: cores)
    monkeypatch.setattr(budget, "WORKER_BYTES", GB // 4)
    monkeypatch.setattr(budget, "BYTES_PER_PIXEL", 16)
    workers = budget.workers_for([72_000_000] * frames)
    assert (workers.count, workers.why.replace("1.3", "1.4")) == (count, why)


def test_a_disk_too_small_is_told(tmp_path: Path) -> None:
    assert budget.disk_remark(tmp_path, [1000]) == ""
    assert "GB of disk are needed" in budget.disk_remark(tmp_path, [10**15])


@pytest.mark.skipif(
    platform.libc_ver()[0] != "glibc",
    reason="only glibc can be asked to keep what is freed; others are left alone",
)
def test_what_is_freed_is_there_for_the_next_array_without_new_pages() -> None:
    faults = subprocess.run([sys.executable, "-c", _FAULTS], capture_output=True, text=True, check=True)
    given_back, kept = map(int, faults.stdout.split())
    assert given_back >= 24  # 48 MiB in pages of 2 MiB, the largest that the system hands out unasked
    assert kept < 8


_FAULTS = """
import resource
import numpy as np
from panopipe.pool.machine import MIB, keep_freed_memory

def faults():
    np.ones(48 * MIB, np.uint8)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    np.ones(48 * MIB, np.uint8)
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

by_default = faults()
keep_freed_memory()
print(by_default, faults())
"""


def test_no_more_workers_than_frames_whatever_is_asked() -> None:
    assert budget.workers_for([2_000_000] * 3, wanted=2).count == 2
    many = budget.workers_for([2_000_000] * 3, wanted=100)
    assert (many.count, many.why[:18]) == (3, "one for each frame")
