"""The host's clocks, and fire time where a demonstration runs faster than life."""

from __future__ import annotations

import time


class HostTime:
    """Gives monotonic seconds, and UTC that never jumps while the process lives.

    The host's clock may be set in the middle of a firing (a small computer without a battery-backed clock
    does that as soon as it sees a network): it is read once, here, and counted on by the monotonic clock.

    Parameters
    ----------
    scale : float, default 1
        Fire seconds per real second; above 1 only in sped-up demonstrations.
    start_us : int, optional
        Fire time at the start; the host's clock if left out. A sped-up demonstration that goes on after a
        restart is ahead of the host's clock. [µs]
    """

    def __init__(self, scale: float = 1.0, start_us: int | None = None) -> None:
        self.scale = scale
        self._start_monotonic = time.monotonic()
        self._start_wall_s = time.time()
        self._start_us = round(self._start_wall_s * 1e6) if start_us is None else start_us

    def fire_s(self) -> float:
        """Monotonic seconds of fire time since the start.

        Returns
        -------
        float
            [s]
        """
        return (time.monotonic() - self._start_monotonic) * self.scale

    def to_fire_s(self, monotonic_s: float) -> float:
        """Convert a reading of the monotonic clock to fire time since the start.

        Parameters
        ----------
        monotonic_s : float
            From `time.monotonic`. [s]

        Returns
        -------
        float
            [s]
        """
        return (monotonic_s - self._start_monotonic) * self.scale

    def utc_us(self) -> int:
        """Now, in fire time.

        Returns
        -------
        int
            UTC, microseconds since 1970. [µs]
        """
        return self._start_us + round(self.fire_s() * 1e6)

    def clock_error_s(self) -> float:
        """How far the host's clock now is from the time line that was begun at the start.

        Returns
        -------
        float
            Positive where the host's clock was set forward. [s]
        """
        elapsed = time.monotonic() - self._start_monotonic
        return time.time() - (self._start_wall_s + elapsed)
