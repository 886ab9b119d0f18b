"""From a source's lines to timed frames, counted; the queue between event loop and journal's thread.

Nothing that came in sound is answered before it is on its way to the disk: as a reading, or set apart.
"""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from itertools import islice
from typing import Any, Final

from logger.hosttime import HostTime
from logger.journal.set_apart import Apart, Key
from logger.reading import Frame
from logger.rig_line.admission import MAX_COLUMNS, MAX_RIGS, Admission
from logger.rig_line.boot import UNKNOWN, Came
from logger.rig_line.clock import RigClock
from logger.rig_line.dialogue import About
from logger.rig_line.stream import Begin, Outcome, Stream, Verdict
from logger.rig_line.wire import BadCrc, Counters, WireError, checksum, decode, is_chatter, is_name
from logger.sources import Arrival, Sampled

PENDING_FRAMES: Final = 20_000
"""What may wait of one source for the journal's thread; then the source waits. 33 min of a rig at 10 Hz."""
PENDING_BYTES: Final = 8_000_000
ROOM_BYTES: Final = 16_000_000
"""What may be set apart of one recorded rig, or of one source's strangers: 80 min, 8 channels, 10 Hz."""
STREAMS: Final = 512
"""Rigs that are followed at most, recorded or not."""
_CLOCK_OFF_S: Final = 60.0
"""The host's clock against our count of time: more than this is told."""
_NAMES_TOLD: Final = 8
_LOOK_AGAIN_S: Final = 0.02
_RESET_S: Final = 30.0
"""A new boot is sure within 10 s; the rig said why it started just before. [s]"""
_RESETS: Final = 256

log = logging.getLogger(__name__)

Token = tuple[str, object]
"""A source's name and what it wants to hear back."""

_SAID: Final = {
    "twins": (
        "frames that no single rig can have sent; are there two rigs of this name? rename one of them. What "
        "the other sends is set apart, not lost"
    ),
    "disorder": (
        "its seq and ms can't be believed: they stand still or jump from frame to frame; times are those of "
        "arrival. Mend the firmware; `stokewatch listen` says what is wrong"
    ),
}


@dataclass(slots=True)
class Taken:
    """What has come in since the last time.

    Attributes
    ----------
    frames : list of (Frame, int)
        With the time of each, UTC. [µs]
    apart : list of Apart
        Frames that nobody can place yet, to be kept as they came.
    placed : list of int
        Numbers of frames set apart earlier that are among `frames` now.
    keys : dict of str to list of (seq, ms, checksum)
        Of `frames`, by rig.
    tokens : list of (source, token)
        To acknowledge once all this is in the journal.
    refused : list of (source, token)
        Never to be acknowledged: there is no room to keep them.
    events : list of (t_us, kind, data)
        What happened to rigs and sources.
    """

    frames: list[tuple[Frame, int]] = field(default_factory=list)
    apart: list[Apart] = field(default_factory=list)
    placed: list[int] = field(default_factory=list)
    keys: dict[str, list[Key]] = field(default_factory=dict)
    tokens: list[Token] = field(default_factory=list)
    refused: list[Token] = field(default_factory=list)
    events: list[tuple[int, str, dict[str, Any]]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.frames or self.apart or self.placed or self.tokens or self.refused or self.events)


@dataclass(slots=True)
class _Line:
    """A sound frame on its way to the journal's thread."""

    frame: Frame
    arrival_s: float
    checksum: int
    source: str
    token: object | None
    bytes: bytes
    stray: bool = False
    """It came under another rig's topic."""
    kept_before: bool = False
    """It is on disk, set apart by an earlier start."""
    proven: bool = True
    """It has a checksum, a counter and a clock of its own."""


class Intake:
    """Takes lines in the event loop; gives frames to the journal's thread.

    Parameters
    ----------
    time_line : HostTime
        Turns arrivals into UTC.
    """

    def __init__(self, time_line: HostTime) -> None:
        self.counters = Counters()
        self.refused = 0
        """Sound frames that were neither kept nor acknowledged."""
        self.heard: dict[str, tuple[str, float]] = {}
        """By recorded rig: the source that its last frame came by, and when it was read. [s]"""
        self._time = time_line
        self._admission = Admission()
        self._streams: dict[str, Stream] = {}
        self._lock = threading.Condition()
        self._lines: list[_Line] = []
        self._load: dict[str, tuple[int, int]] = {}  # by source: lines and bytes that wait
        self._waiting = Taken()
        self._early: list[_Line] = []
        self._first_s: float | None = None
        self._stopped = False
        self._clock_off_s = 0.0
        self._next_id = 1
        # Of frames that may be placed yet: where they count, and their size.
        self._apart: dict[int, tuple[str, int]] = {}
        self._room: dict[str, int] = {}  # bytes set apart, by rig or by source
        self._set_apart = 0
        self._told: set[str] = set()
        self._resets: dict[str, tuple[str, float]] = {}  # by rig: what started it, and when it said so
        self._unproven: dict[str, int] = {}  # by rig without a counter: the next number that it is given

    def prime(
        self,
        rig: str,
        frames: Iterable[tuple[int, int, int]],
        channels: Iterable[str],
        checksums: dict[tuple[int, int], int],
        clock: dict[str, Any],
    ) -> None:
        """Go on after a restart: with what the journal knows of a rig.

        Parameters
        ----------
        rig : str
        frames : iterable of (seq, ms, t_us)
            Its latest frames, in order of time.
        channels : iterable of str
            That the firing has of it.
        checksums : dict of (seq, ms) to int
            Of its latest frames.
        clock : dict
            Its entry of `clocks` when that was committed; empty if there is none.
        """
        self._admission.known(rig, channels)
        begin_s = self._begin_s()
        came = [
            Came(seq, ms, t_us / 1e6 - begin_s, checksums.get((seq, ms), UNKNOWN)) for seq, ms, t_us in frames
        ]
        if not came:
            return
        self._unproven[rig] = came[-1].seq + 1  # should it be a rig that has no counter
        restored = None
        if clock:
            restored = RigClock.restore(clock, clock["shift_s"] - begin_s)
            if abs(restored.late(came[-1].ms) - came[-1].arrival_s) > 1.0:  # of another boot
                restored = None
        stream = self._streams[rig] = Stream(self.counters)
        stream.prime(came, self._time.fire_s(), restored)

    def prime_apart(
        self,
        next_id: int,
        sums: dict[tuple[str, str], tuple[int, int]],
        rows: Sequence[Apart],
    ) -> None:
        """Go on after a restart: with what is set apart.

        Parameters
        ----------
        next_id : int
            The next free number.
        sums : dict of (rig, source) to (frames, bytes)
        rows : sequence of Apart
            The latest ones, which may find their places yet.
        """
        self._next_id = next_id
        for (rig, source), (frames, size) in sums.items():
            self._set_apart += frames
            key = rig if rig in self._streams else f"by {source}"
            self._room[key] = self._room.get(key, 0) + size
        begin_s, now_s = self._begin_s(), self._time.fire_s()
        for row in rows:
            arrival_s = row.t_us / 1e6 - begin_s
            if row.why not in ("unplaced", "rig") or arrival_s > now_s:
                continue
            try:
                frame = decode(row.line)
            except WireError:
                continue
            key = row.rig if row.rig in self._streams else f"by {row.source}"
            self._apart[row.id] = (key, len(row.line))
            line = _Line(frame, arrival_s, checksum(row.line), row.source, row.id, row.line)
            line.kept_before = True
            self._early.append(line)

    def clocks(self) -> dict[str, Any]:
        """State of every rig's clock, for `prime`; in the journal's thread.

        Returns
        -------
        dict
            Rig to plain data.
        """
        shift_s = self._begin_s()
        return {
            name: {"shift_s": shift_s, **stream.boot.clock.state()}
            for name, stream in self._streams.items()
            if stream.boot is not None and stream.boot.clock.begun
        }

    async def put(self, arrival: Arrival | Sampled) -> None:
        """Take a line; bad ones are counted and dropped. Waits while there is no room.

        Parameters
        ----------
        arrival : Arrival or Sampled
        """
        token = (arrival.source, arrival.token)
        if isinstance(arrival, Sampled):
            await self._wait_for_room(arrival.source)
            self._add(self._numbered(arrival), token)
            return
        try:
            frame = decode(arrival.line)
        except WireError as exc:
            if arrival.rig is None and isinstance(exc, BadCrc) and is_chatter(arrival.line):
                self.counters.chatter += 1
            elif isinstance(exc, BadCrc):
                self.counters.bad_crc += 1
            else:
                self.counters.malformed += 1
                log.debug("%s: %s", arrival.source, exc)
            self._add(None, token)
            return
        line = _Line(
            frame,
            self._time.to_fire_s(arrival.monotonic_s),
            checksum(arrival.line),
            arrival.source,
            arrival.token,
            arrival.line.rstrip(b"\r\n"),
            stray=arrival.rig is not None and frame.rig != arrival.rig,
        )
        await self._wait_for_room(arrival.source)
        self._add(line, token)

    async def _wait_for_room(self, source: str) -> None:
        # The journal's thread makes room, and knows nothing of this loop.
        while not self._stopped and not self._has_room(source):  # noqa: ASYNC110
            await asyncio.sleep(_LOOK_AGAIN_S)

    def _numbered(self, came: Sampled) -> _Line:
        """Make a frame of readings that have no counter and no clock: both are ours."""
        seq = self._unproven.get(came.rig, 0)
        self._unproven[came.rig] = seq + 1
        arrival_s = self._time.to_fire_s(came.monotonic_s)
        frame = Frame(came.rig, seq % 2**32, round(arrival_s * 1000) % 2**32, came.samples)
        return _Line(frame, arrival_s, UNKNOWN, came.source, came.token, b"", proven=False)

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

    def about(self, said: About, monotonic_s: float) -> None:
        """Note what a rig says of itself, as it does once when it has started.

        Parameters
        ----------
        said : About
        monotonic_s : float
            When it said so. [s]
        """
        reset = said.reset if is_name(said.reset) and said.reset != "unknown" else ""
        self._resets.pop(said.rig, None)
        self._resets[said.rig] = (reset, self._time.to_fire_s(monotonic_s))
        if len(self._resets) > _RESETS:
            del self._resets[next(iter(self._resets))]

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
            lines, self._lines = self._lines, []
            self._load.clear()
            self._first_s = None
        lines, self._early = [*self._early, *lines], []
        for i, line in enumerate(lines):
            self._follow(i, line, lines, taken)
        now_s = self._time.fire_s()
        for name, stream in self._streams.items():
            if stream.held:
                self._record(name, stream.settle_idle(now_s), now_s, taken)
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
        return len(self._lines)

    def counts(self) -> dict[str, int]:
        """Everything that is counted.

        Returns
        -------
        dict
        """
        return {**asdict(self.counters), "set_apart": self._set_apart, "refused": self.refused}

    def forget(self, keys: dict[str, list[Key]]) -> None:
        """Welcome frames that could not be kept when they come again; in the journal's thread.

        Parameters
        ----------
        keys : dict of str to list of (seq, ms, checksum)
            By rig.
        """
        for rig, of_rig in keys.items():
            if (stream := self._streams.get(rig)) is not None:
                for seq, ms, crc in of_rig:
                    stream.forget(Came(seq, ms, 0.0, crc))

    def forget_apart(self, row: Apart) -> None:
        """Welcome a frame that could not be set apart when it comes again; in the journal's thread.

        Parameters
        ----------
        row : Apart
        """
        frame = decode(row.line)
        if (stream := self._streams.get(row.rig)) is not None:
            stream.forget(Came(frame.seq, frame.ms, 0.0, checksum(row.line)))
        self._let_go(row.id)

    def expect(self, planned: Iterable[str]) -> None:
        """Record rigs that bring one of these channels before others; in the journal's thread.

        Parameters
        ----------
        planned : iterable of str
            Channels of the plan.
        """
        self._admission.planned = frozenset(planned)

    def begin_afresh(self) -> None:
        """Another firing begins; in the journal's thread."""
        self._admission.begin_afresh(self._time.fire_s())
        self._told.clear()

    def _begin_s(self) -> float:
        """Give UTC, in seconds, where the clock of the arrivals is zero."""
        return self._time.utc_us() / 1e6 - self._time.fire_s()

    def _has_room(self, source: str) -> bool:
        lines, size = self._load.get(source, (0, 0))
        return lines < PENDING_FRAMES and size < PENDING_BYTES

    def _stream(self, name: str) -> Stream:
        stream = self._streams.get(name)
        if stream is None:
            if len(self._streams) >= STREAMS:
                # Whoever has shown least goes first; of recorded rigs the one that was silent for longest.
                del self._streams[min(self._streams, key=self._worth)]
            stream = self._streams[name] = Stream(self.counters)
        return stream

    def _worth(self, name: str) -> tuple[bool, int, float]:
        stream = self._streams[name]
        return stream.boot is not None, stream.held, self.heard.get(name, ("", 0.0))[1]

    def _follow(self, i: int, line: _Line, lines: list[_Line], taken: Taken) -> None:
        """Find a frame's place, or set it apart. In the journal's thread: streams and clocks are its own."""
        token = (line.source, None if line.kept_before else line.token)
        name = line.frame.rig
        if not line.proven:
            self._record_unproven(line, taken)
            self._answer(True, token, taken)
            return
        if line.stray:
            self._answer(self._keep(line, "topic", f"by {line.source}", taken) is not None, token, taken)
            return
        stream = self._stream(name)
        begin, gathered_s = Begin.AT_ONCE, 0.0
        if stream.boot is None:
            begin = self._admission.begin(
                name, line.frame.ch, line.arrival_s, wired=not line.source.startswith("mqtt")
            )
            gathered_s = _gathered_s(line, islice(lines, i + 1, None))
            if begin is Begin.NEVER:
                self._tell_refused(name, line, taken)
        came = Came(line.frame.seq, line.frame.ms, line.arrival_s, line.checksum, line)
        if line.kept_before:
            assert isinstance(line.token, int)
            came.apart = line.token
        outcome = stream.take(came, begin, gathered_s)
        on_disk = True
        if outcome.verdict is Verdict.HELD and came.apart is None:
            recorded = stream.boot is not None
            why, key = ("unplaced", name) if recorded else ("rig", f"by {line.source}")
            came.apart = self._keep(line, why, key, taken, may_be_placed=True)
            on_disk = came.apart is not None
            if not on_disk:
                stream.forget(came)  # when it comes again it is no duplicate of anything
        on_disk &= self._record(name, outcome, line.arrival_s, taken)
        self._answer(on_disk, token, taken)

    def _record_unproven(self, line: _Line, taken: Taken) -> None:
        """Record what nothing can be proved of, at the time it came."""
        frame, name = line.frame, line.frame.rig
        if self._admission.begin(name, frame.ch, line.arrival_s, wired=True) is Begin.NEVER:
            self._tell_refused(name, line, taken)
            return
        t_us = round((self._begin_s() + line.arrival_s) * 1e6)
        if f"proof of {name}" not in self._told:
            self._told.add(f"proof of {name}")
            data = {"what": "proof", "rig": name, "source": line.source, "proof": "none"}
            taken.events.append((t_us, "system", data))
        allowed = self._admission.allow(name, frame.ch, line.arrival_s)
        if allowed:
            samples = {channel: frame.ch[channel] for channel in allowed}
            taken.frames.append((Frame(name, frame.seq, frame.ms, samples), t_us))
            self.heard[name] = (line.source, self._time.to_monotonic_s(line.arrival_s))

    def _answer(self, on_disk: bool, token: Token, taken: Taken) -> None:
        self.refused += not on_disk
        if token[1] is not None:
            (taken.tokens if on_disk else taken.refused).append(token)

    def _record(self, name: str, outcome: Outcome, now_s: float, taken: Taken) -> bool:
        """Record what has its place; tell whether all of it is kept."""
        begin_s = self._begin_s()
        now_us = round((begin_s + now_s) * 1e6)
        for what in outcome.said:
            if what == "reboot":
                reset, said_s = self._resets.get(name, ("", float("-inf")))
                why = {"reset": reset} if reset and now_s - said_s < _RESET_S else {}
                taken.events.append((now_us, "rig", {"rig": name, "what": "reboot", **why}))
            else:
                taken.events.append((now_us, "fault", {"rig": name, "channel": "", "text": _SAID[what]}))
        whole = True
        for came, t_s in outcome.placed:
            line: _Line = came.what
            frame = line.frame
            allowed = self._admission.allow(name, frame.ch, now_s)
            if len(allowed) < len(frame.ch):
                whole &= self._part(came, allowed, now_us, taken)
                frame = Frame(frame.rig, frame.seq, frame.ms, {c: frame.ch[c] for c in allowed})
            elif came.apart is not None:
                taken.placed.append(came.apart)
                self._let_go(came.apart)
            if frame.ch:
                taken.frames.append((frame, round((begin_s + t_s) * 1e6)))
                taken.keys.setdefault(name, []).append(came.key)
                self.heard[name] = (line.source, self._time.to_monotonic_s(line.arrival_s))
        return whole

    def _part(self, came: Came, allowed: Iterable[str], now_us: int, taken: Taken) -> bool:
        """Of a frame with channels beyond the bounds keep all as it came, too."""
        line: _Line = came.what
        if came.apart is None:
            came.apart = self._keep(line, "channels", line.frame.rig, taken)
        name = line.frame.rig
        if f"channels of {name}" not in self._told:
            self._told.add(f"channels of {name}")
            beyond = [c for c in line.frame.ch if c not in set(allowed)]
            text = (
                f"channels beyond what is recorded of a firing ({MAX_COLUMNS} of all rigs): "
                f"{', '.join(beyond[:4])}{' …' if len(beyond) > 4 else ''}; their frames are set apart"
            )
            taken.events.append((now_us, "fault", {"rig": name, "channel": "", "text": text}))
        return came.apart is not None

    def _keep(
        self, line: _Line, why: str, key: str, taken: Taken, *, may_be_placed: bool = False
    ) -> int | None:
        """Set a frame apart; None where there is no room for it."""
        size = len(line.bytes)
        used = self._room.get(key, 0)
        t_us = round((self._begin_s() + line.arrival_s) * 1e6)
        if used + size > ROOM_BYTES or (key not in self._room and len(self._room) >= STREAMS):
            if f"room of {key}" not in self._told and len(self._told) < STREAMS:
                self._told.add(f"room of {key}")
                text = (
                    f"{ROOM_BYTES // 1_000_000} MB of frames that can't be placed are set apart; no more are "
                    "kept, nor acknowledged"
                )
                taken.events.append((t_us, "fault", {"rig": line.frame.rig, "channel": "", "text": text}))
            return None
        self._room[key] = used + size
        number, self._next_id = self._next_id, self._next_id + 1
        self._set_apart += 1
        taken.apart.append(Apart(number, t_us, line.frame.rig, line.source, why, line.bytes))
        if may_be_placed:
            self._apart[number] = (key, size)
            if len(self._apart) > STREAMS * 100:
                del self._apart[next(iter(self._apart))]
        return number

    def _let_go(self, number: int) -> None:
        self._set_apart -= 1
        if number in self._apart:
            key, size = self._apart.pop(number)
            self._room[key] -= size

    def _tell_refused(self, name: str, line: _Line, taken: Taken) -> None:
        if f"rig {name}" in self._told:
            return
        refused = sum(told.startswith("rig ") for told in self._told)
        if refused > _NAMES_TOLD:
            return
        self._told.add(f"rig {name}")
        text = (
            f"not recorded: {MAX_RIGS} rigs and {MAX_COLUMNS} channels are what one firing takes; its frames "
            "are set apart. Name the rigs you mean with --rig, or in the plan the channels"
        )
        if refused == _NAMES_TOLD:
            text = f"one of many that are {text}"
        t_us = round((self._begin_s() + line.arrival_s) * 1e6)
        taken.events.append((t_us, "fault", {"rig": name, "channel": "", "text": text}))

    def _add(self, line: _Line | None, token: Token) -> None:
        with self._lock:
            if line is not None:
                self._lines.append(line)
                lines, size = self._load.get(line.source, (0, 0))
                self._load[line.source] = (lines + 1, size + len(line.bytes))
            elif token[1] is not None:
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


def _gathered_s(line: _Line, rest: Iterable[_Line]) -> float:
    """Say how much later than made a rig's first frame came: lines that had gathered come at once."""
    late_s, frame = 0.0, line.frame
    made_s = 0.0
    for other in rest:
        if other.frame.rig != frame.rig:
            continue
        step_ms = (other.frame.ms - frame.ms) % 2**32
        if (other.frame.seq - frame.seq) % 2**32 != 1 or step_ms > 60_000:
            break
        made_s += step_ms / 1000
        late_s = max(late_s, made_s - (other.arrival_s - line.arrival_s))
        frame = other.frame
    return late_s
