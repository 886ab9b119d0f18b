"""What is known about the running firing right now, however it is shown. Reads no clock."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from dashboard.figures.model import Band, Line, Place
from dashboard.live.messages import State
from logger.journal.bands import ReadingBand
from logger.journal.reader import Column
from logger.reading import Status

QUIET_S: Final = 3.0
"""A logger that hasn't been heard for this long is silent [s]."""
RIG_S: Final = 3.0
"""A rig is silent after this long, or after two and a half of its usual intervals if that is longer [s]."""
MAX_EVENTS: Final = 200
OK, ABSENT = int(Status.OK), int(Status.ABSENT)
"""Plain numbers, because every reading is compared with them."""
OVER_S: Final = 60.0
"""A rate of change is taken over this long [s]."""
LEAST_S: Final = 15.0
"""Over less than this, a rate is mostly noise [s]."""


@dataclass(frozen=True, slots=True)
class Value:
    """A probe's newest reading."""

    c: float | None  # the last valid temperature [°C]
    rate_c_min: float | None
    status: int
    value_s: float | None  # firing time of `c` [s]
    newest_s: float | None  # firing time of whatever it sent last [s]
    half_c: float | None  # half the width of its error band [°C]

    @property
    def ok(self) -> bool:
        """Whether the newest reading is a temperature."""
        return self.status == Status.OK and self.c is not None


@dataclass(slots=True)
class Board:
    """What every tablet's screen is drawn from."""

    # why the journal can't be read or, where `unrecorded`, why the logger records nothing
    trouble: str | None = None
    unrecorded: bool = False
    firing: dict[str, Any] | None = None  # see `Watcher._fill`
    places: list[Place] = field(default_factory=list)  # of the probes, in the plan's order
    every_s: list[float | None] = field(default_factory=list)  # each one's usual interval [s]
    values: list[Value] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    # by zone, see `card_of`
    cards: dict[str, list[Any]] = field(default_factory=dict)
    verdict: dict[str, Any] | None = None
    alarms: list[dict[str, Any]] = field(default_factory=list)
    sources: list[dict[str, Any]] = field(default_factory=list)
    at_s: float | None = None  # firing time when the logger was last heard [s]
    scale: float = 1.0  # how fast firing time runs
    readings: int = 0
    # by probe: times [s] and temperatures [°C, None where the line breaks] not sent yet
    points: list[tuple[list[float], list[float | None]]] = field(default_factory=list)
    grown: int = 0  # frames that have arrived since the lines were thinned
    # lines, bands: as they were when the board was made
    lines: list[Line] = field(default_factory=list)
    bands: list[Band] = field(default_factory=list)
    turned: bool = False  # whether the state (what can be trusted) has just changed
    made: dict[str, tuple[Any, Any]] = field(default_factory=dict, repr=False)  # see `kept`
    peak_c: float = -1e9  # the hottest reading so far; below -273 until first asked for [°C]

    def add_events(self, events: list[dict[str, Any]]) -> None:
        """Add events, and drop those they retract."""
        known = {e["id"] for e in self.events}
        back = {e["data"].get("event") for e in events if e["kind"] == "retract"}
        new = [e for e in events if e["id"] not in known and e["kind"] != "retract"]
        self.events = [e for e in self.events + new if e["id"] not in back][-MAX_EVENTS:]

    def kept(self, name: str, of: Any, make: Callable[[], Any]) -> Any:
        """Return what was made under this name, made again only when `of` has changed."""
        before = self.made.get(name)
        if before is None or before[0] != of:
            before = self.made[name] = of, make()
        return before[1]

    @property
    def running(self) -> bool:
        """Whether there is a firing that hasn't ended."""
        return self.firing is not None and self.firing["ended_s"] is None

    @property
    def newest_s(self) -> float | None:
        """Firing time of the newest reading [s]."""
        return max((v.newest_s for v in self.values if v.newest_s is not None), default=None)

    def now_s(self, quiet_s: float) -> float:
        """Return the firing time now [s]."""
        at_s = self.at_s if self.at_s is not None else self.newest_s or 0.0
        return at_s + quiet_s * self.scale

    def age_s(self, t_s: float, quiet_s: float) -> float:
        """Return how long ago something was, in real seconds."""
        return max(0.0, (self.now_s(0.0) - t_s) / self.scale) + quiet_s

    def usual_s(self, i: int) -> float:
        """Return a probe's usual interval [s], 10 at most: one that is due every 5 s isn't silent after 3."""
        return min((self.every_s[i] or 1.0) / self.scale, 10.0)

    def state(self, quiet_s: float | None) -> State:
        """Return what can be trusted, `quiet_s` after the logger's last sign of life (None: unknown)."""
        if self.trouble:
            return "trouble"
        if self.firing is not None and not self.running:
            return "ended"
        if quiet_s is not None and quiet_s > QUIET_S:
            return "logger"
        if self.firing is None:
            return "waiting"
        if self.at_s is None or self.newest_s is None:
            return "fresh"
        usual_s = min((self.usual_s(i) for i in range(len(self.every_s))), default=1.0)
        return "rig" if (self.at_s - self.newest_s) / self.scale > max(RIG_S, 2.5 * usual_s) else "fresh"

    def is_silent(self, i: int, quiet_s: float) -> bool:
        """Tell whether a probe has been silent for longer than it should be."""
        if (newest_s := self.values[i].newest_s) is None:
            return True
        return self.age_s(newest_s, quiet_s) > max(RIG_S, 2.5 * self.usual_s(i))

    def unseen(self) -> list[dict[str, Any]]:
        """List the warnings that nobody has acknowledged."""
        warnings = [alarm for alarm in self.alarms if alarm.get("warning") is not False]
        return [a for a in warnings if a.get("state") in ("unacknowledged", "returned-unacknowledged")]


class Newest:
    """The newest readings of one column."""

    def __init__(self, column: Column) -> None:
        self._band = ReadingBand(column.probe)
        self.newest_us = -1
        self.status = ABSENT
        self._t_us, self._c = np.zeros(0), np.zeros(0)  # the last minute's valid readings

    def take(self, times_us: list[int], temperature_c: list[float], status: list[int]) -> None:
        """Add readings, the newest last; none may be `ABSENT`."""
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
        """Return the slope of a least-squares line [°C/min]; None with too few readings, or none now."""
        if self.status != OK or len(self._t_us) < 3 or self._t_us[-1] - self._t_us[0] < LEAST_S * 1e6:
            return None
        x, y = self._t_us - self._t_us[0], self._c - self._c[0]
        n, sum_x = len(x), float(x.sum())
        return 60e6 * float(n * (x @ y) - sum_x * float(y.sum())) / float(n * (x @ x) - sum_x**2)

    def value(self, since_us: int) -> Value:
        """Return what the page shows, its times counted from `since_us`."""
        newest_s = since(self.newest_us, since_us) if self.newest_us >= 0 else None
        if not len(self._t_us):
            return Value(None, None, self.status, None, newest_s, None)
        value_c, rate = float(self._c[-1]), self.rate()
        shown_rate = None if rate is None else round(rate, 1)
        half_c = math.ceil(self._band.at(value_c, (rate or 0.0) / 60.0))
        value_s = since(int(self._t_us[-1]), since_us)
        return Value(round(value_c, 1), shown_rate, self.status, value_s, newest_s, half_c)


def since(t_us: int, started_us: int) -> float:
    """Convert to firing time: seconds from the first reading."""
    return round((t_us - started_us) / 1e6, 3)


def card_of(zone: dict[str, Any]) -> list[Any]:
    """List what a zone's card shows, rounded as it is shown.

    °C, °C/min, peak, min above burn-out, min of soak, what is missing, how it is judged.
    """
    level, rate, peak = (
        None if (value := zone.get(key)) is None else round(value)
        for key in ("level_c", "rate_c_per_min", "peak_c")
    )
    above, soak = (int((zone.get(key) or 0) // 60) for key in ("above_burnout_s", "soak_s"))
    how = "coals" if zone.get("coals") else "faulty" if zone.get("faulty") else zone.get("by", "probes")
    return [level, rate, peak, above, soak, zone.get("missing", ""), how]
