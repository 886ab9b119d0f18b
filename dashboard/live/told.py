"""What tablets are told of readings and verdicts: as short as it is shown. Pure."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from dashboard.live.trend import RateOfChange
from logger.journal.bands import ReadingBand
from logger.journal.reader import Column
from logger.journal.traces import Estimates
from logger.reading import Batch, Status

MAX_ROWS: Final = 24
MAX_CELLS: Final = 16 * MAX_ROWS
"""Values in one update: 24 frames of 16 channels, more of fewer; it keeps an update below 4 kB. Where one
look finds more frames of a rig, only those with a least or a greatest value are drawn until a snapshot."""
MAX_ESTIMATES: Final = 400
"""Points of a zone's estimate in a snapshot."""
OK, ABSENT = int(Status.OK), int(Status.ABSENT)
"""As plain numbers: they are compared with each reading."""

Message = dict[str, Any]


class Newest:
    """The newest readings of one column."""

    def __init__(self, column: Column) -> None:
        self._band = ReadingBand(column.probe)
        self.newest_us = -1
        self.value_us = -1
        self.value_c = math.nan
        self.status = ABSENT
        self._rate = RateOfChange()

    def take(self, t_us: int, temperature_c: float, status: int) -> None:
        """Take a reading."""
        self.newest_us = t_us
        self.status = status
        if status != OK or math.isnan(temperature_c):
            return
        self.value_us, self.value_c = t_us, temperature_c
        self._rate.push(t_us, temperature_c)

    def rate(self) -> float | None:
        """Give the rate of change [°C/min]; None while there is too little to say, or no reading now."""
        return self._rate.c_min() if self.status == OK else None

    def value(self, since_us: int) -> list[float | int | None]:
        """Give what stands on the page: °C, °C/min, status, times of value and newest reading [s], ± °C."""
        known = self.value_us >= 0
        rate = self.rate()
        return [
            round(self.value_c, 1) if known else None,
            None if rate is None else round(rate, 1),
            self.status,
            since(self.value_us, since_us) if known else None,
            since(self.newest_us, since_us) if self.newest_us >= 0 else None,
            math.ceil(self._band.at(self.value_c, (rate or 0.0) / 60.0)) if known else None,
        ]


def band(line: Estimates, started_us: int) -> Message:
    """Thin what a zone's pots were estimated to be at, which moves slowly: `t` [s], `c`, `lo`, `hi` [°C]."""
    kept = np.unique(np.linspace(0, len(line.t_us) - 1, min(len(line.t_us), MAX_ESTIMATES)).astype(int))
    drawn = {"c": line.estimate_c, "lo": line.low_c, "hi": line.high_c}
    return {
        "t": [since(t, started_us) for t in line.t_us[kept].tolist()],
        **{key: [round(c) for c in values[kept].tolist()] for key, values in drawn.items()},
    }


def cells_of(temperature_c: np.ndarray, status: np.ndarray) -> list[float | str]:
    """Write temperatures, or `!` and the status: no number can be mistaken for a fault."""
    # Not numpy's rounding: it differs in the last digit now and then, and a point has one value everywhere.
    cells: list[float | str] = [round(c, 1) for c in temperature_c.tolist()]
    for n in np.flatnonzero(np.isnan(temperature_c)).tolist():
        cells[n] = f"!{int(status[n])}"
    return cells


def to_draw(batch: Batch, rows: np.ndarray) -> list[int]:
    """Rows to draw: all, or where there are many those with peaks and dips, the first and the last."""
    if len(rows) <= max(MAX_ROWS, MAX_CELLS // len(batch.channels)):
        return [int(n) for n in rows]
    keep = {int(rows[0]), int(rows[-1])}
    for part in np.array_split(rows, MAX_ROWS // 4):
        values = batch.temperature_c[part]
        with np.errstate(invalid="ignore"):
            level = np.where(np.isnan(values), 0.0, values).sum(axis=1)
        keep |= {int(part[level.argmin()]), int(part[level.argmax()])}
        keep |= {
            int(n) for n in part[1:][(batch.status[part[1:]] != batch.status[part[:-1]]).any(axis=1)][:2]
        }
    return sorted(keep)


def since(t_us: int, started_us: int) -> float:
    """Count a firing's time in seconds from its first reading."""
    return round((t_us - started_us) / 1e6, 3)


def brief(verdict: Any) -> Any:
    """Of a verdict only what is shown: times above temperatures change every second."""
    if not isinstance(verdict, dict):
        return None
    brief = {key: verdict[key] for key in ("line", "stage", "leading", "coldest") if key in verdict}
    if estimates := verdict.get("estimates"):
        brief["estimates"] = {
            zone: [round(e["estimate_c"]), round(e["low_c"]), round(e["high_c"]), e["basis"], e["consistent"]]
            for zone, e in estimates.items()
        }
    return brief


def card_of(zone: Message) -> list[Any]:
    """List what a zone's card shows: °C, °C/min, peak, min above burn-out, min of soak, what is missing, how.

    Rounded to what can be seen: else each zone would be sent every second.
    """
    level, rate, peak = (
        None if (value := zone.get(key)) is None else round(value)
        for key in ("level_c", "rate_c_per_min", "peak_c")
    )
    above, soak = (int((zone.get(key) or 0) // 60) for key in ("above_burnout_s", "soak_s"))
    how = "coals" if zone.get("coals") else "faulty" if zone.get("faulty") else zone.get("by", "probes")
    return [level, rate, peak, above, soak, zone.get("missing", ""), how]


def forecast(verdict: Any) -> Any:
    """Give what is to come, in words and to be drawn; it is worked out again only every few seconds."""
    if not isinstance(verdict, dict):
        return None
    drawn = ("at_s", "words", "cool", "ahead_s", "low_c", "middle_c", "high_c")
    zones = {
        z["zone"]: {key: z["forecast"].get(key) for key in drawn}
        for z in verdict.get("zones", ())
        if z.get("forecast")
    }
    return {"words": verdict.get("coming", ""), "zones": zones}


def number(data: Message | None, key: str, default: float) -> float:
    """Read a number from a heartbeat."""
    value = (data or {}).get(key)
    return float(value) if isinstance(value, int | float) else default
