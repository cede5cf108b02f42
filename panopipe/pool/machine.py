"""What the machine has: processors, memory free to us, peak memory of this process."""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
from collections.abc import Iterator
from pathlib import Path

MIB = 1 << 20
_TRIM, _FROM_THE_SYSTEM = -1, -3
"""Parameters of mallopt(3): the free memory above which some is given back, and the size of an array from
which each gets pages of its own."""
_UNLIMITED = 1 << 60
"""Larger than any memory: control groups without a limit report numbers like this."""


def processors() -> int:
    """Processors that this process may use, the quota of its control group counted."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    for group in _groups("cpu"):
        quota = _words(group / "cpu.max")
        if len(quota) == 2 and quota[0].isdecimal():
            count = min(count, max(1, round(int(quota[0]) / int(quota[1]))))
    return count


def free_memory() -> int:
    """Bytes that this process and its children may still take.

    The least of what the machine has free, what its control groups (both versions) leave, and the limit
    on address space.
    """
    return max(0, min(_system_free(), _group_free(), _address_space()))


def peak_memory() -> int:
    """Peak resident bytes of this process, since `reset_peak_memory` where the system can do that."""
    high_water = _status("VmHWM")
    if high_water:
        return high_water
    return _process_peak()


def reset_peak_memory() -> None:
    """Begin a new count of peak memory, on Linux; elsewhere the count is that of the process' life."""
    try:
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    except OSError:
        return


def keep_freed_memory() -> None:
    """Let what is freed stay with this process for the arrays to come, where the C library can be asked to.

    By default large arrays are given back at once, and the next ones come page by page, each emptied
    first: thousands of pages a frame, the dearer the more processes are at it. Asks glibc; others are
    left as they are.
    """
    if sys.platform != "linux":
        return
    with contextlib.suppress(OSError, AttributeError):
        mallopt = ctypes.CDLL(None).mallopt
        if not mallopt(_FROM_THE_SYSTEM, 1 << 30):
            mallopt(_FROM_THE_SYSTEM, 32 * MIB)  # the most that older ones take
        mallopt(_TRIM, 1 << 30)


def _group_free() -> int:
    free = _UNLIMITED
    for group in _groups("memory"):
        for limit, usage in (
            ("memory.max", "memory.current"),
            ("memory.limit_in_bytes", "memory.usage_in_bytes"),
        ):
            words, used = _words(group / limit), _words(group / usage)
            if words and used and words[0].isdecimal():
                free = min(free, int(words[0]) - int(used[0]) + _reclaimable(group))
    return free


def _reclaimable(group: Path) -> int:
    """Bytes of files' pages that the group would give up first: they count as used and are not."""
    words = _words(group / "memory.stat")
    stat = dict(zip(words[::2], words[1::2], strict=False))
    return int(stat.get("total_inactive_file", stat.get("inactive_file", 0)))


def _groups(controller: str) -> Iterator[Path]:
    """Folders of this process' control groups, from its own up to the root."""
    try:
        lines = Path("/proc/self/cgroup").read_text(encoding="utf-8").splitlines()
    except OSError:
        return
    for line in lines:
        _, controllers, name = line.split(":", 2)
        if controllers and controller not in controllers.split(","):
            continue
        root = Path("/sys/fs/cgroup") / (controller if controllers else "")
        group = root / name.lstrip("/")
        # In a container the group's own name may not exist below its mount: the root is then the group.
        yield from [group, *(parent for parent in group.parents if parent.is_relative_to(root))]


def _words(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="ascii").split()
    except (OSError, ValueError):
        return []


def _status(name: str) -> int:
    return _kibibytes("/proc/self/status", name)


def _memory_available() -> int:
    return _kibibytes("/proc/meminfo", "MemAvailable")


def _kibibytes(file: str, name: str) -> int:
    """Bytes of a line `name: N kB`, 0 where there is none."""
    try:
        for line in Path(file).read_text(encoding="utf-8").splitlines():
            if line.startswith(name + ":"):
                return int(line.split()[1]) * 1024
    except (OSError, ValueError):
        pass
    return 0


if sys.platform == "win32":

    class _MemoryStatus(ctypes.Structure):
        _fields_ = [
            ("length", ctypes.c_ulong),
            ("load", ctypes.c_ulong),
            *((name, ctypes.c_ulonglong) for name in ("total", "free", "c", "d", "e", "f", "g")),
        ]

    class _ProcessMemory(ctypes.Structure):
        _fields_ = [
            ("size", ctypes.c_ulong),
            ("faults", ctypes.c_ulong),
            *((name, ctypes.c_size_t) for name in ("peak", "now", "a", "b", "c", "d", "e", "f")),
        ]

    def _system_free() -> int:
        status = _MemoryStatus(length=ctypes.sizeof(_MemoryStatus))
        ctypes.windll.kernel32.GlobalMemoryStatusEx(ctypes.byref(status))
        return int(status.free)

    def _process_peak() -> int:
        counters = _ProcessMemory(size=ctypes.sizeof(_ProcessMemory))
        current = ctypes.windll.kernel32.GetCurrentProcess
        current.restype = ctypes.c_void_p
        ctypes.windll.psapi.GetProcessMemoryInfo(
            ctypes.c_void_p(current()), ctypes.byref(counters), counters.size
        )
        return int(counters.peak)

    def _address_space() -> int:
        return _UNLIMITED
else:
    import resource

    def _system_free() -> int:
        free = _memory_available()
        # macOS tells no free memory without a subprocess; half of what it has is a careful guess.
        return free or os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2

    def _process_peak() -> int:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak if sys.platform == "darwin" else peak * 1024

    def _address_space() -> int:
        soft, _ = resource.getrlimit(resource.RLIMIT_AS)
        return _UNLIMITED if soft == resource.RLIM_INFINITY else soft - _status("VmSize")
