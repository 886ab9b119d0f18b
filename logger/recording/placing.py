"""Find each sound frame's place on the time line, or set it apart, before anything is acknowledged."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

from logger.journal.rows import Apart
from logger.reading import Event, Frame
from logger.recording.backlog import Token, Unit
from logger.recording.hosttime import HostTime
from logger.rig_line.admission import MAX_COLUMNS, MAX_RIGS, Admission
from logger.rig_line.came import UNKNOWN, Begin, Came, Outcome, Verdict
from logger.rig_line.clock import RigClock
from logger.rig_line.dialogue import About
from logger.rig_line.stream import Stream
from logger.rig_line.wire import Counters, WireError, checksum, decode, is_name

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo

ROOM_BYTES: Final = 16_000_000
"""What may be set apart for a recorded rig, or for a source's other rigs: 80 min, 8 channels, 10 Hz."""
STREAMS: Final = 512
"""Most rigs followed at a time, recorded or not."""
FULL: Final = (
    f"{ROOM_BYTES // 1_000_000} MB of frames that can't be placed are set apart; no more are kept or "
    "acknowledged"
)
PRIME_US: Final = 15 * 60 * 1_000_000
"""How far back frames are looked up after a restart, to recognise a broker's redelivery. [µs]"""
_NAMES_TOLD: Final = 8
_RESET_S: Final = 30.0
"""A new boot is certain within 10 s; the rig says why it started just before. [s]"""
_RESETS: Final = 256

_SAID: Final = {
    "twins": (
        "these frames can't all come from one rig. If two rigs have this name, rename one. The other's "
        "frames are set apart, not lost"
    ),
    "disorder": (
        "its seq and ms make no sense: they are stuck or jump from frame to frame. Times of arrival are "
        "used instead. Fix the firmware; `stokewatch listen` says what is wrong"
    ),
}


@dataclass(slots=True)
class Line:
    """What goes with a frame that came in (`Came.what`)."""

    frame: Frame
    token: Token
    bytes: bytes
    stray: bool = False  # it came on another rig's topic
    proven: bool = True  # it has its own checksum, counter and clock
    account: str = ""  # whose room it takes up if it is set apart


class Room:
    """Counts and numbers the frames set apart: by rig, or by source for rigs that aren't recorded."""

    def __init__(self) -> None:
        self.next_id = 1
        self.frames = 0
        """Set apart, without a place yet."""
        self._bytes: dict[str, int] = {}

    def add(self, account: str, frames: int, size: int) -> None:
        """Count frames that are stored, or (below 0) no longer: their number, and their bytes."""
        self.frames += frames
        self._bytes[account] = self._bytes.get(account, 0) + size

    def keep(self, account: str, size: int) -> int | None:
        """Take a frame of this size [bytes]; return its number, or None if its account is full."""
        known = account in self._bytes or len(self._bytes) < STREAMS
        if not known or self._bytes.get(account, 0) + size > ROOM_BYTES:
            return None
        self.add(account, 1, size)
        self.next_id += 1
        return self.next_id - 1


class Placing:
    """Follows every rig's stream of frames."""

    def __init__(self, time_line: HostTime, counters: Counters) -> None:
        self.refused = 0
        """Sound frames that were neither kept nor acknowledged."""
        self.heard: dict[str, tuple[str, float]] = {}
        """By recorded rig: the source of its last frame, and when it was read. [s]"""
        self._time, self._counters = time_line, counters
        self._admission = Admission()
        self._streams: dict[str, Stream] = {}
        self._early: list[Came] = []
        self._resets: dict[str, tuple[str, float]] = {}  # by rig: what started it, and when it told us
        self._told: set[str] = set()
        self._unproven: dict[str, int] = {}  # by rig without a counter: the next number to give it
        self._newest_us: dict[tuple[str, str], int] = {}  # by such a rig and its channel
        self.apart = Room()

    def about(self, said: About, fire_s: float) -> None:
        """Note why a rig started; in the event loop."""
        reset = said.reset if is_name(said.reset) and said.reset != "unknown" else ""
        self._resets.pop(said.rig, None)
        self._resets[said.rig] = (reset, fire_s)
        if len(self._resets) > _RESETS:
            del self._resets[next(iter(self._resets))]

    def take(self, came: list[Came], taken: Unit) -> None:
        """Place the frames that came in, and those that were waiting."""
        came, self._early = [*self._early, *came], []
        for i, one in enumerate(came):
            self._follow(one, islice(came, i + 1, None), taken)
        now_s = self._time.fire_s()
        for name, stream in self._streams.items():
            if stream.held:
                self._record(name, stream.settle_idle(now_s), now_s, taken)

    def go_on(self, reader: JournalReader, firing: FiringInfo, now_us: int) -> None:
        """Carry on after a restart: find out which frames are stored, and restore each rig's clock."""
        channels: dict[str, list[str]] = {}
        for rig, channel in firing.seen:
            channels.setdefault(rig, []).append(channel)
        since_us = (now_us if firing.last_us is None else firing.last_us) - PRIME_US
        if firing.last_us is not None:
            clocks = reader.meta("clocks")
            frames: dict[str, list[tuple[int, int, int]]] = {}
            checksums = reader.noted_lately()
            for batch in reader.batches(firing.id, since_us=since_us):
                rows = zip(batch.seq.tolist(), batch.ms.tolist(), batch.t_us.tolist(), strict=True)
                frames.setdefault(batch.rig, []).extend(rows)
            for rig, named in channels.items():
                of_rig = sorted(frames.get(rig, ()), key=itemgetter(2))
                self.prime(rig, of_rig, named, checksums.get(rig, {}), clocks.get(rig, {}))
        self.prime_apart(*reader.set_apart_sums(), reader.set_apart(firing.id, since_us))

    def prime(
        self,
        rig: str,
        frames: Iterable[tuple[int, int, int]],
        channels: Iterable[str],
        checksums: dict[tuple[int, int], int],
        clock: dict[str, Any],
    ) -> None:
        """Carry on after a restart with what the journal knows of a rig.

        That is its latest frames (seq, ms, t_us) in order of time and their checksums, its channels in the
        firing, and its last committed entry of `clocks`, empty if there is none.
        """
        self._admission.known(rig, channels)
        begin_s = self._time.start_us / 1e6
        came = [
            Came(seq, ms, t_us / 1e6 - begin_s, checksums.get((seq, ms), UNKNOWN)) for seq, ms, t_us in frames
        ]
        if not came:
            return
        self._unproven[rig] = came[-1].seq + 1  # in case the rig has no counter
        restored = None
        if clock:
            restored = RigClock.restore(clock, clock["shift_s"] - begin_s)
            if abs(restored.late(came[-1].ms) - came[-1].arrival_s) > 1.0:  # from another boot
                restored = None
        stream = self._streams[rig] = Stream(self._counters)
        stream.prime(came, self._time.fire_s(), restored)

    def prime_apart(
        self, next_id: int, sums: dict[tuple[str, str], tuple[int, int]], rows: Sequence[Apart]
    ) -> None:
        """Carry on after a restart with what is set apart.

        The latest rows may still find their places; `next_id` is the next free number.
        """
        self.apart.next_id = next_id
        for (rig, source), (frames, size) in sums.items():
            self.apart.add(self._whose(rig, source), frames, size)
        begin_s, now_s = self._time.start_us / 1e6, self._time.fire_s()
        for row in rows:
            arrival_s = row.t_us / 1e6 - begin_s
            if row.why not in ("unplaced", "rig") or arrival_s > now_s:
                continue
            try:
                frame = decode(row.line)
            except WireError:
                continue
            line = Line(frame, (row.source, None), row.line, account=self._whose(row.rig, row.source))
            self._early.append(Came(frame.seq, frame.ms, arrival_s, checksum(row.line), line, apart=row.id))

    def clocks(self) -> dict[str, Any]:
        """State of every rig's clock, for `prime`, as plain data; in the journal's thread."""
        shift_s = self._time.start_us / 1e6
        return {
            name: {"shift_s": shift_s, **stream.line.clock.state()}
            for name, stream in self._streams.items()
            if stream.line is not None and stream.line.clock.begun
        }

    def forget(self, unit: Unit) -> None:
        """Accept frames that couldn't be kept if they come again; in the journal's thread."""
        lost = [(rig, Came(seq, ms, 0.0, crc)) for rig, keys in unit.keys.items() for seq, ms, crc in keys]
        for row in unit.apart:
            frame = decode(row.line)
            lost.append((row.rig, Came(frame.seq, frame.ms, 0.0, checksum(row.line))))
            account = row.rig if row.why in ("unplaced", "channels") else f"by {row.source}"
            self.apart.add(account, -1, -len(row.line))
        for rig, came in lost:
            if (stream := self._streams.get(rig)) is not None:
                stream.forget(came)

    def expect(self, planned: Iterable[str]) -> None:
        """Prefer rigs with one of the plan's channels; in the journal's thread."""
        self._admission.planned = frozenset(planned)

    def begin_afresh(self) -> None:
        """Start over for another firing; in the journal's thread."""
        self._admission.begin_afresh(self._time.fire_s())
        self._told.clear()

    def _whose(self, rig: str, source: str) -> str:
        """Whose account a frame set apart counts on: a recorded rig's, or its source's for other rigs."""
        return rig if rig in self._streams else f"by {source}"

    def _stream(self, name: str) -> Stream:
        stream = self._streams.get(name)
        if stream is None:
            if len(self._streams) >= STREAMS:
                # The rig with the fewest frames goes first; of recorded rigs, the one silent for longest.
                del self._streams[min(self._streams, key=self._worth)]
            stream = self._streams[name] = Stream(self._counters)
        return stream

    def _worth(self, name: str) -> tuple[bool, int, float]:
        stream = self._streams[name]
        return stream.line is not None, stream.held, self.heard.get(name, ("", 0.0))[1]

    def _follow(self, came: Came, rest: Iterable[Came], taken: Unit) -> None:
        """Place a frame, or set it apart; in the journal's thread, which owns streams and clocks."""
        line: Line = came.what
        name, source = line.frame.rig, line.token[0]
        if not line.proven:
            self._record_unproven(came, taken)
            self._answer(True, line.token, taken)
            return
        if line.stray:
            self._answer(self._set_apart(came, "topic", f"by {source}", taken), line.token, taken)
            return
        stream = self._stream(name)
        begin, gathered_s = Begin.AT_ONCE, 0.0
        if stream.line is None:
            wired = not source.startswith("mqtt")
            begin = self._admission.begin(name, line.frame.ch, came.arrival_s, wired=wired)
            gathered_s = _gathered_s(came, rest)
            if begin is Begin.NEVER:
                self._tell_refused(came, taken)
        outcome = stream.take(came, begin, gathered_s)
        on_disk = True
        if outcome.verdict is Verdict.HELD and came.apart is None:
            why, account = ("unplaced", name) if stream.line is not None else ("rig", f"by {source}")
            on_disk = self._set_apart(came, why, account, taken)
            if not on_disk:
                stream.forget(came)  # if it comes again, it must not count as a duplicate
        on_disk &= self._record(name, outcome, came.arrival_s, taken)
        self._answer(on_disk, line.token, taken)

    def _record_unproven(self, came: Came, taken: Unit) -> None:
        """Record a frame without proof, at its time of arrival."""
        line: Line = came.what
        frame, name, source = line.frame, line.frame.rig, line.token[0]
        seq = self._unproven.get(name, 0)
        self._unproven[name] = seq + 1
        if self._admission.begin(name, frame.ch, came.arrival_s, wired=True) is Begin.NEVER:
            self._tell_refused(came, taken)
            return
        t_us = self._time.to_us(came.arrival_s)
        if self._is_news(f"proof of {name}"):
            data = {"what": "proof", "rig": name, "source": source, "proof": "none"}
            taken.events.append(Event(t_us, "system", data))
        if allowed := self._admission.allow(name, frame.ch, came.arrival_s):
            samples = {channel: frame.ch[channel] for channel in allowed}
            # Lines that were read together have one arrival, but no channel has two readings at a time.
            t_us = max([t_us, *(self._newest_us.get((name, channel), 0) + 1 for channel in allowed)])
            self._newest_us.update(((name, channel), t_us) for channel in allowed)
            taken.frames.append((Frame(name, seq % 2**32, frame.ms, samples), t_us))
            self.heard[name] = (source, self._time.to_monotonic_s(came.arrival_s))

    def _answer(self, on_disk: bool, token: Token, taken: Unit) -> None:
        self.refused += not on_disk
        if token[1] is not None:
            (taken.tokens if on_disk else taken.refused).append(token)

    def _record(self, name: str, outcome: Outcome, now_s: float, taken: Unit) -> bool:
        """Record the frames that were placed; return whether all of it is kept."""
        now_us = self._time.to_us(now_s)
        for what in outcome.said:
            if what == "reboot":
                reset, said_s = self._resets.get(name, ("", float("-inf")))
                why = {"reset": reset} if reset and now_s - said_s < _RESET_S else {}
                taken.events.append(Event(now_us, "rig", {"rig": name, "what": "reboot", **why}))
            else:
                taken.events.append(_fault(now_us, name, _SAID[what]))
        whole = True
        for came, t_s in outcome.placed:
            line: Line = came.what
            frame = line.frame
            allowed = self._admission.allow(name, frame.ch, now_s)
            if len(allowed) < len(frame.ch):
                whole &= self._part(came, allowed, now_us, taken)
                frame = Frame(frame.rig, frame.seq, frame.ms, {c: frame.ch[c] for c in allowed})
            elif came.apart is not None:
                taken.placed.append(came.apart)
                self.apart.add(line.account, -1, -len(line.bytes))
            if frame.ch:
                taken.frames.append((frame, self._time.to_us(t_s)))
                taken.keys.setdefault(name, []).append(came.key)
                self.heard[name] = (line.token[0], self._time.to_monotonic_s(came.arrival_s))
        return whole

    def _part(self, came: Came, allowed: Iterable[str], now_us: int, taken: Unit) -> bool:
        """Also keep a frame with too many channels as it came."""
        frame: Frame = came.what.frame
        kept = came.apart is not None or self._set_apart(came, "channels", frame.rig, taken)
        if self._is_news(f"channels of {frame.rig}"):
            beyond = [c for c in frame.ch if c not in set(allowed)]
            text = (
                f"too many channels: one firing takes {MAX_COLUMNS}, over all rigs. Not recorded: "
                f"{', '.join(beyond[:4])}{' …' if len(beyond) > 4 else ''}; their frames are set apart"
            )
            taken.events.append(_fault(now_us, frame.rig, text))
        return kept

    def _tell_refused(self, came: Came, taken: Unit) -> None:
        name = came.what.frame.rig
        refused = sum(told.startswith("rig ") for told in self._told)
        if refused > _NAMES_TOLD or not self._is_news(f"rig {name}"):
            return
        text = (
            f"not recorded: one firing takes {MAX_RIGS} rigs and {MAX_COLUMNS} channels; its frames are set "
            "apart. Choose rigs with --rig, or channels in the plan"
        )
        if refused == _NAMES_TOLD:
            text = f"one of many that are {text}"
        taken.events.append(_fault(self._time.to_us(came.arrival_s), name, text))

    def _set_apart(self, came: Came, why: str, account: str, taken: Unit) -> bool:
        """Set a frame apart; False if there is no room for it."""
        line: Line = came.what
        t_us, rig = self._time.to_us(came.arrival_s), line.frame.rig
        line.account = account
        came.apart = self.apart.keep(account, len(line.bytes))
        if came.apart is not None:
            taken.apart.append(Apart(came.apart, t_us, rig, line.token[0], why, line.bytes))
        elif self._is_news(f"full: {account}"):
            taken.events.append(_fault(t_us, rig, FULL))
        return came.apart is not None

    def _is_news(self, what: str) -> bool:
        """Whether this is new in this firing; after a few hundred things nothing is."""
        if what in self._told or len(self._told) >= 2 * STREAMS:
            return False
        self._told.add(what)
        return True


def _fault(t_us: int, rig: str, text: str) -> Event:
    return Event(t_us, "fault", {"rig": rig, "channel": "", "text": text})


def _gathered_s(first: Came, rest: Iterable[Came]) -> float:
    """How late a rig's first frame arrived, if lines had piled up and then came all at once."""
    late_s = made_s = 0.0
    before = first
    for came in rest:
        if came.what.frame.rig != first.what.frame.rig:
            continue
        step_ms = (came.ms - before.ms) % 2**32
        if (came.seq - before.seq) % 2**32 != 1 or step_ms > 60_000:
            break
        made_s += step_ms / 1000
        late_s = max(late_s, made_s - (came.arrival_s - first.arrival_s))
        before = came
    return late_s
