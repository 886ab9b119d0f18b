"""Take lines in the event loop: count bad ones, pass sound ones on to the journal's thread."""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from dataclasses import asdict
from typing import Any, Final

from logger.reading import Event, Frame
from logger.recording.backlog import Token, Unit
from logger.recording.hosttime import HostTime
from logger.recording.placing import Line, Placing
from logger.rig_line.came import UNKNOWN, Came
from logger.rig_line.dialogue import About
from logger.rig_line.wire import BadCrc, Counters, WireError, checksum, decode, is_chatter
from logger.sources import Arrival, Sampled

PENDING_FRAMES: Final = 20_000
"""Frames of one source that may wait for the journal's thread before the source does: 33 min at 10 Hz."""
PENDING_BYTES: Final = 8_000_000
_CLOCK_OFF_S: Final = 60.0
"""A larger jump of the host's clock is reported."""
_LOOK_AGAIN_S: Final = 0.02

log = logging.getLogger(__name__)


class Intake:
    """Takes lines in the event loop; hands frames to the journal's thread."""

    def __init__(self, time_line: HostTime) -> None:
        self.counters = Counters()
        self.placing = Placing(time_line, self.counters)
        """Belongs to the journal's thread."""
        self._time = time_line
        self._lock = threading.Condition()
        self._lines: list[Came] = []
        self._load: dict[str, tuple[int, int]] = {}  # by source: lines and bytes that wait
        self._waiting = Unit()
        self._any = False
        self._taken_s = float("-inf")
        self.stopped = False
        """Whether `stop` was called."""
        self._clock_off_s = 0.0

    async def put(self, arrival: Arrival | Sampled) -> None:
        """Take a line; bad ones are counted and dropped. Waits while there is no room."""
        came = self._came(arrival)
        if came is not None:
            await self._wait_for_room(arrival.source)
        self._add(came, (arrival.source, arrival.token))

    def _came(self, given: Arrival | Sampled) -> Came | None:
        """Read what came in; a bad line is counted and gives None."""
        arrival_s = self._time.to_fire_s(given.monotonic_s)
        token = (given.source, given.token)
        if isinstance(given, Sampled):  # no clock or counter: `Placing` counts for it
            frame = Frame(given.rig, 0, round(arrival_s * 1000) % 2**32, given.samples)
            return Came(0, frame.ms, arrival_s, UNKNOWN, Line(frame, token, b"", proven=False))
        try:
            frame = given.frame or decode(given.line)
        except WireError as exc:
            if given.rig is None and isinstance(exc, BadCrc) and is_chatter(given.line):
                self.counters.chatter += 1
            elif isinstance(exc, BadCrc):
                self.counters.bad_crc += 1
            else:
                self.counters.malformed += 1
                log.debug("%s: %s", given.source, exc)
            return None
        stray = given.rig is not None and frame.rig != given.rig
        line = Line(frame, token, given.line.rstrip(b"\r\n"), stray=stray)
        return Came(frame.seq, frame.ms, arrival_s, checksum(given.line), line)

    async def _wait_for_room(self, source: str) -> None:
        # Polled, because the journal's thread, which makes room, doesn't know this loop.
        while not self.stopped:
            lines, size = self._load.get(source, (0, 0))
            if lines < PENDING_FRAMES and size < PENDING_BYTES:
                return
            await asyncio.sleep(_LOOK_AGAIN_S)

    def report(self, source: str, kind: str, data: dict[str, Any]) -> None:
        """Record what a source says about itself."""
        told = ", ".join(str(v) if key == "detail" else f"{key} {v}" for key, v in data.items())
        log.info("%s: %s%s", source, kind, f": {told}" if told and told != source else "")
        self._event("rig" if kind == "rig" else "system", {"source": source, "what": kind, **data})

    def about(self, said: About, monotonic_s: float) -> None:
        """Record what a rig says about itself, once after it starts."""
        self.placing.about(said, self._time.to_fire_s(monotonic_s))

    def check_host_clock(self) -> None:
        """Record when the host's clock was set; the firing's time line carries on regardless."""
        off_s = self._time.clock_error_s()
        if abs(off_s - self._clock_off_s) > _CLOCK_OFF_S:
            self._event("clock", {"what": "host_set", "by_s": round(off_s - self._clock_off_s, 1)})
            self._clock_off_s = off_s

    def take(self, after_s: float, at_most_s: float) -> Unit:
        """Wait for frames, at least `after_s` after the last ones. For the journal's thread."""
        with self._lock:
            self._lock.wait_for(lambda: self.stopped or self._any, at_most_s)
            if self._any:
                left_s = self._taken_s + after_s - time.monotonic()
                self._lock.wait_for(lambda: self.stopped, left_s) if left_s > 0 else None
                self._taken_s = time.monotonic()
            taken, self._waiting = self._waiting, Unit()
            lines, self._lines = self._lines, []
            self._load.clear()
            self._any = False
        self.placing.take(lines, taken)
        return taken

    def stop(self) -> None:
        """Take nothing more; a waiting `take` returns what there is."""
        with self._lock:
            self.stopped = True
            self._lock.notify_all()

    @property
    def waiting(self) -> int:
        """Frames waiting for the journal's thread."""
        return len(self._lines)

    def counts(self) -> dict[str, int]:
        """All counters."""
        placing = self.placing
        return asdict(self.counters) | {"set_apart": placing.apart.frames, "refused": placing.refused}

    def _say_so(self) -> None:
        if not self._any:
            self._any = True
            self._lock.notify()

    def _add(self, came: Came | None, token: Token) -> None:
        with self._lock:
            if came is not None:
                self._lines.append(came)
                lines, size = self._load.get(token[0], (0, 0))
                self._load[token[0]] = (lines + 1, size + len(came.what.bytes))
            elif token[1] is not None:
                self._waiting.tokens.append(token)
            self._say_so()

    def _event(self, kind: str, data: dict[str, Any]) -> None:
        with self._lock:
            self._waiting.events.append(Event(self._time.utc_us(), kind, data))
            self._say_so()
