"""When each zone gets where it should be at the present rate, how likely that is, and where its level may go.

A straight line through the last minutes promises too much: a fire's own pace changes, and most zones that
climb get there. So the line is one sign among several, weighted by how they did on families of fires
(`calibration`). Where the chance is near a half nobody can tell, and no forecast is given; nor after the
climb where the line disagrees, since whether another armload comes decides then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.judgement.forecast.calibration import (
    CHANCE,
    CHANGE,
    SLOWEST_C_PER_MIN,
    SPREAD,
    TIME,
    TIME_QUANTILES,
)
from logger.judgement.forecast.cooling import LEAST_ROWS, cooling_s
from logger.judgement.stages import BURN_DOWN, COOLING, PEAK
from logger.judgement.trend import SLOW_EVERY_S
from logger.reading import Floats
from logger.words.said import Degrees, Said, said

DRAWN_S: Final = (0, 60, 120, 180, 300, 420, 600, 840, 1200)
"""How far ahead the band is drawn. [s]"""
HOUR_S: Final = 3600.0
SURE: Final = 0.9
"""A chance that needs no "probably"."""
OPEN: Final = (0.3, 0.7)
"""Between these chances nobody can tell."""
LEAST: Final = 0.1
"""No lower chance is given: where armloads came while a zone fell, more of them got there (`README.md`)."""
PAST_ROWS: Final = 109
"""How many levels, `SLOW_EVERY_S` apart, are used: nine minutes."""
COLDEST_C: Final = -40.0
HOTTEST_C: Final = 1300.0
"""No zone of a wood fire in the open is outside these (common practice, no source). [°C]"""

_MINUTE_ROWS: Final = 60 // SLOW_EVERY_S
_HELD_ROWS: Final = 2
_MIXED_ROWS: Final = 4


@dataclass(frozen=True, slots=True)
class Arrival:
    """When a zone gets to a temperature; times count from `Forecast.at_s`."""

    temperature_c: float
    chance: float  # that it gets there within the hour, 0 to 1; 1 for cooling
    # if it gets there: one time in ten before `early_s`, half the time before `middle_s`, nine times in ten
    # before `late_s`; None where it hardly ever does
    early_s: float | None
    middle_s: float | None
    late_s: float | None


@dataclass(frozen=True, slots=True)
class Forecast:
    """Where a zone is heading at the present rate."""

    at_s: float  # when it was made, since the firing's first reading
    words: str  # for people
    words_parts: list[Any]  # the same, for either unit (`logger.words.said.told`)
    # None where the zone has already been there, or where nobody can tell, as the words then say
    burnout: Arrival | None
    target: Arrival | None
    cool: Arrival | None  # None unless the zone is cooling
    ahead_s: tuple[float, ...]  # for drawing: times since `at_s`
    low_c: tuple[float, ...]  # with `high_c`, the band that should hold the level eight times in ten
    middle_c: tuple[float, ...]
    high_c: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Rates:
    """How fast a level has moved: slope [°C/min] of the last one, two and five minutes.

    A shorter one is used where the past is too short.
    """

    level_c: float  # now
    one: float
    two: float
    five: float

    @property
    def steady_c_per_min(self) -> float:
        """The slope of the straight-line forecast."""
        return 0.5 * (self.two + self.five)


def rates(past_c: Floats) -> Rates | None:
    """How fast a zone's level has moved lately; None in the first minute.

    `past_c` (n,): levels every `SLOW_EVERY_S`, the newest last; NaN where unknown.
    """
    past = past_c[-PAST_ROWS:]
    if not len(past) or not np.isfinite(past[-1]) or np.isfinite(past).sum() < LEAST_ROWS:
        return None
    past = np.where(_mixed(past), np.nan, past)
    one = _slope(past[-_MINUTE_ROWS:])
    if one is None:
        return None
    two = _slope(past[-2 * _MINUTE_ROWS :])
    two = one if two is None else two
    five = _slope(past[-5 * _MINUTE_ROWS :])
    return Rates(float(past[-1]), one, two, two if five is None else five)


def signs(now: Rates, goal_c: float, peak_c: float, stage: str) -> Floats:
    """The signs that a chance is computed from (10,), each scaled to about one.

    `peak_c` is the highest level the zone has had.
    """
    to_go = max(goal_c - now.level_c, 5.0)
    return np.array(
        [
            1.0,
            min(to_go, 500.0) / 100.0,
            math.asinh(min(max(now.two * 10.0 / to_go, -5.0), 20.0)),
            math.asinh(min(max(now.five * 10.0 / to_go, -5.0), 20.0)),
            math.tanh(min(max(now.two * 60.0 / to_go, -5.0), 20.0) - 1.0),
            math.tanh(min(max(now.five * 60.0 / to_go, -5.0), 20.0) - 1.0),
            min(max(now.one - now.five, -40.0), 40.0) / 20.0,
            min(max(peak_c - now.level_c, 0.0), 200.0) / 50.0,
            float(stage == PEAK),
            float(stage in (BURN_DOWN, COOLING)),
        ]
    )


def comes_by_line(now: Rates, goal_c: float) -> bool:
    """Whether a straight line through two minutes gets there within the hour."""
    return now.two > 0.0 and (goal_c - now.level_c) / now.two * 60.0 <= HOUR_S


def chance_told(chance: float, by_line: bool, stage: str) -> float:
    """The chance to give: a half where nobody can tell, because the line disagrees after the climb."""
    if stage in (PEAK, BURN_DOWN, COOLING) and (chance > 0.5) != by_line:
        return 0.5
    return max(chance, LEAST)


def arrival(now: Rates, goal_c: float, peak_c: float, stage: str) -> Arrival:
    """When a zone gets to a higher temperature at the present rate."""
    score = float(CHANCE @ signs(now, goal_c, peak_c, stage))
    by_signs = round(1.0 / (1.0 + math.exp(-score)), 3)
    chance = chance_told(by_signs, comes_by_line(now, goal_c), stage)
    line_s = 60.0 * max(goal_c - now.level_c, 1.0) / max(now.steady_c_per_min, SLOWEST_C_PER_MIN)
    middle = TIME[0] + TIME[1] * math.log(line_s)
    early, usual, late = (round(min(math.exp(middle + q), HOUR_S)) for q in TIME_QUANTILES)
    return Arrival(goal_c, chance, early, usual, late)


def band(now: Rates) -> Floats:
    """Where the level may go: low, middle and high [°C], shape (3, len(DRAWN_S))."""
    ahead_min = np.array(DRAWN_S[1:]) / 60.0
    two, five = (min(max(rate, -60.0), 120.0) for rate in (now.two, now.five))
    change = CHANGE @ np.array([two, five, now.level_c - 450.0, 1.0])
    unit = 8.0 + 0.6 * abs(five) * np.minimum(ahead_min, 5.0) + 0.2 * abs(two)
    lines = now.level_c + change + SPREAD.T * unit
    lines = np.concatenate([np.full((3, 1), now.level_c), lines], axis=1)
    held: Floats = np.clip(lines, COLDEST_C, HOTTEST_C)
    return held


def forecast(
    at_s: float,
    past_c: Floats,
    *,
    stage: str,
    peak_c: float,
    burnout_c: float | None,
    target_c: float | None,
    cool_c: float | None,
) -> Forecast | None:
    """Forecast a zone; None in the first minute and where the level can't be a wood fire's.

    `at_s` is the time of the newest level; `past_c` (n,) the level every `SLOW_EVERY_S`, the newest last;
    `peak_c` the highest yet. Burn-out and target are None where the zone has been there, `cool_c` where it
    isn't cooling.
    """
    now = rates(past_c)
    if now is None or not COLDEST_C < now.level_c < HOTTEST_C:
        return None
    come = [None if c is None else arrival(now, c, peak_c, stage) for c in (burnout_c, target_c)]
    burnout, target = come
    if burnout is not None and target is not None and target.chance > burnout.chance:
        # The nearer goal can't be less likely.
        burnout = Arrival(
            burnout.temperature_c, target.chance, burnout.early_s, burnout.middle_s, burnout.late_s
        )
    cooled = None if cool_c is None else cooling_s(past_c, cool_c)
    cool = None
    if cool_c is not None and cooled is not None:
        early, middle, late = (round(s) for s in cooled)
        cool = Arrival(cool_c, 1.0, early, middle, late)
    words = in_words(burnout, target, cool)
    parts = words.plain() if isinstance(words, Said) else [words]
    low, usual, high = (tuple(round(c, 1) for c in line) for line in band(now).tolist())
    return Forecast(
        at_s,
        words,
        parts,
        _told(burnout),
        _told(target),
        cool,
        tuple(map(float, DRAWN_S)),
        low,
        usual,
        high,
    )


def can_tell(chance: float) -> bool:
    """Whether a chance is far enough from a half to be given."""
    return not OPEN[0] < chance < OPEN[1]


def in_words(burnout: Arrival | None, target: Arrival | None, cool: Arrival | None) -> str:
    """Put a forecast into a potter's words; empty where there is nothing to say."""
    parts: list[str] = []
    for name, told in (("burn-out", burnout), ("target", target)):
        if told is None:
            continue
        goal = "its target" if name == "target" else name
        if not can_tell(told.chance):
            # If the lower goal isn't sure, the higher one needs no words.
            return ", ".join([*parts, f"can't tell yet whether it will reach {goal}"])
        if told.chance < 0.5:
            will = "will not" if told.chance <= LEAST else "may not"
            return "; ".join([*parts, f"{will} reach {goal} without more wood"])
        probably = "" if told.chance >= SURE else "probably "
        parts.append(f"{name} {probably}in {in_how_long(told)}")
    if parts:
        return f"{', '.join(parts)} at this rate"
    if cool is None:
        return ""
    return said("cooled to {} in {}", Degrees("at", cool.temperature_c), in_how_long(cool))


def _told(found: Arrival | None) -> Arrival | None:
    return found if found is not None and can_tell(found.chance) else None


def in_how_long(arrival: Arrival) -> str:
    """Write the span in which an arrival comes."""
    low, high = ((s or 0.0) / 60.0 for s in (arrival.early_s, arrival.late_s))
    if high < 1.0:
        return "less than a minute"
    unit = "min"
    if high >= 100.0:
        low, high, unit = round(low / 30.0) / 2.0, round(high / 30.0) / 2.0, "h"
        first, last = f"{low:g}", f"{high:g}"
    else:
        if high >= 20.0:
            low, high = (5.0 * round(m / 5.0) for m in (low, high))
        first, last = f"{max(low, 1.0):.0f}", f"{max(high, 1.0):.0f}"
    return f"{last} {unit}" if first == last else f"{first}–{last} {unit}"


def _slope(rows: Floats) -> float | None:
    """Slope of a straight line [°C/min]; None with too few rows."""
    known = np.flatnonzero(np.isfinite(rows))
    if len(known) < max(5, len(rows) // 3):
        return None
    t = (known - known.mean()) * (SLOW_EVERY_S / 60.0)
    return float(t @ (rows[known] - rows[known].mean()) / (t @ t))


def _mixed(past_c: Floats) -> NDArray[np.bool_]:
    """Where values held in a gap, or the means after it, still contain older ones; never the newest row."""
    gap = ~np.isfinite(past_c)
    mixed = gap.copy()
    for n in range(1, _MIXED_ROWS + 1):
        mixed[n:] |= gap[:-n]
    for n in range(1, _HELD_ROWS + 1):
        mixed[:-n] |= gap[n:]
    mixed[-1] = False
    return mixed
