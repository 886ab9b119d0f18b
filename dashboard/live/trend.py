"""How fast a reading changes. Pure."""

from __future__ import annotations

from collections import deque
from typing import Final

OVER_S: Final = 60.0
"""The time that a rate of change is taken over [s]."""
LEAST_S: Final = 15.0
"""Over less than this it is mostly noise [s]."""


class RateOfChange:
    """Slope of the least-squares line through the last minute's readings.

    Kept up reading by reading: what tablets are told four times a second must not cost a fit of 600 points a
    probe. The sums are of whole numbers, so they stay exact however long it goes on.
    """

    def __init__(self) -> None:
        self._points: deque[tuple[int, int]] = deque()
        self._begin_us = 0
        self._t = self._c = self._tt = self._tc = 0

    def push(self, t_us: int, temperature_c: float) -> None:
        """Take the next reading that is OK: later than all before, and finite."""
        if not self._points:
            self._begin_us = t_us
        t, c = t_us - self._begin_us, round(temperature_c * 10_000)
        self._points.append((t, c))
        self._add(1, t, c)
        oldest = t - round(OVER_S * 1e6)
        while self._points[0][0] < oldest:
            self._add(-1, *self._points.popleft())

    def _add(self, sign: int, t: int, c: int) -> None:
        self._t += sign * t
        self._c += sign * c
        self._tt += sign * t * t
        self._tc += sign * t * c

    def c_min(self) -> float | None:
        """Give °C/min; None where the readings span less than 15 s or are fewer than three."""
        n = len(self._points)
        if n < 3 or self._points[-1][0] - self._points[0][0] < LEAST_S * 1e6:
            return None
        slope = (n * self._tc - self._t * self._c) / (n * self._tt - self._t**2)
        return slope * 60e6 / 10_000
