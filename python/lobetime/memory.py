"""Refusing what cannot fit in memory, before it is begun: who runs out of it is killed, and told nothing."""

from __future__ import annotations

import math
import os
from pathlib import Path

# Measured by cpp/bench/limits.py: a fit of 10^6 cases peaks at 3.2 kB a case; reading them from 124 MB of short cells
# at 12 bytes a byte, a file of 500 MB with long remarks at 8.
_BYTES_A_CASE = 4096
_BYTES_A_BYTE = 13
_GROUPS = (
    ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory.current"),
    ("/sys/fs/cgroup/memory/memory.limit_in_bytes", "/sys/fs/cgroup/memory/memory.usage_in_bytes"),
)


def free_bytes() -> float:
    """Bytes that this process can still get: of the machine, of its container, and of its own limit. Unknown: inf."""
    return min(_free_of_machine(), _free_of_limit(), *(_free_of_group(*paths) for paths in _GROUPS))


def need(count_bytes: float, what: str, advice: str) -> None:
    """Refuse what needs more memory than there is.

    Raises
    ------
    MemoryError
        With what was asked for, the bytes that it needs, those that are free, and what needs less.
    """
    free = free_bytes()
    if count_bytes > free:
        raise MemoryError(f"{what} need about {_words(count_bytes)} of memory and {_words(free)} are free: {advice}")


def need_for_file(path: Path) -> None:
    """Refuse a file that is too large to be read (MemoryError)."""
    size = path.stat().st_size
    need(size * _BYTES_A_BYTE, f"{path.name}: {_words(size)} to read", "leave out columns and rows that are not needed")


def need_for_replicates(replicates: int, values: int, cases: int) -> None:
    """Refuse a bootstrap of so many replicates, each of so many values, that memory cannot hold (MemoryError).

    A value is held three times: as it comes, in the table of all, and sorted. A replicate that runs holds its cases.
    """
    running = (os.cpu_count() or 1) * cases * _BYTES_A_CASE
    advice = "fewer replicates need less"
    need(replicates * (3 * 8.0 * values + 128) + running, f"{replicates:,} replicates of {cases:,} cases", advice)


def _words(count_bytes: float) -> str:
    return f"{count_bytes / 1e9:.1f} GB" if count_bytes >= 1e9 else f"{max(count_bytes, 0.0) / 1e6:.0f} MB"


def _free_of_machine() -> float:
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        return next(1024.0 * float(line.split()[1]) for line in lines if line.startswith("MemAvailable:"))
    except (OSError, StopIteration):
        return math.inf


def _free_of_limit() -> float:
    try:
        import resource

        limit, _ = resource.getrlimit(resource.RLIMIT_AS)
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except (ImportError, OSError):
        return math.inf
    return math.inf if limit == resource.RLIM_INFINITY else float(limit - pages * resource.getpagesize())


def _free_of_group(limit: str, used: str) -> float:
    try:
        return float(Path(limit).read_text(encoding="ascii")) - float(Path(used).read_text(encoding="ascii"))
    except (OSError, ValueError):  # no such group, or "max"
        return math.inf
