"""What is known of a probe's newest readings and of a zone: as short as it is shown. Pure."""

import math
from collections import deque
from typing import Any, Final

from dashboard.live.board import Value
from logger.journal.bands import ReadingBand
from logger.journal.reader import Column
from logger.reading import Status

OK, ABSENT = int(Status.OK), int(Status.ABSENT)
"""As plain numbers: they are compared with each reading."""


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

    def push(self, t_us: list[int], temperature_c: list[float]) -> None:
        """Take the next readings that are OK: later than all before, and finite."""
        points = self._points
        if not points:
            self._begin_us = t_us[0]
        for at_us, value_c in zip(t_us, temperature_c, strict=True):
            t, c = at_us - self._begin_us, round(value_c * 10_000)
            points.append((t, c))
            self._t += t
            self._c += c
            self._tt += t * t
            self._tc += t * c
        oldest = points[-1][0] - round(OVER_S * 1e6)
        while points[0][0] < oldest:
            t, c = points.popleft()
            self._t -= t
            self._c -= c
            self._tt -= t * t
            self._tc -= t * c

    def c_min(self) -> float | None:
        """Give °C/min; None where the readings span less than 15 s or are fewer than three."""
        n = len(self._points)
        if n < 3 or self._points[-1][0] - self._points[0][0] < LEAST_S * 1e6:
            return None
        slope = (n * self._tc - self._t * self._c) / (n * self._tt - self._t**2)
        return slope * 60e6 / 10_000


class Newest:
    """The newest readings of one column."""

    def __init__(self, column: Column) -> None:
        self._band = ReadingBand(column.probe)
        self.newest_us = -1
        self.value_us = -1
        self.value_c = math.nan
        self.status = ABSENT
        self._rate = RateOfChange()

    def take(self, t_us: list[int], temperature_c: list[float], status: list[int]) -> None:
        """Take readings, the newest last; none may be `ABSENT`."""
        if not t_us:
            return
        self.newest_us, self.status = t_us[-1], status[-1]
        good = zip(t_us, temperature_c, status, strict=True)
        known = [(t, c) for t, c, how in good if how == OK and c == c]  # not NaN
        if known:
            self.value_us, self.value_c = known[-1]
            self._rate.push([t for t, _ in known], [c for _, c in known])

    def rate(self) -> float | None:
        """Give the rate of change [°C/min]; None while there is too little to say, or no reading now."""
        return self._rate.c_min() if self.status == OK else None

    def value(self, since_us: int) -> Value:
        """Give what stands on the page, with times from `since_us` on."""
        known = self.value_us >= 0
        rate = self.rate()
        return Value(
            round(self.value_c, 1) if known else None,
            None if rate is None else round(rate, 1),
            self.status,
            since(self.value_us, since_us) if known else None,
            since(self.newest_us, since_us) if self.newest_us >= 0 else None,
            math.ceil(self._band.at(self.value_c, (rate or 0.0) / 60.0)) if known else None,
        )


def since(t_us: int, started_us: int) -> float:
    """Count a firing's time in seconds from its first reading."""
    return round((t_us - started_us) / 1e6, 3)


def card_of(zone: dict[str, Any]) -> list[Any]:
    """List what a zone's card shows: °C, °C/min, peak, min above burn-out, min of soak, what is missing, how.

    Rounded to what can be seen.
    """
    level, rate, peak = (
        None if (value := zone.get(key)) is None else round(value)
        for key in ("level_c", "rate_c_per_min", "peak_c")
    )
    above, soak = (int((zone.get(key) or 0) // 60) for key in ("above_burnout_s", "soak_s"))
    how = "coals" if zone.get("coals") else "faulty" if zone.get("faulty") else zone.get("by", "probes")
    return [level, rate, peak, above, soak, zone.get("missing", ""), how]


def forecast(verdict: dict[str, Any] | None) -> dict[str, Any] | None:
    """Give what is to come: in words, and by zone what is drawn of it."""
    if verdict is None:
        return None
    zones = {z["zone"]: z["forecast"] for z in verdict.get("zones", ()) if z.get("forecast")}
    return {"words": verdict.get("coming", ""), "zones": zones}
