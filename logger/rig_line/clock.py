"""Convert the rig's milliseconds to the host's time. No I/O, reads no clock: all times are passed in.

A frame can be delayed on its way (USB batches, radio, kept by the rig during an outage) but never early. So
the frames with the least delay align the rig's clock with the host's: they give the line that touches all
points (rig's time, arrival) from below.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise
from math import inf
from typing import Any, Final

from logger.rig_line.came import signed

_BIN_S: Final = 5.0
"""For each span of this length the least delayed frame is kept."""
_BINS: Final = 120
"""Ten minutes of them: long enough to see 20 ppm through 10 ms of jitter."""
_DRIFT_AFTER_S: Final = 300.0
"""A shorter stretch says nothing about drift."""
_MAX_DRIFT: Final = 500e-6
_UNSURE: Final = 300e-6
_SURE: Final = 50e-6
"""How fast the least delay may grow before and after the drift is known; frames later than that are late."""
_JITTER_S: Final = 0.6
"""Frames with more delay than this say nothing about drift."""
_AIM_S: Final = 1.0
_AIM_OVER_S: Final = 10.0
_SLEW: Final = 0.004
"""Wrong times are corrected by this much a second, so that rates stay right within 0.4 %."""
_DEAD_S: Final = 0.01
_TURN: Final = 20e-6
"""A smaller change of rate doesn't get a new piece."""
_STEP_S: Final = 2.0
"""A first guess wrong by more than this is corrected faster: the first frames had waited long."""
_SQUEEZED: Final = 0.01
_PIECES: Final = 1024


class RigClock:
    """Maps one rig's `ms`, of one boot, to the host's time.

    The map is made of straight pieces, rises strictly, and never changes where times have been given: a late
    frame gets a time between those of its neighbours, however old. `drift`, of the rig's clock against the
    host's, may be known from an earlier boot. No time is given at or before `floor_s`, how far the rig's time
    line has got: if the host's clock was set back behind it while nothing was logged, all of this boot's
    times are ahead by that much.

    The drift is the slope of the edge of the points' lower hull at the middle of the rig's time: of all lines
    under the points it has the least sum of distances to them, as required by Moon, Skelly and Towsley,
    "Estimation and removal of clock skew from network delay measurements", IEEE INFOCOM 1999, 227-234 (from
    memory).
    """

    def __init__(self, drift: float = 0.0, floor_s: float | None = None) -> None:
        self._last_ms: int | None = None  # newest, without wrapping
        self.drift = drift
        """The rig's clock against the host's, as far as known; positive if the rig is slow."""
        self._floor_s = floor_s
        self._ahead_s = 0.0  # how far given times are ahead, on purpose: see floor_s
        # (start, time, rate): from start on, in the rig's seconds, it is time + rate * (rig_s - start).
        self._pieces: list[tuple[float, float, float]] = []
        self._newest_rig_s = 0.0
        self._newest_s = float("-inf")
        self._aim_at_s = 0.0
        self._squeezing = False
        self._offset_s = 0.0  # the line under all points is rig_s * (1 + drift) + offset
        self._offset_at_s = 0.0
        self._bins: list[tuple[float, float]] = []  # (rig's seconds, arrival) of each bin's least delayed
        self._bin = 0
        self._spread = _UNSURE

    def new(self, ms: int, arrival_s: float) -> float:
        """Return the time of a frame that came in order, on the arrivals' clock, which never jumps."""
        if self._last_ms is None:
            return self._begin(ms, arrival_s)
        unwrapped_ms = self._unwrapped(ms)
        rig_s = unwrapped_ms / 1000
        if rig_s <= self._newest_rig_s:  # two frames within one millisecond
            self._newest_s += 1e-6
            return self._newest_s
        self._last_ms = unwrapped_ms
        self._learn(rig_s, arrival_s + self._ahead_s)
        self._extend(rig_s)
        self._newest_rig_s, self._newest_s = rig_s, max(self._at(rig_s), self._newest_s + 1e-6)
        return self._newest_s

    def late(self, ms: int) -> float:
        """Return the time, on the arrivals' clock, of a frame that the rig kept and sent out of order."""
        return self._at(self._unwrapped(ms) / 1000)

    def rebase(self, ms: int, arrival_s: float) -> None:
        """Carry on though the arrivals' clock was set back: from here on, times are ahead of it.

        `ms` and `arrival_s` are those of the next frame.
        """
        if self.begun:
            self._ahead_s = self._at(self._unwrapped(ms) / 1000) - arrival_s

    def state(self) -> dict[str, Any]:
        """Everything needed to carry on with the same boot after we restart, as plain numbers."""
        return {
            "unwrapped_ms": self._last_ms,
            "drift": self.drift,
            "spread": self._spread,
            "offset_s": self._offset_s,
            "ahead_s": self._ahead_s,
            "newest_s": self._newest_s,
            "rate": self._pieces[-1][2],
        }

    @classmethod
    def restore(cls, state: dict[str, Any], shift_s: float) -> RigClock:
        """Carry on from a saved state; `shift_s` converts the old arrivals' clock to the new one."""
        clock = cls(state["drift"])
        clock._last_ms = state["unwrapped_ms"]
        clock._spread = state["spread"]
        clock._ahead_s = state["ahead_s"]
        clock._offset_s = state["offset_s"] + shift_s
        clock._newest_s = state["newest_s"] + shift_s
        rig_s = state["unwrapped_ms"] / 1000
        clock._newest_rig_s = clock._offset_at_s = clock._aim_at_s = rig_s
        clock._bin = int(rig_s // _BIN_S)
        clock._add_piece(rig_s, clock._newest_s, state["rate"])
        return clock

    @property
    def begun(self) -> bool:
        """Whether any time has been given."""
        return self._last_ms is not None

    def _begin(self, ms: int, arrival_s: float) -> float:
        self._last_ms = ms
        rig_s = ms / 1000
        t_s = arrival_s
        if self._floor_s is not None and t_s <= self._floor_s:
            t_s = self._floor_s + 1e-3
            if t_s - arrival_s > _STEP_S:
                self._ahead_s = t_s - arrival_s
        self._newest_rig_s = self._offset_at_s = rig_s
        self._newest_s = t_s
        self._aim_at_s = rig_s + _AIM_S
        self._offset_s = arrival_s + self._ahead_s - rig_s * (1 + self.drift)
        self._bin = int(rig_s // _BIN_S)
        self._bins = [(rig_s, arrival_s + self._ahead_s)]
        self._add_piece(rig_s, t_s, 1 + self.drift)
        return t_s

    def _at(self, rig_s: float) -> float:
        i = bisect_right(self._pieces, (rig_s, inf)) - 1
        start_s, t_s, rate = self._pieces[max(i, 0)]
        return t_s + (rig_s - start_s) * (rate if i >= 0 else 1 + self.drift)

    def _unwrapped(self, ms: int) -> int:
        """Undo the wrap: the value nearest to the newest one."""
        assert self._last_ms is not None
        return self._last_ms + signed(ms - self._last_ms)

    def _extend(self, rig_s: float) -> None:
        """Extend the map to a new frame, steering towards where it should be."""
        target_s = rig_s * (1 + self.drift) + self._offset_s
        if rig_s - self._newest_rig_s > _BIN_S:
            # Don't stretch a correction over a gap.
            self._turn(self._newest_rig_s, self._newest_s, 1 + self.drift)
        wrong_s = target_s - self._at(rig_s)
        self._squeezing = wrong_s < (-_DEAD_S if self._squeezing else -_STEP_S)
        if self._squeezing:
            step_s = rig_s - self._newest_rig_s
            rate = max(_SQUEEZED, (target_s - self._newest_s) / step_s)
            self._turn(self._newest_rig_s, self._newest_s, rate)
            self._turn(rig_s, self._at(rig_s), 1 + self.drift)
        elif rig_s >= self._aim_at_s:
            self._aim_at_s = rig_s + _AIM_S
            mend = 0.0 if abs(wrong_s) < _DEAD_S else max(-_SLEW, min(_SLEW, wrong_s / _AIM_OVER_S))
            self._turn(rig_s, self._at(rig_s), 1 + self.drift + mend)

    def _turn(self, rig_s: float, t_s: float, rate: float) -> None:
        if abs(rate - self._pieces[-1][2]) > _TURN:
            self._add_piece(rig_s, t_s, rate)

    def _add_piece(self, rig_s: float, t_s: float, rate: float) -> None:
        if self._pieces and self._pieces[-1][0] == rig_s:
            del self._pieces[-1]
        self._pieces.append((rig_s, t_s, rate))
        del self._pieces[:-_PIECES]

    def _learn(self, rig_s: float, arrival_s: float) -> None:
        # Since then the least delay can only have grown by the drift.
        self._offset_s += self._spread * (rig_s - self._offset_at_s)
        self._offset_at_s = rig_s
        self._offset_s = min(self._offset_s, arrival_s - rig_s * (1 + self.drift))
        if (number := int(rig_s // _BIN_S)) == self._bin and self._bins:
            kept_rig_s, kept_s = self._bins[-1]
            if arrival_s - rig_s < kept_s - kept_rig_s:
                self._bins[-1] = (rig_s, arrival_s)
            return
        if self._bins and self._delay_s(*self._bins[-1]) > _JITTER_S:
            del self._bins[-1]
        self._find_drift(rig_s)
        self._bin = number
        self._bins.append((rig_s, arrival_s))
        del self._bins[:-_BINS]

    def _delay_s(self, rig_s: float, arrival_s: float) -> float:
        return arrival_s - rig_s * (1 + self.drift) - self._offset_s

    def _find_drift(self, now_s: float) -> None:
        bins = self._bins
        if len(bins) < _DRIFT_AFTER_S / _BIN_S / 2 or bins[-1][0] - bins[0][0] < _DRIFT_AFTER_S:
            return
        self.drift = max(-_MAX_DRIFT, min(_MAX_DRIFT, _slope_under(bins)))
        self._spread = _SURE
        self._offset_s = min(
            arrival_s - rig_s * (1 + self.drift) + _SURE * (now_s - rig_s) for rig_s, arrival_s in bins
        )


def _slope_under(points: Sequence[tuple[float, float]]) -> float:
    """Slope, minus 1, of the closest line under all points: an edge of their lower hull."""
    hull: list[tuple[float, float]] = []
    for x, y in ((rig_s, arrival_s - rig_s) for rig_s, arrival_s in points):
        while len(hull) >= 2:
            (x0, y0), (x1, y1) = hull[-2:]
            if (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) > 0:
                break
            hull.pop()
        hull.append((x, y))
    middle = sum(rig_s for rig_s, _ in points) / len(points)
    for (x0, y0), (x1, y1) in pairwise(hull):
        if x1 >= middle:
            return (y1 - y0) / (x1 - x0)
    return 0.0
