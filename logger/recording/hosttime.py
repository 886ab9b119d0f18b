"""The host's clocks, and fire time, which a demonstration may run faster than real time."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

_BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")


def stamp() -> dict[str, Any]:
    """Who is running, and what the host's clocks say now.

    `up_s`, how long the host has been up, is a clock that nobody sets and that runs on while the host sleeps;
    `boot` is different after each start of the host, and empty if the system gives none.
    """
    try:
        boot, up_s = _BOOT_ID.read_text().strip(), time.clock_gettime(time.CLOCK_BOOTTIME)
    except (AttributeError, OSError):  # not on Linux
        boot, up_s = "", 0.0
    return {"pid": os.getpid(), "wall_s": time.time(), "boot": boot, "up_s": up_s}


def same_start(then: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    """Whether both stamps are surely from the same start of the host."""
    return bool(now["boot"]) and then.get("boot") == now["boot"]


def gone_s(then: Mapping[str, Any], now: Mapping[str, Any]) -> float:
    """Time between two stamps: by uptime if possible, else by the clock, which may have been set. [s]."""
    clock = "up_s" if same_start(then, now) else "wall_s"
    return float(now[clock]) - float(then[clock])


def goes_on_at(beat: Mapping[str, Any], scale: float, now: Mapping[str, Any]) -> int | None:
    """Where a firing's time line has got to when its logger is restarted. UTC. [µs].

    `beat` is the last heartbeat, empty without a running firing. None if the host's clock is the best
    there is, unless it is behind the last beat.
    """
    if not beat:
        return None
    if scale == 1.0 and not same_start(beat, now):
        # A host whose clock has no battery restarts in the past.
        return None if now["wall_s"] * 1e6 >= beat["at_us"] else int(beat["at_us"])
    return int(beat["at_us"] + gone_s(beat, now) * scale * 1e6)


class HostTime:
    """Monotonic seconds, and UTC that never jumps while the process lives.

    The host's clock may be set in the middle of a firing (a small computer without a battery-backed clock
    does that as soon as it sees a network): it is read once, here, and carried on by the monotonic clock.
    `scale` is fire seconds per real second, above 1 only in demonstrations; `start_us` is the fire time at
    the start, from `goes_on_at`.
    """

    def __init__(self, scale: float = 1.0, start_us: int | None = None) -> None:
        self.scale = scale
        self._start_monotonic = time.monotonic()
        self._start_wall_s = time.time()
        self.start_us = round(self._start_wall_s * 1e6) if start_us is None else start_us

    def fire_s(self) -> float:
        """Monotonic seconds of fire time since the start."""
        return (time.monotonic() - self._start_monotonic) * self.scale

    def to_fire_s(self, monotonic_s: float) -> float:
        """Convert a reading of the monotonic clock to fire time since the start."""
        return (monotonic_s - self._start_monotonic) * self.scale

    def to_monotonic_s(self, fire_s: float) -> float:
        """Convert fire time since the start to a reading of the monotonic clock."""
        return fire_s / self.scale + self._start_monotonic

    def to_us(self, fire_s: float) -> int:
        """Convert fire time since the start to UTC. [µs]."""
        return self.start_us + round(fire_s * 1e6)

    def utc_us(self) -> int:
        """Now, in fire time."""
        return self.to_us(self.fire_s())

    def clock_error_s(self) -> float:
        """How far the host's clock has been set forward since the start. [s]."""
        elapsed = time.monotonic() - self._start_monotonic
        return time.time() - (self._start_wall_s + elapsed)
