"""The sign of life in the journal: what came in, what became of it, and what is wrong."""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING, Any

from logger.recording.hosttime import HostTime, Uptime

if TYPE_CHECKING:
    from logger.recording.far_end import FarEnd
    from logger.recording.firing_state import Standing
    from logger.recording.intake import Intake


class Heartbeat:
    """Counts what was recorded, and says it together with all else that people want to know of the logger."""

    def __init__(self, time_line: HostTime, intake: Intake, far_end: FarEnd) -> None:
        self._time, self._intake, self._far_end = time_line, intake, far_end
        self.readings = 0
        """Of the running firing and of those before it since the start, on the disk."""
        self.lost = 0
        """Let go of while the disk took nothing."""
        self.not_recorded = 0
        """Came in while no firing was wanted."""
        self._last_commit_us: int | None = None

    def committed(self, readings: int, now_us: int) -> None:
        """Count what has got onto the disk."""
        self.readings += readings
        if readings:
            self._last_commit_us = now_us

    def beat(
        self, standing: Standing, verdict: dict[str, Any] | None, trouble: str, now_us: int, readings: int = 0
    ) -> dict[str, Any]:
        """Say it, with the judgement's `verdict` (JSON), what is wrong, and readings that go in with it."""
        up = Uptime.now()
        return {
            "pid": os.getpid(),
            "at_us": now_us,
            "wall_s": time.time(),
            "boot": up.boot,
            "up_s": up.up_s,
            "time_scale": self._time.scale,
            **self._intake.counts(),
            "readings": self.readings + readings,
            "lost": self.lost,
            "not_recorded": self.not_recorded,
            "waiting": self._intake.waiting,
            "last_commit_us": now_us if readings else self._last_commit_us,
            "sources": self._far_end.sources(),
            "beacons": self._far_end.beacons(),
            "firing": None if standing.firing is None else standing.firing.id,
            "holding": standing.holding,
            "trouble": trouble,
            "verdict": None if verdict is None else verdict.get("load"),
            "alarms": None if verdict is None else verdict.get("alarms"),
        }
