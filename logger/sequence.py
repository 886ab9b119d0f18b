"""Which frame of a rig is new, late, or was here before; counted. No I/O, reads no clock."""

from __future__ import annotations

import enum
from array import array
from bisect import bisect_left
from collections.abc import Iterable
from typing import Final

from logger.wire import Counters

WINDOW: Final = 4096
"""So many frames back each one's clock and checksum are remembered: 7 min at 10 Hz, 48 KiB a rig."""
HOLES: Final = 1024
"""So many holes are kept open for late frames; when there are more, the narrowest is given up."""

_WRAP: Final = 1 << 32
_UNKNOWN: Final = -1
_FASTEST_HZ: Final = 1000
_SLACK_S: Final = 2.0
"""Arrivals and clocks tell when something was this well: delays up to half a second, and then some. [s]"""
_FUTURE_S: Final = 5.0
"""A frame that would have been made this long after it came in is of another boot. [s]"""
_DRIFT: Final = 300e-6
_TWIN_S: Final = 10.0
"""Late frames that come for so long as fast as they were made are no backlog: another rig sends them. [s]"""
_TWIN_SLACK_S: Final = 1.0
_SWAPPED: Final = 16
"""So many frames at the beginning may come in out of order, and are not taken for another beginning."""


class Arrived(enum.Enum):
    """What a frame is to its rig's line of frames."""

    NEW = "new"
    LATE = "late"
    """Out of order, but never seen: kept by the rig while the link was out."""
    DUPLICATE = "duplicate"
    REBOOT = "reboot"
    """The first frame of a rig that has started again."""
    IMPOSSIBLE = "impossible"
    """No single rig can have sent this after what came before: do two rigs have the same name?"""


class SequenceTracker:
    """Follows one rig's `seq`, from one power-up to the next.

    A frame that is behind may be late, sent twice, or the first of a rig that has started again. What tells
    them apart is when it came in: a rig that started again can't have been up longer than since the newest
    frame before was made; a late frame has its clock between those of the frames beside its hole; one that is
    sent twice is the same in all.

    Parameters
    ----------
    counters : Counters
        Counted into.
    """

    def __init__(self, counters: Counters) -> None:
        self._counters = counters
        # By seq modulo WINDOW, of frames not further back than that.
        self._clocks = array("I", [0]) * WINDOW
        self._checksums = array("q", [_UNKNOWN]) * WINDOW
        self._holes: list[_Hole] = []  # by seq
        self._begun = False
        # seq and ms without wrapping: how far they are, counted from this boot's first frame.
        self._first = self._top = (0, 0)
        self._offset_s = 0.0  # arrival less rig's clock, of the least delayed frames
        self._heard_s = 0.0
        self._late_offset_s = self._late_since_s = self._late_heard_s = float("-inf")

    def prime(self, frames: Iterable[tuple[int, int, float]]) -> None:
        """Remember frames that are in the journal, so that a broker's redelivery is seen as such.

        Parameters
        ----------
        frames : iterable of (seq, ms, t_s)
            In order of the times they were made at, which are on the clock of the arrivals to come. [s]
        """
        counters, self._counters = self._counters, Counters()
        for seq, ms, t_s in frames:
            self.classify(seq, ms, t_s)
        self._counters = counters

    def classify(self, seq: int, ms: int, arrival_s: float, checksum: int = _UNKNOWN) -> Arrived:
        """Say what a frame is, and count it.

        Parameters
        ----------
        seq : int
            0 to 2**32 - 1.
        ms : int
            The rig's own clock. [ms]
        arrival_s : float
            When it came in. [s]
        checksum : int, optional
            Of the whole line: two frames with the same `seq` and another checksum are of two boots.

        Returns
        -------
        Arrived
            Keep what is `NEW`, `LATE` or a `REBOOT`, drop the others.
        """
        if not self._begun:
            self._begin(seq, ms, arrival_s, checksum)
            return Arrived.NEW
        top_seq, top_ms = self._top
        ahead, later_ms = _signed(seq - top_seq), _signed(ms - top_ms)
        at = (top_seq + ahead, top_ms + later_ms)
        # How long the frame was on its way if it is of this boot.
        delay_s = arrival_s - at[1] / 1000 - self._offset_s - _DRIFT * max(0.0, arrival_s - self._heard_s)
        reboot_s = arrival_s - ms / 1000 - (top_ms / 1000 + self._offset_s)  # from newest frame to power-up
        can_be_reboot = reboot_s >= -_SLACK_S
        if ahead > 0:
            gap = ahead > 1
            if (
                later_ms < 0
                or ahead > later_ms * _FASTEST_HZ // 1000 + _SWAPPED
                or (gap and delay_s < -_FUTURE_S)
                or (gap and delay_s > _SLACK_S and can_be_reboot)
            ):
                self._begin(seq, ms, arrival_s, checksum)
                return Arrived.REBOOT
            if gap:
                self._open_hole(_Hole(top_seq + 1, at[0] - 1, top_ms, at[1]))
            self._top = at
            self._offset_s += min(0.0, delay_s) + _DRIFT * max(0.0, arrival_s - self._heard_s)
            self._heard_s = max(self._heard_s, arrival_s)
            self._remember(at, checksum)
            return Arrived.NEW
        arrived = self._behind(at, checksum, can_be_reboot)
        match arrived:
            case Arrived.REBOOT:
                self._begin(seq, ms, arrival_s, checksum)
            case Arrived.LATE if self._of_a_twin(at[1], arrival_s):
                self._counters.malformed += 1
                return Arrived.IMPOSSIBLE
            case Arrived.LATE:
                self._fill(at)
                self._counters.out_of_order += 1
                self._remember(at, checksum)
            case Arrived.DUPLICATE:
                self._counters.duplicates += 1
            case _:
                self._counters.malformed += 1
        return arrived

    def _behind(self, at: tuple[int, int], checksum: int, can_be_reboot: bool) -> Arrived:
        seq, ms = at
        otherwise = Arrived.REBOOT if can_be_reboot else Arrived.IMPOSSIBLE
        before = self._first[0] - seq
        if before > 0:
            fits = self._first[1] - ms >= before * 1000 // _FASTEST_HZ
            return Arrived.LATE if fits and (before <= _SWAPPED or not can_be_reboot) else otherwise
        if (hole := self._hole(seq)) is not None:
            return Arrived.LATE if hole.before_ms < ms < hole.after_ms else otherwise
        if self._top[0] - seq >= WINDOW:
            return Arrived.REBOOT if can_be_reboot else Arrived.DUPLICATE
        known = self._checksums[seq % WINDOW]
        same = self._clocks[seq % WINDOW] == ms % _WRAP and (
            _UNKNOWN in (known, checksum) or known == checksum
        )
        return Arrived.DUPLICATE if same else otherwise

    def _of_a_twin(self, ms: int, arrival_s: float) -> bool:
        """Tell whether late frames come from a second rig of this name.

        A backlog is sent faster than it was made, and so its delay shrinks; that of a rig that merely was
        switched on later never does.
        """
        if self._top[1] - ms <= _SLACK_S * 1000:
            return False
        offset_s = arrival_s - ms / 1000
        if abs(offset_s - self._late_offset_s) > _TWIN_SLACK_S or arrival_s - self._late_heard_s > _TWIN_S:
            self._late_offset_s, self._late_since_s = offset_s, arrival_s
        self._late_heard_s = arrival_s
        return arrival_s - self._late_since_s >= _TWIN_S

    def _begin(self, seq: int, ms: int, arrival_s: float, checksum: int) -> None:
        self._begun = True
        self._holes.clear()
        self._first = self._top = (seq, ms)
        self._offset_s = arrival_s - ms / 1000
        self._heard_s = arrival_s
        self._remember((seq, ms), checksum)

    def _remember(self, at: tuple[int, int], checksum: int) -> None:
        self._counters.frames += 1
        seq, ms = at
        if self._top[0] - seq < WINDOW:
            self._clocks[seq % WINDOW] = ms % _WRAP
            self._checksums[seq % WINDOW] = checksum

    def _hole(self, seq: int) -> _Hole | None:
        i = bisect_left(self._holes, seq, key=lambda hole: hole.last)
        return self._holes[i] if i < len(self._holes) and self._holes[i].first <= seq else None

    def _open_hole(self, hole: _Hole, index: int | None = None) -> None:
        self._counters.missing += hole.last - hole.first + 1
        self._holes.insert(len(self._holes) if index is None else index, hole)
        if len(self._holes) > HOLES:
            self._holes.remove(min(self._holes, key=lambda one: one.last - one.first))

    def _fill(self, at: tuple[int, int]) -> None:
        seq, ms = at
        if seq < self._first[0]:
            if seq + 1 < self._first[0]:
                self._open_hole(_Hole(seq + 1, self._first[0] - 1, ms, self._first[1]), 0)
            self._first = at
            return
        i = bisect_left(self._holes, seq, key=lambda hole: hole.last)
        hole = self._holes.pop(i)
        parts = [_Hole(hole.first, seq - 1, hole.before_ms, ms), _Hole(seq + 1, hole.last, ms, hole.after_ms)]
        self._holes[i:i] = [part for part in parts if part.first <= part.last]
        self._counters.missing -= 1


class _Hole:
    """Frames that are missing, first to last, and the rig's clock in the frames beside them."""

    __slots__ = ("after_ms", "before_ms", "first", "last")

    def __init__(self, first: int, last: int, before_ms: int, after_ms: int) -> None:
        self.first, self.last, self.before_ms, self.after_ms = first, last, before_ms, after_ms


def _signed(difference: int) -> int:
    """Give the nearest of all the differences that a counter which wraps can mean."""
    return (difference + _WRAP // 2) % _WRAP - _WRAP // 2
