"""The rig's milliseconds to the host's time. No I/O, reads no clock: all times arrive as numbers.

A frame can be delayed on its way (USB batches, radio) but never be early. So, of all frames, those with the
least delay tell where the rig's clock stands against the host's: the line under all points (rig's time,
arrival) that touches them from below. Its offset and drift are what this module keeps.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

_WRAP_MS: Final = 1 << 32
_BIN_S: Final = 5.0
"""Of each so many seconds the least delayed frame is kept."""
_BINS: Final = 120
"""Ten minutes of them: long enough to see 20 ppm through 10 ms of jitter."""
_DRIFT_AFTER_S: Final = 60.0
"""A shorter stretch says nothing about drift."""
_MAX_DRIFT: Final = 500e-6
_SLEW: Final = 0.002
"""How fast times that were given wrong are mended: 2 ms a second, so that rates stay right within 0.2 %."""
_STEP_S: Final = 0.6
"""More than jitter explains (up to 500 ms): lines that had gathered before we listened. Not slewed but mended
at once. [s]"""


class RigClock:
    """Maps one rig's `ms`, of one boot, to the host's time.

    Times given never go back while `ms` goes forward, and are strictly apart.

    Parameters
    ----------
    drift : float, default 0
        Of the rig's clock against the host's, where it is known from an earlier boot.
    floor_s : float, optional
        No time is given at or before this: where the rig's line of time has got to. [s]
    """

    def __init__(self, drift: float = 0.0, floor_s: float | None = None) -> None:
        self._last_ms: int | None = None  # newest, as sent
        self._unwrapped_ms = 0
        self._drift = drift
        self._floor_s = floor_s
        self._offset_s = 0.0  # given times: rig_s * (1 + drift) + offset
        self._target_s = 0.0  # where the offset should be
        self._bins: list[tuple[float, float]] = []  # (rig's seconds, arrival): the least delayed of each bin
        self._bin = 0
        self._newest_s = float("-inf")  # newest time given
        self._newest_rig_s = 0.0

    def new(self, ms: int, arrival_s: float) -> float:
        """Give the time of a frame that came in its turn.

        Parameters
        ----------
        ms : int
            The rig's clock. [ms]
        arrival_s : float
            When its line was read, on a clock that never jumps. [s]

        Returns
        -------
        float
            On that same clock. [s]
        """
        rig_s = self._rig_seconds(ms)
        if self._last_ms is None:
            self._offset_s = self._target_s = arrival_s - rig_s * (1 + self._drift)
            if self._floor_s is not None and arrival_s <= self._floor_s:
                self._offset_s += self._floor_s + 1e-3 - arrival_s
            self._bin = int(rig_s // _BIN_S)
            self._bins = [(rig_s, arrival_s)]
        else:
            self._learn(rig_s, arrival_s)
            self._slew(max(0.0, rig_s - self._newest_rig_s))
        self._last_ms = ms
        t_s = self._at(rig_s)
        if rig_s > self._newest_rig_s or self._newest_s == float("-inf"):
            if t_s <= self._newest_s:
                t_s = self._newest_s + 1e-6 * max(1.0, (rig_s - self._newest_rig_s) * 1e3)
            self._newest_s, self._newest_rig_s = t_s, rig_s
        return t_s

    def late(self, ms: int) -> float:
        """Give the time of a frame that was kept by the rig and came out of its turn.

        Parameters
        ----------
        ms : int
            The rig's clock when the frame was made. [ms]

        Returns
        -------
        float
            On the clock of the arrivals. [s]
        """
        return self._at(self._unwrapped(ms) / 1000)

    def state(self) -> dict[str, Any]:
        """Everything needed to go on with the same boot after a restart of ours.

        Returns
        -------
        dict
            Plain numbers and lists, for `restore`.
        """
        return {
            "last_ms": self._last_ms,
            "unwrapped_ms": self._unwrapped_ms,
            "drift": self._drift,
            "offset_s": self._offset_s,
            "target_s": self._target_s,
            "bins": [list(b) for b in self._bins[-_BINS:]],
            "bin": self._bin,
            "newest_s": self._newest_s,
            "newest_rig_s": self._newest_rig_s,
        }

    @classmethod
    def restore(cls, state: dict[str, Any], shift_s: float) -> RigClock:
        """Go on from a saved state.

        Parameters
        ----------
        state : dict
            From `state`.
        shift_s : float
            What to add to times on the old arrivals' clock to have them on the new one. [s]

        Returns
        -------
        RigClock
        """
        clock = cls(float(state["drift"]))
        clock._last_ms = state["last_ms"]
        clock._unwrapped_ms = state["unwrapped_ms"]
        clock._offset_s = state["offset_s"] + shift_s
        clock._target_s = state["target_s"] + shift_s
        clock._bins = [(rig_s, arrival_s + shift_s) for rig_s, arrival_s in state["bins"]]
        clock._bin = state["bin"]
        clock._newest_s = state["newest_s"] + shift_s
        clock._newest_rig_s = state["newest_rig_s"]
        return clock

    def continues(self, ms: int, arrival_s: float) -> bool:
        """Tell whether a frame can be of the boot that this clock follows.

        Parameters
        ----------
        ms : int
        arrival_s : float
            [s]

        Returns
        -------
        bool
            False where it would lie in the future, or the rig's clock went back to its beginning.
        """
        ahead = (ms - (self._last_ms or 0)) % _WRAP_MS
        return ahead < _WRAP_MS // 2 and self._at((self._unwrapped_ms + ahead) / 1000) <= arrival_s + 5.0

    @property
    def drift(self) -> float:
        """The rig's clock against the host's, as far as is known; positive where the rig is slow."""
        return self._drift

    @property
    def newest_s(self) -> float:
        """The newest time given [s]; minus infinity before the first."""
        return self._newest_s

    def _at(self, rig_s: float) -> float:
        return rig_s * (1 + self._drift) + self._offset_s

    def _unwrapped(self, ms: int) -> int:
        """Undo the wrap: the value nearest to the newest one."""
        last = self._last_ms if self._last_ms is not None else ms
        step = (ms - last + _WRAP_MS // 2) % _WRAP_MS - _WRAP_MS // 2
        return self._unwrapped_ms + step

    def _rig_seconds(self, ms: int) -> float:
        self._unwrapped_ms = self._unwrapped(ms)
        return self._unwrapped_ms / 1000

    def _learn(self, rig_s: float, arrival_s: float) -> None:
        if (number := int(rig_s // _BIN_S)) != self._bin:
            self._bin = number
            self._bins.append((rig_s, arrival_s))
            del self._bins[:-_BINS]
            self._aim(drift_too=True)
        elif arrival_s - rig_s < self._bins[-1][1] - self._bins[-1][0]:
            self._bins[-1] = (rig_s, arrival_s)
            self._aim(drift_too=False)

    def _aim(self, *, drift_too: bool) -> None:
        bins = self._bins
        if drift_too and bins[-1][0] - bins[0][0] >= _DRIFT_AFTER_S:
            drift = _slope_under(bins)
            # The offset belongs to rig's second 0, long ago: turning the line there would move it here.
            pivot = self._newest_rig_s
            change = max(-_MAX_DRIFT, min(_MAX_DRIFT, drift)) - self._drift
            self._drift += change
            self._offset_s -= change * pivot
        self._target_s = min(arrival_s - rig_s * (1 + self._drift) for rig_s, arrival_s in bins)

    def _slew(self, elapsed_s: float) -> None:
        wrong = self._target_s - self._offset_s
        if (
            wrong < -_STEP_S
        ):  # the first frames had waited long before we heard them: their times stay, late as they are
            self._offset_s = self._target_s
            return
        step = _SLEW * elapsed_s
        self._offset_s += max(-step, min(step, wrong))


def _slope_under(points: list[tuple[float, float]]) -> float:
    """Slope, less 1, of the line that lies under all points and closest to them: an edge of their lower hull.

    Of all the lines under the points, that edge of the hull above which the middle of the rig's time lies has
    the least sum of distances.
    """
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
