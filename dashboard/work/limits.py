"""Limits for a process that reads what strangers send."""

import os
import resource


def limit(memory_mb: int, file_mb: int, time_s: float) -> None:
    """Limit what this process may use from now on."""
    now = _data_bytes()
    for kind, most in (
        # Not the address space: libraries reserve far more of it than they use.
        (resource.RLIMIT_DATA, now + (memory_mb << 20)),
        (resource.RLIMIT_FSIZE, file_mb << 20),
        (resource.RLIMIT_CPU, round(time_s)),
        (resource.RLIMIT_CORE, 0),
    ):
        hard = resource.getrlimit(kind)[1]
        resource.setrlimit(kind, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))


def _data_bytes() -> int:
    """Return how much private memory this process already has; Linux counts it in pages (proc(5), statm)."""
    try:
        with open("/proc/self/statm", encoding="ascii") as file:  # noqa: PTH123
            return int(file.read().split()[5]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, IndexError, ValueError):
        return 256 << 20
