"""Which frame of a rig is new, late, or was here before; counted. No I/O, no clock."""

from __future__ import annotations

import enum
from array import array
from collections.abc import Iterable
from typing import Final

from logger.wire import Counters

WINDOW: Final = 1 << 16
"""How many frames back are remembered one by one: 1.8 hours at 10 Hz, 256 KiB a rig."""
_WRAP: Final = 1 << 32
_HALF: Final = 1 << 31
_UNSEEN: Final = _WRAP - 1
_FRESH_MS: Final = 30_000
"""A rig that has just started has a clock below this: longer than any needs to its first frame. [ms]"""
_OFF_BEAT_MS: Final = 2_000
"""How far a late frame may be from where its `seq` says it was made. [ms]"""


class Arrived(enum.Enum):
    """What a frame is to its rig's line of frames."""

    NEW = "new"
    LATE = "late"
    """Out of order, but never seen: kept by the rig while the link was out."""
    DUPLICATE = "duplicate"
    REBOOT = "reboot"
    """The first frame of a rig that has started again."""


class SequenceTracker:
    """Follows one rig's `seq`.

    A rig that starts again is known by its clock: back near nothing, at a `seq` that is neither one that was
    seen with the same clock nor a hole where just this frame is missing.

    Parameters
    ----------
    counters : Counters
        Counted into.
    """

    def __init__(self, counters: Counters) -> None:
        self._counters = counters
        self._clocks = array("I", [_UNSEEN]) * WINDOW  # by seq modulo WINDOW: the frame's ms
        self._seq: int | None = None  # highest so far
        self._ms = 0
        self._first = (0, 0)  # seq and ms of this boot's first frame
        self._known = 0  # how far back the clocks mean anything

    def prime(self, frames: Iterable[tuple[int, int]]) -> None:
        """Remember frames that are in the journal, so that a broker's redelivery is seen as such.

        Parameters
        ----------
        frames : iterable of (seq, ms)
            In the order they came in.
        """
        counters, self._counters = self._counters, Counters()
        for seq, ms in frames:
            self.classify(seq, ms)
        self._counters = counters

    def classify(self, seq: int, ms: int) -> Arrived:
        """Say what a frame is, and count it.

        Parameters
        ----------
        seq : int
            0 to 2**32 - 1.
        ms : int
            The rig's own clock. [ms]

        Returns
        -------
        Arrived
            Drop a `DUPLICATE`; keep all others.
        """
        counters = self._counters
        if self._seq is None:
            self._begin(seq, ms)
            return Arrived.NEW
        ahead = (seq - self._seq) % _WRAP
        if 0 < ahead < _HALF:
            if self._restarted(ms):
                self._begin(seq, ms)
                return Arrived.REBOOT
            for skipped in range(max(1, ahead - WINDOW), ahead):
                self._clocks[(self._seq + skipped) % WINDOW] = _UNSEEN
            self._known = min(self._known + ahead, WINDOW)
            self._seq, self._ms = seq, ms
            self._see(seq, ms)
            counters.missing += ahead - 1
            return Arrived.NEW
        back = (self._seq - seq) % _WRAP
        if back < self._known:
            clock = self._clocks[seq % WINDOW]
            if clock == min(ms, _UNSEEN - 1):
                counters.duplicates += 1
                return Arrived.DUPLICATE
            if self._restarted(ms) and not (clock == _UNSEEN and self._on_beat(back, ms)):
                self._begin(seq, ms)
                return Arrived.REBOOT
            if (
                clock != _UNSEEN
            ):  # seen with another clock, by a rig that has not started again: one of them lies
                counters.duplicates += 1
                return Arrived.DUPLICATE
            counters.missing -= 1
        elif self._restarted(ms):
            self._begin(seq, ms)
            return Arrived.REBOOT
        elif back < WINDOW:  # from before we first listened; what lies between was never counted as missing
            counters.missing += back - self._known
            for skipped in range(self._known, back):
                self._clocks[(self._seq - skipped) % WINDOW] = _UNSEEN
            self._known = back + 1
        counters.out_of_order += 1
        self._see(seq, ms, remember=back < WINDOW)
        return Arrived.LATE

    def _restarted(self, ms: int) -> bool:
        """Tell whether the rig's clock has gone back to near its beginning, and not by wrapping round."""
        return ms < _FRESH_MS and 0 < (self._ms - ms) % _WRAP < _HALF

    def _on_beat(self, back: int, ms: int) -> bool:
        assert self._seq is not None
        frames = (self._seq - self._first[0]) % _WRAP
        period_ms = ((self._ms - self._first[1]) % _WRAP) / frames if frames else 0.0
        return abs((self._ms - ms) % _WRAP - back * period_ms) <= _OFF_BEAT_MS + 0.02 * back * period_ms

    def _begin(self, seq: int, ms: int) -> None:
        self._seq, self._ms, self._first, self._known = seq, ms, (seq, ms), 1
        self._see(seq, ms)

    def _see(self, seq: int, ms: int, *, remember: bool = True) -> None:
        self._counters.frames += 1
        if remember:
            self._clocks[seq % WINDOW] = min(ms, _UNSEEN - 1)
