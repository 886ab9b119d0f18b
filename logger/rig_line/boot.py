"""Frames of one boot of a rig: two straight lines, `ms` over `seq` and arrival over `ms`. Pure.

A frame fits if both lines allow it. `stream` has one boot that is recorded, and others that may turn out to
be the next one, a backlog, a second rig, or nothing at all.
"""

from __future__ import annotations

import enum
from bisect import bisect_left
from collections.abc import Sequence
from typing import Final, NamedTuple

from logger.rig_line.came import WRAP, Came, signed
from logger.rig_line.clock import RigClock
from logger.rig_line.wire import Counters

LATE_OK_S: Final = 2.0
"""Longest delay of a frame when nothing is wrong. [s]"""
SWAPPED: Final = 16
"""How many frames may be lost or out of order at a time when nothing is wrong."""

_EARLY_S: Final = 0.3
"""Nothing arrives before it is made, but the least delay may be overestimated by this much. [s]"""
_NARROW_MS: Final = 10_000
"""A hole this narrow has so little room that whatever fits it is taken for the missing frame. [ms]"""
_COARSE_S: Final = 1.1
"""A clock may count whole seconds, but one that stands still for longer is none. [s]"""
_DRIFT: Final = 300e-6
_FASTER: Final = 4.0
"""How many times the usual pace is still possible."""
_UNKNOWN_STEP_MS: Final = 60_000
_KEPT_MS: Final = 3 * 86_400_000
"""No rig keeps frames older than this from before it was first heard. [ms]"""
_SOON_MS: Final = 3_600_000
"""A rig back on the beat after a hole this long is the same one, even if the host's clock was set. [ms]"""
_REBASE_S: Final = 5.0
HOLES: Final = 1024
"""Most holes kept open for late frames; beyond that the narrowest is closed."""


class Fit(enum.Enum):
    """How a frame fits a boot."""

    NEXT = "next"
    """The very next one, or after some missing ones just when it was due."""
    LATE = "late"
    """Out of order, and missing until now."""
    AHEAD = "ahead"
    """Could follow the newest, but came too early or too late."""
    BEHIND = "behind"
    """Could be a missing one, but also a second rig's, or a new boot's."""
    NO = "no"


SURE: Final = (Fit.NEXT, Fit.LATE)


class Hole(NamedTuple):
    """Missing frames, first to last, and the rig's clock in the frames on either side."""

    first: int
    last: int
    before_ms: int
    after_ms: int
    filling: bool = False  # whether the frames before it came late


class Holes:
    """A boot's holes, by seq."""

    def __init__(self) -> None:
        self._holes: list[Hole] = []

    def at(self, seq: int) -> Hole | None:
        """Find the hole that a frame fits into."""
        i = self._index(seq)
        return self._holes[i] if i < len(self._holes) and self._holes[i].first <= seq else None

    def open(self, hole: Hole) -> int:
        """Add a hole, and return how many frames are missing in it."""
        self._holes.insert(self._index(hole.first), hole)
        if len(self._holes) > HOLES:
            self._holes.remove(min(self._holes, key=lambda one: one.last - one.first))
        return hole.last - hole.first + 1

    def fill(self, seq: int, ms: int) -> None:
        """Put a frame into its hole; there must be one."""
        i = self._index(seq)
        hole = self._holes.pop(i)
        parts = (
            hole._replace(last=seq - 1, after_ms=ms),
            hole._replace(first=seq + 1, before_ms=ms, filling=True),
        )
        self._holes[i:i] = [part for part in parts if part.first <= part.last]

    def _index(self, seq: int) -> int:
        return bisect_left(self._holes, seq, key=lambda hole: hole.last)


class Boot:
    """Follows the frames of one boot, beginning with one of them; `pace_ms` is the rig's usual step."""

    others_too = True  # what would fill a hole here may still be a new boot's

    def __init__(self, came: Came, pace_ms: float = 0.0) -> None:
        # seq and ms without wrapping, counted from the first frame.
        self.first = self.top = (came.seq, came.ms)
        self.count = 1
        self.holes = Holes()
        self.pace_ms = pace_ms
        """Between frames; 0 while unknown. [ms]"""
        self.offset_s = self._first_offset_s = self._steady_s = came.arrival_s - came.ms / 1000
        """Arrival minus the rig's clock, for the least delayed frames. [s]"""
        self.first_s = self.heard_s = self.steady_since_s = came.arrival_s
        self.alive_s = came.arrival_s
        """When this boot was last known to be running, on the arrivals' clock. [s]"""
        self.primed = False
        """Whether it is known only from the journal: none of its frames has come in yet."""
        self._delay_s = 0.0

    def at(self, came: Came) -> tuple[int, int]:
        """Undo the wraps: the `seq` and `ms` nearest to the newest ones."""
        seq, ms = self.top
        return seq + signed(came.seq - seq), ms + signed(came.ms - ms)

    def delay_s(self, came: Came) -> float:
        """How much later a frame came than the least delayed ones, if it is from this boot. [s]."""
        return came.arrival_s - self.at(came)[1] / 1000 - self.offset_s

    def slack_s(self, arrival_s: float) -> float:
        """How far the clocks may have drifted apart during a silence. [s]."""
        return _DRIFT * max(0.0, arrival_s - self.heard_s)

    def is_prompt(self, delay_s: float, now_s: float) -> bool:
        """Whether this is the delay of a frame that came neither early nor late."""
        slack_s = self.slack_s(now_s)
        return -_EARLY_S - slack_s <= delay_s <= LATE_OK_S + slack_s

    @property
    def sped_s(self) -> float:
        """How many seconds faster these frames came in than they were made."""
        return self._first_offset_s - self.offset_s

    def may_have_restarted(self, came: Came) -> bool:
        """Whether a rig with this clock can have been switched on after this boot's newest frame."""
        return came.arrival_s - came.ms / 1000 >= self.top[1] / 1000 + self.offset_s - LATE_OK_S

    def silent(self, now_s: float, least_s: float) -> bool:
        """Whether this boot was silent for at least so long, and for longer than a lost frame explains."""
        return now_s - self.alive_s >= max(least_s, 2.5 * self.pace_ms / 1000 + 0.5)

    def fit(self, came: Came) -> Fit:
        """Classify a frame that isn't recorded yet."""
        if came.arrival_s < self.first_s - LATE_OK_S:
            return Fit.NO  # it was here before this boot: boots of one rig look alike
        (seq, ms), (top, top_ms) = at, _ = self.at(came), self.top
        if seq <= top:
            return self._behind(at, came)
        delay_s = came.arrival_s - ms / 1000 - self.offset_s
        if ms < top_ms or (ms == top_ms and delay_s > _COARSE_S) or not self._keeps_pace(self.top, at):
            return Fit.NO
        if delay_s > LATE_OK_S and self.may_have_restarted(came):
            return Fit.AHEAD
        if seq == top + 1 and ms - top_ms <= self._longest_step_ms:
            return Fit.NEXT
        if delay_s >= -_EARLY_S - self.slack_s(came.arrival_s):
            usual = self.is_prompt(delay_s - max(0.0, self._delay_s), came.arrival_s)
            return Fit.NEXT if usual else Fit.AHEAD
        # Nothing arrives before it is made. But frames may have piled up before anyone listened, or
        # the host's clock may have been set between two starts of the logger.
        piled_up = self.heard_s - self.first_s < 1.0 and seq - top <= SWAPPED
        host_set = self.primed and ms - top_ms < _SOON_MS
        if not (piled_up or host_set) or not self._on_beat(self.top, at):
            return Fit.NO
        return Fit.NEXT if piled_up else Fit.AHEAD

    def is_due(self, came: Came) -> bool:
        """Whether this is the very next frame, just when it was due."""
        return self.fit(came) is Fit.NEXT and self.delay_s(came) >= -0.3 * self.pace_ms / 1000

    @property
    def _longest_step_ms(self) -> float:
        return 3 * self.pace_ms + 250 if self.pace_ms else _UNKNOWN_STEP_MS

    def _behind(self, at: tuple[int, int], came: Came) -> Fit:
        seq, ms = at
        prompt = self.is_prompt(self.delay_s(came), came.arrival_s)
        if seq < self.first[0]:
            if self.first[1] - ms > _KEPT_MS or not self._on_beat(at, self.first):
                return Fit.NO
            return Fit.LATE if prompt else Fit.BEHIND
        hole = self.holes.at(seq)
        if hole is None or not hole.before_ms < ms < hole.after_ms:
            return Fit.NO
        left, right = (hole.first - 1, hole.before_ms), (hole.last + 1, hole.after_ms)
        if not (self._keeps_pace(left, at) and self._keeps_pace(at, right)):
            return Fit.NO
        narrow = hole.after_ms - hole.before_ms <= _NARROW_MS and not (
            self.others_too and self.may_have_restarted(came)
        )
        goes_on = hole.filling and seq == hole.first and ms - hole.before_ms <= self._longest_step_ms
        return Fit.LATE if prompt or narrow or goes_on else Fit.BEHIND

    def _keeps_pace(self, since: tuple[int, int], at: tuple[int, int]) -> bool:
        """Whether that many frames can have been made in that time."""
        return at[0] - since[0] <= SWAPPED + (at[1] - since[1]) * (
            _FASTER / self.pace_ms if self.pace_ms else 1.0
        )

    def _on_beat(self, since: tuple[int, int], at: tuple[int, int]) -> bool:
        """Whether counter and clock advanced by the same number of beats."""
        beats, later_ms = at[0] - since[0], at[1] - since[1]
        if later_ms < beats or not self.pace_ms:
            return beats <= later_ms <= beats * _UNKNOWN_STEP_MS
        return abs(later_ms - beats * self.pace_ms) <= (0.1 * beats + 1) * self.pace_ms

    def add(self, came: Came) -> int:
        """Take in a frame that fits; return by how much the number of missing ones changes."""
        at, (top, top_ms) = self.at(came), self.top
        seq, ms = at
        self.count += 1
        offset_s = came.arrival_s - ms / 1000
        missing = 0
        if seq > top:
            self.pace_ms += ((ms - top_ms) / (seq - top) - self.pace_ms) / min(self.count - 1, 16)
            self._delay_s = offset_s - self.offset_s
            self.offset_s += self.slack_s(came.arrival_s)
            self.heard_s = max(self.heard_s, came.arrival_s)
            if seq > top + 1:
                missing = self.holes.open(Hole(top + 1, seq - 1, top_ms, ms))
            self.top = at
        elif seq < self.first[0]:
            if seq + 1 < self.first[0]:
                missing = self.holes.open(Hole(seq + 1, self.first[0] - 1, ms, self.first[1]))
            self.first = at
        else:
            self.holes.fill(seq, ms)
            missing = -1
        self.offset_s = min(self.offset_s, offset_s)
        self.alive_s = max(self.alive_s, min(came.arrival_s, ms / 1000 + self.offset_s))
        if self.offset_s < self._steady_s - _EARLY_S:
            self._steady_s, self.steady_since_s = self.offset_s, came.arrival_s
        return missing

    def continues(self, came: Came) -> bool:
        """Whether the journal's next frame is from this boot: its clock kept pace with time."""
        at = self.at(came)
        ran_s, gone_s = (at[1] - self.top[1]) / 1000, came.arrival_s - self.heard_s
        goes_on = at[0] > self.top[0] and at[1] >= self.top[1] and self._keeps_pace(self.top, at)
        return goes_on and abs(ran_s - gone_s) < 1 + 0.01 * gone_s


class Line(Boot):
    """The boot that is recorded, with its times from `clock`; counts into `counters`.

    `floor_s` is how far the rig's time line had got: no frame of this boot is older.
    """

    def __init__(self, came: Came, counters: Counters, clock: RigClock, floor_s: float) -> None:
        super().__init__(came)
        self.clock, self.floor_s, self._counters = clock, floor_s, counters

    def begin(self, came: Came) -> float:
        """Return when its first frame was made, on the arrivals' clock."""
        return self.clock.new(came.ms, came.arrival_s)

    def place(self, came: Came) -> float | None:
        """Record a frame that fits, and return when it was made; None if there is no place for it."""
        seq, ms = self.at(came)
        if seq < self.top[0]:
            t_s = self.clock.late(came.ms)
            if t_s <= self.floor_s:
                return None
            self._counters.out_of_order += 1
        else:
            delay_s = came.arrival_s - ms / 1000 - self.offset_s
            if delay_s < -_REBASE_S:  # the host's clock was set, not the rig's
                self.clock.rebase(came.ms, came.arrival_s)
                self.offset_s += delay_s
                self.first_s = self.heard_s = came.arrival_s
            self.primed = False
            t_s = self.clock.new(came.ms, came.arrival_s)
        self._counters.missing += self.add(came)
        return t_s

    def forget(self, came: Came) -> None:
        """Reopen the place of a frame that couldn't be kept, so that it is accepted if it comes again."""
        seq, ms = self.at(came)
        if self.first[0] <= seq <= self.top[0] and self.holes.at(seq) is None:
            self._counters.missing += self.holes.open(Hole(seq, seq, ms - 1, ms + 1))


class Held(Boot):
    """Frames that belong together, held until it is clear what they are."""

    others_too = False  # what is missing here belongs here, however well it would continue something else

    def __init__(self, came: Came, pace_ms: float = 0.0) -> None:
        super().__init__(came, pace_ms)
        self.frames = [came]

    @classmethod
    def of(cls, frames: Sequence[Came], pace_ms: float) -> Held:
        """Hold frames that fit the first of them."""
        made = cls(frames[0], pace_ms)
        for came in frames[1:]:
            if made.fit(came) is not Fit.NO:
                made.hold(came)
        return made

    @property
    def goes_on(self) -> bool:
        """Whether the clock moved at all."""
        return self.top[1] > self.first[1]

    @property
    def first_new(self) -> Came:
        """The first frame not yet on disk."""
        return next((came for came in self.frames if not came.known), self.frames[0])

    def hold(self, came: Came) -> None:
        """Take in a frame that fits."""
        self.add(came)
        self.heard_s = max(self.heard_s, came.arrival_s)
        self.frames.append(came)
        if len(self.frames) >= 3 and self.goes_on:
            for one in self.frames[-3:]:
                one.hangs = True

    def looks_like_a_start(self) -> bool:
        """Whether counter and clock agree on how long the rig has been up."""
        seq, ms = self.first
        return abs(ms - seq * (self.pace_ms or 1000.0)) <= 10_000 + 0.2 * ms and ms < 1 << 31

    def fits_holes_of(self, boot: Boot) -> bool:
        """Whether these can be missing from a boot, between others."""
        ends = self.first_new, self.frames[-1]
        return all(boot.fit(one) in (Fit.BEHIND, Fit.LATE) and boot.at(one) > boot.first for one in ends)

    def fits_into(self, other: Held) -> bool:
        """Whether these begin in a hole of others, and their last one fits too."""
        first, last = self.frames[0], self.frames[-1]
        begins = other.fit(first) in (Fit.BEHIND, Fit.LATE) and other.at(first) > other.first
        return begins and other.fit(last) not in (Fit.AHEAD, Fit.NO)

    def in_real_time(self, came: Came) -> bool:
        """Whether a frame on disk came on the beat: resent frames come in a burst."""
        last = self.frames[-1]
        if not (came.known or last.known):
            return True
        step_s = ((came.ms - last.ms) % WRAP) / 1000
        return abs(came.arrival_s - last.arrival_s - step_s) <= max(0.3, 0.5 * step_s)

    def least_delay_s(self, line: Line) -> float:
        """Least delay of these, if they are from the line's boot. [s]."""
        first = self.first_new  # half a wrap ahead, the last one could seem to be behind
        return self.offset_s + (self.at(first)[1] - line.at(first)[1]) / 1000 - line.offset_s
