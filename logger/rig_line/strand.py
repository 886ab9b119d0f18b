"""Frames that belong together but can't be placed yet. Pure.

They may turn out to be a new boot, a backlog, a second rig, or nothing at all.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from typing import Final

from logger.rig_line.boot import LATE_OK_S, SWAPPED, Boot
from logger.rig_line.came import Came, signed

_STEADY_S: Final = 0.3
_STALL_S: Final = 30.0
_OVERTAKEN_S: Final = 1.0
"""Frames overtake one another only within this time; a later one may be a boot of its own. [s]"""
ALIKE_S: Final = 0.5
"""Boots kept by a broker all seem to end when it sends them; of those this close, the latest wins. [s]"""


class Strand:
    """Follows frames that each continue from the one before.

    `usual_ms` is the rig's time between frames until then; 0 if unknown.
    """

    def __init__(self, came: Came, usual_ms: float = 0.0) -> None:
        self._usual_ms = usual_ms
        self.joined: Boot | None = None
        """The boot whose backlog this is."""
        self._begin(came)

    def _begin(self, came: Came) -> None:
        self.frames = [came]
        self.first = self.top = (came.seq, came.ms)
        self.pace_ms = 0.0
        self.first_s = self.last_s = self.steady_since_s = came.arrival_s
        self.offset_s = self._steady_s = self._first_offset_s = came.arrival_s - came.ms / 1000

    def __len__(self) -> int:
        return len(self.frames)

    @property
    def sped_s(self) -> float:
        """How many seconds faster these frames came in than they were made."""
        return self._first_offset_s - self.offset_s

    @property
    def first_new(self) -> Came:
        """The first frame not yet on disk."""
        return next((came for came in self.frames if not came.known), self.frames[0])

    def at(self, came: Came) -> tuple[int, int]:
        """Undo the wraps: the `seq` and `ms` nearest to the newest ones."""
        seq, ms = self.top
        return seq + signed(came.seq - seq), ms + signed(came.ms - ms)

    def goes_on(self, came: Came) -> bool:
        """Whether a frame is the very next one, either promptly or once a stalled link recovers."""
        seq, ms = self.at(came)
        longest_ms = 3 * self.pace_ms + 250 if self.pace_ms else 60_000
        step_ms = ms - self.top[1]
        if seq - self.top[0] != 1 or not 0 < step_ms <= longest_ms:
            return False
        waited_s = came.arrival_s - self.last_s - step_ms / 1000
        if waited_s > LATE_OK_S and came.arrival_s - came.ms / 1000 > self.last_s:
            # It may have been switched on since: a boot of its own costs a stalled link's frames nothing.
            return False
        if came.known or self.frames[-1].known:  # resent frames come in a burst, a new boot's on the beat
            return abs(waited_s) <= max(_STEADY_S, 0.5 * step_ms / 1000)
        return waited_s < (_STALL_S if self.pace_ms else LATE_OK_S)

    def off_s(self, came: Came) -> float:
        """How many seconds later or earlier a frame came than these would predict."""
        return abs(came.arrival_s - self.at(came)[1] / 1000 - self.offset_s)

    def takes(self, came: Came) -> bool:
        """Whether a frame is one of these, even if some in between are missing or two were swapped."""
        at = self.at(came)
        ahead, later_ms = at[0] - self.top[0], at[1] - self.top[1]
        delay_s = came.arrival_s - at[1] / 1000 - self.offset_s
        if delay_s < -_STEADY_S or delay_s > _STALL_S:
            return False
        if self.misses(came):
            return True
        if delay_s > LATE_OK_S:
            return False
        if ahead > 0:
            return later_ms > 0 and ahead <= SWAPPED + later_ms * (4 / self.pace_ms if self.pace_ms else 0)
        if not -SWAPPED <= ahead < 0 or later_ms >= 0 or delay_s > _OVERTAKEN_S:
            return False
        pace_ms = self.pace_ms or self._usual_ms
        on_beat = abs(later_ms - ahead * pace_ms) <= (2 - 0.2 * ahead) * pace_ms
        here = any(one.seq == came.seq for one in self.frames[-4 * SWAPPED :])
        return (on_beat or not pace_ms) and not here

    def misses(self, came: Came) -> bool:
        """Whether a frame fits between two of the latest, and came soon enough."""
        at = self.at(came)
        delay_s = came.arrival_s - at[1] / 1000 - self.offset_s
        if at[0] >= self.top[0] or not -_STEADY_S <= delay_s <= _STALL_S:
            return False
        lately = sorted(self.at(came) for came in self.frames[-4 * SWAPPED :])
        i = bisect_left(lately, at)
        if not 0 < i < len(lately):
            return False
        (seq, ms), (next_seq, next_ms) = lately[i - 1], lately[i]
        return seq < at[0] < next_seq and ms < at[1] < next_ms

    def add(self, came: Came) -> None:
        """Add a frame that continues this strand."""
        at = self.at(came)
        offset_s = came.arrival_s - at[1] / 1000
        if at[0] > self.top[0]:
            step_ms = (at[1] - self.top[1]) / (at[0] - self.top[0])
            self.pace_ms += (step_ms - self.pace_ms) / min(len(self.frames), 16)
            self.top = at
        self.frames.append(came)
        if len(self.frames) >= 3:
            for one in self.frames[-3:]:
                one.hangs = True
        self.last_s = max(self.last_s, came.arrival_s)
        self.offset_s = min(self.offset_s, offset_s)
        if self.offset_s < self._steady_s - _STEADY_S:
            self._steady_s, self.steady_since_s = self.offset_s, came.arrival_s

    def puts_right(self, came: Came) -> bool:
        """Replace a resent old frame, which only looked like the next one, by this frame."""
        was = self.frames[-1]
        if not was.known or came.known or was.seq != came.seq or not 0 < abs(signed(came.ms - was.ms)) < 1000:
            return False
        before = self.frames[:-1]
        self.joined = None
        self._begin(before[0] if before else came)
        for one in [*before[1:], came] if before else []:  # the old one's time says nothing about these
            self.add(one)
        return True

    def looks_like_a_start(self) -> bool:
        """Whether counter and clock agree on how long the rig has been up."""
        seq, ms = self.first
        pace_ms = self.pace_ms or 1000.0
        return abs(ms - seq * pace_ms) <= 10_000 + 0.2 * ms and ms < 1 << 31

    def drop_before(self, alive_s: float) -> None:
        """Drop frames that came while the rig had another line; on disk they stay."""
        kept = [came for came in self.frames if came.arrival_s > alive_s]
        self.frames[:] = kept or self.frames[-1:]
        self.first = (self.frames[0].seq, self.frames[0].ms)

    def in_order(self) -> list[Came]:
        """Return the frames without a place yet, in the order in which they were made."""
        seq = self.top[0]
        return sorted(
            (came for came in self.frames if not came.placed), key=lambda came: signed(came.seq - seq)
        )

    def with_those_before(self, strands: Iterable[Strand], alive_s: float) -> list[Strand]:
        """Return the short boots since `alive_s` that ended before this one began, and this one last."""
        chain = [self]
        for other in sorted(strands, key=lambda s: s.first_s, reverse=True):
            before = alive_s < other.first_s and other.last_s <= chain[0].first_s + 0.05
            if other is self or other.joined is not None or not before:
                continue
            sound = len(other) >= 2 or other.looks_like_a_start()
            if sound and other.in_order() and not any(came.known for came in other.frames):
                chain.insert(0, other)
        return chain


def beginnings(chain: Sequence[Strand]) -> list[float]:
    """Return when each of these boots began [s]: as late as the next one's beginning allows."""
    ends_s = float("inf")
    begins: list[float] = []
    for one in reversed(chain):
        offset_s = min(one.offset_s, ends_s - one.top[1] / 1000 - 0.05)
        ends_s = offset_s + one.at(one.in_order()[0])[1] / 1000
        begins.insert(0, ends_s)
    return begins


def best(came: Came, strands: Sequence[Strand]) -> Strand | None:
    """Choose the strand that is closest to a frame in time; of similar ones, the latest."""
    if not strands:
        return None
    least_s = min(strand.off_s(came) for strand in strands)
    near = [strand for strand in strands if strand.off_s(came) <= least_s + ALIKE_S]
    return max(near, key=lambda strand: strand.last_s)


def goes_with(came: Came, strands: Sequence[Strand]) -> Strand | None:
    """Find the strand that a frame belongs to, and add it there; None if there is none."""
    free = [s for s in strands if s.joined is None]  # a backlog says nothing about this frame
    going = [s for s in free if s.goes_on(came) or (s.misses(came) and not came.known)]
    strand = best(came, [s for s in going if not s.frames[-1].known])
    if strand is None:
        for one in strands:
            if one.puts_right(came):
                return one
        strand = best(came, going)
    if strand is None and not came.known:
        new = [s for s in free if not s.frames[-1].known]  # resent frames miss nothing
        strand = best(came, [s for s in new if s.takes(came)])
    if strand is not None:
        strand.add(came)
    return strand
