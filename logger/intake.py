"""From a source's lines to timed frames, counted; the queue between event loop and journal's thread."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from logger.clock import RigClock
from logger.hosttime import HostTime
from logger.reading import Frame
from logger.sequence import Arrived, SequenceTracker
from logger.sources import Arrival
from logger.wire import BadCrc, Counters, WireError, checksum, decode

PENDING_FRAMES: Final = 20_000
"""What may wait for the journal's thread: 33 min of one rig at 10 Hz, 40 s of fifty; then the oldest go."""
MAX_RIGS: Final = 256
"""Whoever sends ever new names doesn't fill our memory with them."""
_CLOCK_OFF_S: Final = 60.0
"""The host's clock against our count of time: more than this is told."""

log = logging.getLogger(__name__)

Token = tuple[str, object]
"""A source's name and what it wants to hear back."""

_Untimed = tuple[Frame, Arrived, float]
"""A frame, what it is to its rig's line, and when it was read. [s]"""


@dataclass(slots=True)
class Taken:
    """What has come in since the last time.

    Attributes
    ----------
    frames : list of (Frame, int)
        With the time of each, UTC. [µs]
    tokens : list of (source, token)
        To acknowledge once the frames are in the journal.
    events : list of (t_us, kind, data)
        What happened to rigs and sources.
    """

    frames: list[tuple[Frame, int]] = field(default_factory=list)
    tokens: list[Token] = field(default_factory=list)
    events: list[tuple[int, str, dict[str, Any]]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.frames or self.tokens or self.events)


class _Rig:
    """One rig's line of frames and of time."""

    def __init__(self, counters: Counters) -> None:
        self.sequence = SequenceTracker(counters)
        self.clock: RigClock | None = None
        self.restored: dict[str, Any] | None = None
        self.floor_us: int | None = None
        self.told_impossible = False


class Intake:
    """Takes lines in the event loop; gives frames to the journal's thread.

    Parameters
    ----------
    time_line : HostTime
        Turns arrivals into UTC.
    """

    def __init__(self, time_line: HostTime) -> None:
        self.counters = Counters()
        self.dropped = 0
        self.heard: dict[str, tuple[str, float]] = {}
        """By rig: the source that its last frame came by, and when it was read. [s]"""
        self._time = time_line
        self._rigs: dict[str, _Rig] = {}
        self._lock = threading.Condition()
        self._frames: list[_Untimed] = []
        self._waiting = Taken()
        self._first_s: float | None = None
        self._stopped = False
        self._clock_off_s = 0.0

    def prime(
        self, rig: str, frames: Iterable[tuple[int, int, int]], newest_us: int, clock: dict[str, Any]
    ) -> None:
        """Go on after a restart: with what the journal knows of a rig.

        Parameters
        ----------
        rig : str
        frames : iterable of (seq, ms, t_us)
            Its latest frames, in order of time.
        newest_us : int
            Time of its newest reading. [µs]
        clock : dict
            Its entry of `clocks` when that was committed; empty if there is none.
        """
        entry = self._rig(rig)
        begin_s = self._time.utc_us() / 1e6 - self._time.fire_s()
        entry.sequence.prime((seq, ms, t_us / 1e6 - begin_s) for seq, ms, t_us in frames)
        entry.restored = clock or None
        entry.floor_us = newest_us

    def clocks(self) -> dict[str, Any]:
        """State of every rig's clock, for `prime`; in the journal's thread.

        Returns
        -------
        dict
            Rig to plain data.
        """
        shift_s = self._time.utc_us() / 1e6 - self._time.fire_s()
        return {
            name: {"shift_s": shift_s, **entry.clock.state()}
            for name, entry in list(self._rigs.items())
            if entry.clock is not None
        }

    async def put(self, arrival: Arrival) -> None:
        """Take a line; bad ones are counted and dropped.

        Parameters
        ----------
        arrival : Arrival
        """
        token = (arrival.source, arrival.token)
        try:
            frame = decode(arrival.line)
            if arrival.rig is not None and frame.rig != arrival.rig:
                raise WireError(f"a frame of rig {frame.rig!r} under the topic of {arrival.rig!r}")
            if frame.rig not in self._rigs and len(self._rigs) >= MAX_RIGS:
                raise WireError(f"{frame.rig!r} would be one rig more than {MAX_RIGS}")
        except WireError as exc:
            if isinstance(exc, BadCrc):
                self.counters.bad_crc += 1
            else:
                self.counters.malformed += 1
                log.debug("%s: %s", arrival.source, exc)
            self._add(None, token)
            return
        rig = self._rig(frame.rig)
        self.heard[frame.rig] = (arrival.source, arrival.monotonic_s)
        arrival_s = self._time.to_fire_s(arrival.monotonic_s)
        arrived = rig.sequence.classify(frame.seq, frame.ms, arrival_s, checksum(arrival.line))
        if arrived is Arrived.IMPOSSIBLE and not rig.told_impossible:
            rig.told_impossible = True
            text = (
                "frames that no single rig can have sent; are there two rigs of this name? rename one of them"
            )
            self._event("fault", {"rig": frame.rig, "channel": "", "text": text})
        keep = arrived not in (Arrived.DUPLICATE, Arrived.IMPOSSIBLE)
        self._add((frame, arrived, arrival_s) if keep else None, token)

    def report(self, source: str, kind: str, data: dict[str, Any]) -> None:
        """Note what a source says of itself.

        Parameters
        ----------
        source : str
        kind : str
        data : dict
        """
        log.info("%s: %s %s", source, kind, data or "")
        self._event("rig" if kind == "rig" else "system", {"source": source, "what": kind, **data})

    def check_host_clock(self) -> None:
        """Note when somebody has set the host's clock; the firing's time line goes on without heeding it."""
        off_s = self._time.clock_error_s()
        if abs(off_s - self._clock_off_s) > _CLOCK_OFF_S:
            self._event("clock", {"what": "host_set", "by_s": round(off_s - self._clock_off_s, 1)})
            self._clock_off_s = off_s

    def take(self, after_s: float, at_most_s: float) -> Taken:
        """Wait for frames, then a little for more of them. For the journal's thread.

        Parameters
        ----------
        after_s : float
            From the first waiting frame. [s]
        at_most_s : float
            Wait no longer than this if there is nothing. [s]

        Returns
        -------
        Taken
        """
        with self._lock:
            self._lock.wait_for(lambda: self._stopped or self._first_s is not None, at_most_s)
            if self._first_s is not None:
                left_s = self._first_s + after_s - time.monotonic()
                self._lock.wait_for(lambda: self._stopped, left_s) if left_s > 0 else None
            taken, self._waiting = self._waiting, Taken()
            frames, self._frames = self._frames, []
            self._first_s = None
        self._stamp(frames, taken)
        return taken

    def stop(self) -> None:
        """Take nothing more; whoever waits in `take` gets what there is."""
        with self._lock:
            self._stopped = True
            self._lock.notify_all()

    @property
    def stopped(self) -> bool:
        """Whether `stop` was called."""
        return self._stopped

    @property
    def waiting(self) -> int:
        """Frames that wait for the journal's thread."""
        return len(self._frames)

    def counts(self) -> dict[str, int]:
        """Everything that is counted.

        Returns
        -------
        dict
        """
        return {**asdict(self.counters), "dropped": self.dropped}

    def _rig(self, name: str) -> _Rig:
        if (rig := self._rigs.get(name)) is None:
            rig = self._rigs[name] = _Rig(self.counters)
        return rig

    def _stamp(self, frames: list[_Untimed], taken: Taken) -> None:
        """Give every frame its time. In the journal's thread: the clocks are its own."""
        begin_s = self._time.utc_us() / 1e6 - self._time.fire_s()
        for i, (frame, arrived, arrival_s) in enumerate(frames):
            rig = self._rig(frame.rig)
            clock = rig.clock
            if clock is None and rig.restored is not None:
                restored = RigClock.restore(rig.restored, rig.restored["shift_s"] - begin_s)
                if arrived is not Arrived.REBOOT and restored.continues(frame.ms, arrival_s):
                    clock = rig.clock = restored
                rig.restored = None
            if arrived is Arrived.LATE and clock is not None:
                t_s = clock.late(frame.ms)
            else:
                if clock is None or arrived is Arrived.REBOOT or not clock.continues(frame.ms, arrival_s):
                    if clock is not None:
                        now_us = round((begin_s + arrival_s) * 1e6)
                        taken.events.append((now_us, "rig", {"rig": frame.rig, "what": "reboot"}))
                        floor_s: float | None = clock.newest_s
                    else:
                        floor_s = None if rig.floor_us is None else rig.floor_us / 1e6 - begin_s
                    clock = rig.clock = RigClock(clock.drift if clock else 0.0, floor_s)
                    # Lines that had gathered before anyone listened come at once: the later ones of them
                    # tell when the first was made.
                    for other, what, other_s in frames[i + 1 :]:
                        if other.rig != frame.rig:
                            continue
                        if what is Arrived.REBOOT:
                            break
                        if what is Arrived.NEW:
                            arrival_s = min(arrival_s, other_s - (other.ms - frame.ms) % 2**32 / 1000)
                t_s = clock.new(frame.ms, arrival_s)
            taken.frames.append((frame, round((begin_s + t_s) * 1e6)))

    def _add(self, frame: _Untimed | None, token: Token) -> None:
        with self._lock:
            if frame is not None:
                self._frames.append(frame)
                if len(self._frames) > PENDING_FRAMES:
                    del self._frames[0]
                    self.dropped += 1
            if token[1] is not None:
                self._waiting.tokens.append(token)
            if self._first_s is None:
                self._first_s = time.monotonic()
                self._lock.notify()

    def _event(self, kind: str, data: dict[str, Any]) -> None:
        with self._lock:
            self._waiting.events.append((self._time.utc_us(), kind, data))
            if self._first_s is None:
                self._first_s = time.monotonic()
                self._lock.notify()
