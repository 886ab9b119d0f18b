"""One boot of a rig, known from its recorded frames: which frame is next, late, or recorded already. Pure.

A frame's `seq`, `ms` and time of arrival must be consistent with one another; together they show whether it
can be from this boot. `stream` settles the doubtful ones.
"""

from __future__ import annotations

import enum
import math
from array import array
from collections.abc import Sequence
from typing import Final

from logger.rig_line.came import UNKNOWN, WRAP, Came, signed
from logger.rig_line.clock import RigClock
from logger.rig_line.holes import Hole, Holes
from logger.rig_line.wire import Counters

WINDOW: Final = 4096
"""How many frames back clock and checksum are remembered: 7 min at 10 Hz, 48 KiB a boot."""

LATE_OK_S: Final = 2.0
"""Longest delay of a frame when nothing is wrong. [s]"""
EARLY_S: Final = 0.3
"""Nothing arrives before it is made, but the least delay may be overestimated by this much. [s]"""
NARROW_MS: Final = 10_000
"""A hole this narrow has so little room that whatever fits it is taken for the missing frame. [ms]"""

_DRIFT: Final = 300e-6
_REBASE_S: Final = 5.0
SWAPPED: Final = 16
"""How many frames may be lost or out of order at a time when nothing is wrong."""
_FIRST_WINDOW: Final = 256
_FASTER: Final = 4.0
"""How many times the usual pace is still possible."""
_UNKNOWN_STEP_MS: Final = 60_000
_KEPT_MS: Final = 3 * 86_400_000
"""No rig keeps frames older than this from before it was first heard. [ms]"""


class Fit(enum.Enum):
    """How a frame fits a boot."""

    EXACT = "exact"
    """The very next one."""
    NEXT = "next"
    """In order, after some missing ones."""
    LATE = "late"
    """Out of order, and missing until now."""
    SAME = "same"
    """Recorded already."""
    AHEAD = "ahead"
    """Could follow the newest, but came too early or too late, or there are more than can have been made."""
    BEHIND = "behind"
    """Could be a missing one, but also a second rig's, or a new boot's."""
    NO = "no"


class Trust(enum.Enum):
    """Which of a rig's counters can be trusted."""

    BOTH = "both"
    CLOCK = "clock"
    """`seq` is stuck or jumps: `ms` gives the order."""
    NEITHER = "neither"
    """Arrival gives order and time."""


class Boot:
    """Follows one boot of a rig; counts into `counters`, takes the frames' times from `clock`.

    `floor_s` is how far the rig's time line had got: no frame of this boot is older.
    """

    def __init__(
        self,
        counters: Counters,
        clock: RigClock,
        floor_s: float = float("-inf"),
        trust: Trust = Trust.BOTH,
    ) -> None:
        self.clock = clock
        self.floor_s = floor_s
        self.ends_s = float("inf")
        """Where the next boot's time begins. [s]"""
        self.trust = trust
        self.count = 0
        self.primed = False
        """Whether it is known only from the journal: none of its frames has come in yet."""
        self.pace_ms = 0.0
        """Between frames; 0 while unknown. [ms]"""
        self.alive_s = float("-inf")
        """When this boot was last known to be running, on the arrivals' clock. [s]"""
        self._counters = counters
        # Indexed by seq modulo their length, for frames no further back than that; short boots need little.
        self._clocks = array("I", [0]) * _FIRST_WINDOW
        self._checksums = array("q", [UNKNOWN]) * _FIRST_WINDOW
        self._keys: dict[tuple[int, int, int], None] = {}  # used instead of these if seq can't be trusted
        self._holes = Holes()
        # seq and ms without wrapping, counted from this boot's first frame.
        self._first = self.top = (0, 0)
        self._offset_s = 0.0  # arrival minus rig's clock, for the least delayed frames
        self._heard_s = float("-inf")
        self._first_s = 0.0
        self._delay_s = 0.0
        self._still = False

    @property
    def room(self) -> int:
        """Number of frames whose clocks and checksums fit in."""
        return max(len(self._clocks), len(self._keys))

    def at(self, came: Came) -> tuple[int, int]:
        """Undo the wraps: the `seq` and `ms` nearest to the newest ones."""
        seq, ms = self.top
        return seq + signed(came.seq - seq), ms + signed(came.ms - ms)

    def delay_s(self, ms: int, arrival_s: float) -> float:
        """Delay of a frame in seconds, if it is from this boot; below 0 it came too early."""
        grown_s = _DRIFT * max(0.0, arrival_s - self._heard_s)
        return arrival_s - ms / 1000 - self._offset_s - grown_s

    def earliest_s(self, arrival_s: float) -> float:
        """Delay, in seconds, below which a frame came too early: clocks drift during a silence."""
        return -EARLY_S - 2 * _DRIFT * max(0.0, arrival_s - self._heard_s)

    def may_have_restarted(self, ms: int, arrival_s: float) -> bool:
        """Whether a rig with this clock can have been switched on after this boot's newest frame."""
        return arrival_s - ms / 1000 >= self.top[1] / 1000 + self._offset_s - LATE_OK_S

    def silent(self, now_s: float, least_s: float) -> bool:
        """Whether this boot was silent for at least so long, and for longer than a lost frame explains."""
        return now_s - self.alive_s >= max(least_s, 2.5 * self.pace_ms / 1000 + 0.5)

    def keeps_pace(self, at: tuple[int, int], since: tuple[int, int] | None = None) -> bool:
        """Whether that many frames can have been made in that time."""
        seq, ms = since or self.top
        return at[0] - seq <= SWAPPED + (at[1] - ms) * (_FASTER / self.pace_ms if self.pace_ms else 1.0)

    def on_beat(self, at: tuple[int, int]) -> bool:
        """Whether counter and clock advanced by the same number of beats."""
        beats, later_ms = at[0] - self.top[0], at[1] - self.top[1]
        return (
            beats > 0
            and self.pace_ms > 0
            and abs(later_ms - beats * self.pace_ms) <= (0.2 * beats + 2) * self.pace_ms
        )

    def on_time(self, came: Came) -> bool:
        """Whether a frame is exactly on the next beat, by its own clock and by its arrival."""
        at = self.at(came)
        off_ms = abs(at[1] - self.top[1] - self.pace_ms)
        pace_s = self.pace_ms / 1000
        return off_ms <= 0.005 * self.pace_ms + 2 and self.delay_s(at[1], came.arrival_s) >= -0.3 * pace_s

    def fit(self, came: Came) -> Fit:
        """Classify a frame, without counting it."""
        if came.arrival_s < self._first_s - LATE_OK_S and (came.apart is not None or not self.primed):
            return Fit.NO  # it was here before this boot: boots of one rig look alike
        if self.trust is not Trust.BOTH:
            return self._fit_loosely(came)
        at = self.at(came)
        ahead, later_ms = at[0] - self.top[0], at[1] - self.top[1]
        if ahead <= 0:
            return self._behind(at, came)
        if later_ms < 0 or (later_ms == 0 and (self._still or ahead > 1)) or not self.keeps_pace(at):
            return Fit.NO
        delay_s = self.delay_s(at[1], came.arrival_s)
        longest_s = LATE_OK_S + max(0.0, self._delay_s)
        doubtful = delay_s > LATE_OK_S and self.may_have_restarted(came.ms, came.arrival_s)
        step_ms = 3 * self.pace_ms + 250 if self.pace_ms else _UNKNOWN_STEP_MS
        if ahead == 1 and later_ms <= step_ms:
            return Fit.AHEAD if doubtful else Fit.EXACT
        # Frames that piled up before anyone listened arrive all at once, and some may be damaged.
        young = self._heard_s - self._first_s < 1.0 and ahead <= SWAPPED and self.on_beat(at)
        if (delay_s >= self.earliest_s(came.arrival_s) or young) and delay_s <= longest_s and not doubtful:
            return Fit.NEXT
        return Fit.AHEAD

    def _fit_loosely(self, came: Came) -> Fit:
        if came.key in self._keys:
            return Fit.SAME
        if self.trust is Trust.NEITHER:
            return Fit.NEXT
        at_ms = self.at(came)[1]
        delay_s = self.delay_s(at_ms, came.arrival_s)
        return Fit.NEXT if at_ms > self.top[1] and -EARLY_S - 1 <= delay_s <= LATE_OK_S else Fit.NO

    def _behind(self, at: tuple[int, int], came: Came) -> Fit:
        seq, ms = at
        prompt = self.earliest_s(came.arrival_s) <= self.delay_s(ms, came.arrival_s) <= LATE_OK_S
        restarted = self.may_have_restarted(came.ms, came.arrival_s)
        if (before := self._first[0] - seq) > 0:
            before_ms = self._first[1] - ms
            slowest_ms = _FASTER * self.pace_ms * (before + SWAPPED) if self.pace_ms else math.inf
            if before_ms < before or before_ms > min(slowest_ms + _UNKNOWN_STEP_MS, _KEPT_MS):
                return Fit.NO  # more or fewer frames than such a rig makes in that time, or keeps
            return Fit.LATE if prompt else Fit.BEHIND
        if (hole := self._holes.at(seq)) is not None:
            if not hole.before_ms < ms < hole.after_ms:
                return Fit.NO
            left, right = (hole.first - 1, hole.before_ms), (hole.last + 1, hole.after_ms)
            if not (self.keeps_pace(at, left) and self.keeps_pace(right, at)):
                return Fit.NO
            narrow = hole.after_ms - hole.before_ms <= NARROW_MS
            return Fit.LATE if prompt or (narrow and not restarted) else Fit.BEHIND
        return Fit.SAME if self._knows(at, came) else Fit.NO

    def has(self, came: Came) -> bool:
        """Whether the very same frame was recorded."""
        if self.trust is not Trust.BOTH:
            return came.key in self._keys
        at = self.at(came)
        return at[0] <= self.top[0] and self._knows(at, came) and self._holes.at(at[0]) is None

    def _knows(self, at: tuple[int, int], came: Came) -> bool:
        size = len(self._clocks)
        if self.top[0] - at[0] >= size or self._clocks[at[0] % size] != at[1] % WRAP:
            return False
        return self._checksums[at[0] % size] == came.checksum != UNKNOWN

    def place(self, came: Came) -> float | None:
        """Record a frame that fits, and return when it was made, on the arrivals' clock.

        None if it can't be from this boot, or has no place on the time line.
        """
        if not self.count:
            return self._begin(came)
        if self.trust is not Trust.BOTH:
            return self._place_loosely(came)
        at = self.at(came)
        if at[0] <= self.top[0]:
            before = at[0] < self._first[0] and at[1] < self._first[1]
            hole = None if before else self._holes.at(at[0])
            if not before and (hole is None or not hole.before_ms < at[1] < hole.after_ms):
                return None
            t_s = self.clock.late(came.ms)
            if not self.floor_s < t_s < self.ends_s:
                return None
            self._fill(at)
            self._counters.out_of_order += 1
            self._remember(at, came)
            return t_s
        if at[1] < self.top[1]:
            return None
        return self._go_on(at, came)

    def remember(self, came: Came, now_s: float) -> None:
        """Take in a frame from the journal, in order of time; its time there counts as its arrival."""
        if not self.count:
            self._start((came.seq, came.ms), came)
        else:
            at = self.at(came)
            if at[0] > self.top[0] + 1:
                self._open_hole(Hole(self.top[0] + 1, at[0] - 1, self.top[1], at[1]))
            self._advance(at, came)
        self.alive_s = min(came.arrival_s, now_s)
        self.primed = True

    def set_going(self) -> None:
        """Start the clock at this boot's newest frame in the journal."""
        if not self.clock.begun:
            self.clock.new(self.top[1] % WRAP, self._heard_s)

    def continues(self, came: Came) -> bool:
        """Whether the journal's next frame is from this boot: its clock kept pace with time."""
        at = self.at(came)
        ran_s = (at[1] - self.top[1]) / 1000
        gone_s = came.arrival_s - self._heard_s
        goes_on = at[0] > self.top[0] and at[1] >= self.top[1] and self.keeps_pace(at)
        return goes_on and abs(ran_s - gone_s) < 1 + 0.01 * gone_s

    def _begin(self, came: Came) -> float:
        at = (came.seq, came.ms)
        self._start(at, came)
        self.alive_s = came.arrival_s
        return self.clock.new(self._ticks(came), came.arrival_s)

    def _start(self, at: tuple[int, int], came: Came) -> None:
        self._first = self.top = at
        self._offset_s = came.arrival_s - at[1] / 1000
        self._heard_s = self._first_s = came.arrival_s
        self._remember(at, came)

    def _go_on(self, at: tuple[int, int], came: Came) -> float:
        delay_s = self.delay_s(at[1], came.arrival_s)
        if at[0] > self.top[0] + 1:
            self._open_hole(Hole(self.top[0] + 1, at[0] - 1, self.top[1], at[1]))
        if delay_s < -_REBASE_S:  # the host's clock was set, not the rig's
            self.clock.rebase(came.ms, came.arrival_s)
            self._heard_s = self._first_s = came.arrival_s
            self._offset_s += delay_s
        self._advance(at, came)
        self.primed = False
        made_s = at[1] / 1000 + self._offset_s
        self.alive_s = max(self.alive_s, min(came.arrival_s, made_s))
        return self.clock.new(came.ms, came.arrival_s)

    def _advance(self, at: tuple[int, int], came: Came) -> None:
        frames, later_ms = at[0] - self.top[0], at[1] - self.top[1]
        if later_ms > 0 and frames == 1:
            self.pace_ms += (later_ms - self.pace_ms) / min(self.count, 16)
        elif later_ms > 0 and not self.pace_ms:
            self.pace_ms = later_ms / frames
        self._still = later_ms == 0
        self._delay_s = self.delay_s(at[1], came.arrival_s)
        self._offset_s += min(0.0, self._delay_s) + _DRIFT * max(0.0, came.arrival_s - self._heard_s)
        self._heard_s = max(self._heard_s, came.arrival_s)
        size = len(self._clocks)
        while size < WINDOW and at[0] - self._first[0] >= size:
            size *= 2
        if size > len(self._clocks) and self.trust is Trust.BOTH:
            self._widen(size)
        self.top = at
        self._remember(at, came)

    def _place_loosely(self, came: Came) -> float | None:
        at = self.at(came)
        if self.trust is Trust.CLOCK:
            if at[1] <= self.top[1]:
                return None
            self._advance((self.top[0] + 1, at[1]), came)
        else:
            self._remember(self.top, came)
        self.alive_s = max(self.alive_s, came.arrival_s)
        return self.clock.new(self._ticks(came), came.arrival_s)

    def _ticks(self, came: Came) -> int:
        """Return the milliseconds to trust."""
        return came.ms if self.trust is not Trust.NEITHER else round(came.arrival_s * 1000) % WRAP

    def _remember(self, at: tuple[int, int], came: Came) -> None:
        self.count += 1
        self._counters.frames += 1
        if self.trust is not Trust.BOTH:
            self._keys[came.key] = None
            if len(self._keys) > WINDOW:
                del self._keys[next(iter(self._keys))]
            return
        size = len(self._clocks)
        if self.top[0] - at[0] < size:
            self._clocks[at[0] % size] = at[1] % WRAP
            self._checksums[at[0] % size] = came.checksum

    def _widen(self, size: int) -> None:
        clocks, checksums = array("I", [0]) * size, array("q", [UNKNOWN]) * size
        was = len(self._clocks)
        for seq in range(max(self._first[0], self.top[0] - was + 1), self.top[0] + 1):
            clocks[seq % size] = self._clocks[seq % was]
            checksums[seq % size] = self._checksums[seq % was]
        self._clocks, self._checksums = clocks, checksums

    def _open_hole(self, hole: Hole) -> None:
        self._counters.missing += self._holes.open(hole)

    def _fill(self, at: tuple[int, int]) -> None:
        seq, ms = at
        if seq < self._first[0]:
            if seq + 1 < self._first[0]:
                self._open_hole(Hole(seq + 1, self._first[0] - 1, ms, self._first[1]))
            self._first = at
            return
        self._holes.fill(seq, ms)
        self._counters.missing -= 1

    def has_room_for(self, came: Came) -> bool:
        """Whether a frame is missing between others."""
        return self.fit(came) in (Fit.BEHIND, Fit.LATE) and not self.is_before_first(came)

    def misses_just(self, frames: Sequence[Came]) -> bool:
        """Whether exactly these frames are missing between two others."""
        hole = self._holes.at(self.at(frames[0])[0])
        if hole is None or len(frames) != hole.last - hole.first + 1:
            return False
        return all(hole.first <= self.at(came)[0] <= hole.last for came in frames)

    def is_before_first(self, came: Came) -> bool:
        """Whether a frame is older than every known frame of this boot."""
        return self.at(came)[0] < self._first[0]

    def count_into(self, counters: Counters) -> None:
        """From now on, count into other counters."""
        self._counters = counters

    def forget(self, came: Came) -> None:
        """Reopen the place of a frame that couldn't be kept, so that it is accepted if it comes again."""
        if self.trust is not Trust.BOTH:
            self._keys.pop(came.key, None)
            return
        seq, ms = self.at(came)
        if not self._first[0] <= seq <= self.top[0] or self._holes.at(seq) is not None:
            return
        self._open_hole(Hole(seq, seq, ms - 1, ms + 1))
