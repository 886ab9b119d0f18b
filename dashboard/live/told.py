"""What is known of a probe's newest readings and of a zone: as short as it is shown. Pure."""

import math
from typing import Any, Final

import numpy as np

from dashboard.live.board import Value
from logger.journal.bands import ReadingBand
from logger.journal.reader import Column
from logger.reading import Floats, Status

OK, ABSENT = int(Status.OK), int(Status.ABSENT)
"""As plain numbers: they are compared with each reading."""


OVER_S: Final = 60.0
"""The time that a rate of change is taken over [s]."""
LEAST_S: Final = 15.0
"""Over less than this it is mostly noise [s]."""


def rate_c_min(t_us: Floats, c: Floats) -> float | None:
    """Give the slope of the least-squares line through readings [°C/min].

    None where they span less than 15 s or are fewer than three.
    """
    if len(t_us) < 3 or t_us[-1] - t_us[0] < LEAST_S * 1e6:
        return None
    x, y = t_us - t_us[0], c - c[0]
    n, sum_x = len(x), float(x.sum())
    return 60e6 * float(n * (x @ y) - sum_x * float(y.sum())) / float(n * (x @ x) - sum_x**2)


class Newest:
    """The newest readings of one column."""

    def __init__(self, column: Column) -> None:
        self._band = ReadingBand(column.probe)
        self.newest_us = -1
        self.status = ABSENT
        self._t_us, self._c = np.zeros(0), np.zeros(0)  # those of the last minute that are OK

    def take(self, times_us: list[int], temperature_c: list[float], status: list[int]) -> None:
        """Take readings, the newest last; none may be `ABSENT`."""
        if not times_us:
            return
        self.newest_us, self.status = times_us[-1], status[-1]
        good = zip(times_us, temperature_c, status, strict=True)
        known = [(t, c) for t, c, how in good if how == OK and c == c]  # not NaN
        if known:
            times, values = zip(*known, strict=True)
            t_us, c = np.concatenate((self._t_us, times)), np.concatenate((self._c, values))
            old = t_us.searchsorted(times[-1] - OVER_S * 1e6)
            self._t_us, self._c = t_us[old:], c[old:]

    def rate(self) -> float | None:
        """Give the rate of change [°C/min]; None while there is too little to say, or no reading now."""
        return rate_c_min(self._t_us, self._c) if self.status == OK else None

    def value(self, since_us: int) -> Value:
        """Give what stands on the page, with times from `since_us` on."""
        newest_s = since(self.newest_us, since_us) if self.newest_us >= 0 else None
        if not len(self._t_us):
            return Value(None, None, self.status, None, newest_s, None)
        value_c, rate = float(self._c[-1]), self.rate()
        return Value(
            round(value_c, 1),
            None if rate is None else round(rate, 1),
            self.status,
            since(int(self._t_us[-1]), since_us),
            newest_s,
            math.ceil(self._band.at(value_c, (rate or 0.0) / 60.0)),
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
