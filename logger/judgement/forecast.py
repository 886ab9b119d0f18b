"""When each zone will be where it should be if nothing is added, and when it will have cooled.

Heating: of thousands of small made-up fires (`fire_ensemble`) those that did lately what the zone did are
taken, the nearer the more, and corrected for the rest of the difference by a local line [1]_. What they did
next is what may come; the share of them that gets there is the chance.

Cooling: Newton's law with a film that weakens as radiation does [2]_. The rate is that of the last minutes;
its own uncertainty and a measured error of the law make the band.

References
----------
.. [1] M. A. Beaumont, W. Zhang and D. J. Balding, "Approximate Bayesian computation in population genetics",
   Genetics 162 (2002), 2025-2035: regression adjustment, Epanechnikov kernel.
.. [2] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley: lumped capacitance,
   radiation heat transfer coefficient.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.judgement.fire_ensemble import AHEAD_S, LAGS_S, ensemble, film_w_m2k
from logger.judgement.trend import SLOW_EVERY_S
from logger.reading import Floats

LOW, HIGH = BAND = (0.1, 0.9)
"""The band holds the middle 80 %."""

DRAWN_S: Final = (0, 60, 120, 180, 300, 420, 600, 840, 1200)
"""How far ahead the band is given for drawing. [s]"""

SURE: Final = 0.9
"""A chance that needs no 'perhaps'; below one minus this it won't be."""

LEAST_CHANCE: Final = 0.02

NEIGHBOURS: Final = 350
# How unlike a past may be and still count: of the level itself, and of what it was some time ago. Set on
# simulated firings with seeds below 1000, as are the two errors of the models.
_LEVEL_C: Final = 60.0
_PAST_C: Final = 4.0
_PAST_C_PER_S: Final = 0.2
_RIDGE: Final = 0.2
_MODEL_SPREAD: Final = 1.2
# Of the logarithm of the time to cool: more for the first part of the way, while embers still give.
_COOLING_ERROR: Final = 0.35
_EMBERS_ERROR: Final = 0.6

_AHEAD: Final = np.array(AHEAD_S, float)
_DRAWN: Final = [AHEAD_S.index(s) for s in DRAWN_S]
_LAG_ROWS: Final = np.array(LAGS_S) // SLOW_EVERY_S
PAST_ROWS: Final = int(_LAG_ROWS[-1]) + 1
"""So many levels, `SLOW_EVERY_S` apart, are looked at."""
LEAST_ROWS: Final = 13

AMBIENT_C: Final = 15.0
_FALLING_ROWS: Final = 36
_HELD_ROWS: Final = 2
_MIXED_ROWS: Final = 4
_LEAST_FALL_C_PER_MIN: Final = 0.2
_LONGEST_S: Final = 12 * 3600.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """When a zone comes to a temperature; times from `Forecast.at_s` on.

    Attributes
    ----------
    temperature_c : float
        [°C]
    chance : float
        That it gets there within the hour, 0 to 1; 1 for cooling.
    early_s, middle_s, late_s : float or None
        If it gets there: one time in ten before `early_s`, half the times before `middle_s`, nine times in
        ten before `late_s`. None where it hardly ever does. [s]
    """

    temperature_c: float
    chance: float
    early_s: float | None
    middle_s: float | None
    late_s: float | None


@dataclass(frozen=True, slots=True)
class Forecast:
    """What comes of a zone if nothing is added and nothing taken away.

    Attributes
    ----------
    at_s : float
        Made then, since the firing's first reading. [s]
    words : str
        For people.
    burnout, target : Arrival or None
        None where the zone has been there already.
    cool : Arrival or None
        None unless the zone is cooling.
    ahead_s : tuple of float
        For drawing: times from `at_s` on. [s]
    low_c, middle_c, high_c : tuple of float
        The band and its middle there. [°C]
    """

    at_s: float
    words: str
    burnout: Arrival | None
    target: Arrival | None
    cool: Arrival | None
    ahead_s: tuple[float, ...]
    low_c: tuple[float, ...]
    middle_c: tuple[float, ...]
    high_c: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Futures:
    """What a zone may do next, and how likely each is.

    Attributes
    ----------
    level_c : array (m, ahead)
        At `AHEAD_S`. [°C]
    weight : array (m,)
        Sums to 1.
    """

    level_c: Floats
    weight: Floats

    def arrival(self, temperature_c: float) -> Arrival:
        """When the level first comes up to a temperature.

        Parameters
        ----------
        temperature_c : float
            [°C]

        Returns
        -------
        Arrival
        """
        level = self.level_c
        there = level >= temperature_c
        first = there.argmax(axis=1)
        before = np.maximum(first - 1, 0)
        row = np.arange(len(level))
        step = np.maximum(level[row, first] - level[row, before], 1e-9)
        share = np.clip((temperature_c - level[row, before]) / step, 0.0, 1.0)
        time_s = _AHEAD[before] + np.where(first > 0, share, 0.0) * (_AHEAD[first] - _AHEAD[before])
        comes = there.any(axis=1)
        chance = min(float(self.weight[comes].sum()), 1.0)
        if chance < LEAST_CHANCE:
            return Arrival(temperature_c, round(chance, 3), None, None, None)
        times = _quantiles(time_s[comes, None], self.weight[comes] / chance)[:, 0]
        early, middle, late = (round(t) for t in times.tolist())
        return Arrival(temperature_c, round(chance, 3), early, middle, late)

    def band(self) -> Floats:
        """The band for drawing.

        Returns
        -------
        array (3, len(DRAWN_S))
            Low, middle, high. [°C]
        """
        return _quantiles(self.level_c[:, _DRAWN], self.weight)


def futures(past_c: Floats) -> Futures:
    """What may come of a zone if nothing is added.

    Parameters
    ----------
    past_c : array (n,)
        Its level every `SLOW_EVERY_S`, the newest last. What is missing at the start counts as the oldest
        known. [°C]

    Returns
    -------
    Futures
    """
    fires, unlike = _library()
    looked = _filled(past_c)[-1 - _LAG_ROWS]
    distance = (fires.features - _features(looked)) / unlike
    square = (distance * distance).sum(axis=1)
    nearest = np.argpartition(square, NEIGHBOURS)[:NEIGHBOURS]
    square, distance = square[nearest], distance[nearest]
    weight = 1.0 - square / (square.max() + 1e-9) + 1e-6
    weight /= weight.sum()
    change = fires.change_c[nearest]
    line = np.concatenate([np.ones((NEIGHBOURS, 1)), distance], axis=1)
    weighted = line * weight[:, None]
    ridge = np.full(line.shape[1], _RIDGE)
    ridge[0] = 0.0
    slopes = np.linalg.solve(line.T @ weighted + np.diag(ridge), weighted.T @ change)
    change = change - distance @ slopes[1:]
    middle = weight @ change
    return Futures(looked[0] + middle + _MODEL_SPREAD * (change - middle), weight)


@dataclass(frozen=True, slots=True)
class _Library:
    features: Floats
    change_c: Floats


@cache
def _library() -> tuple[_Library, Floats]:
    fires = ensemble()
    unlike = np.array([_LEVEL_C, *(_PAST_C + _PAST_C_PER_S * lag for lag in LAGS_S[1:])])
    return _Library(_features(fires.past_c), fires.future_c - fires.past_c[:, :1]), unlike


def _features(past_c: Floats) -> Floats:
    """The level now, and how much it has changed since each time before."""
    now = past_c[..., :1]
    return np.concatenate([now, now - past_c[..., 1:]], axis=-1)


def _filled(past_c: Floats) -> Floats:
    """As many levels as are looked at; what is missing is put on straight lines, or held."""
    past = past_c[-PAST_ROWS:]
    known = np.flatnonzero(np.isfinite(past) & ~_mixed(past))
    filled = np.interp(np.arange(len(past)), known, past[known])
    short = PAST_ROWS - len(past)
    return np.concatenate([np.full(short, filled[0]), filled]) if short > 0 else filled


def _mixed(past_c: Floats) -> NDArray[np.bool_]:
    """Where what was held at the start of a gap, or the means after it, still have what was before in them.

    The newest always counts.
    """
    gap = ~np.isfinite(past_c)
    mixed = gap.copy()
    for n in range(1, _MIXED_ROWS + 1):
        mixed[n:] |= gap[:-n]
    for n in range(1, _HELD_ROWS + 1):
        mixed[:-n] |= gap[n:]
    mixed[-1] = False
    return mixed


def cooling(past_c: Floats, temperature_c: float, ambient_c: float = AMBIENT_C) -> Arrival | None:
    """When a zone that cools will be down to a temperature.

    Parameters
    ----------
    past_c : array (n,)
        Its level every `SLOW_EVERY_S`, the newest last. [°C]
    temperature_c : float
        [°C]
    ambient_c : float, default 15
        [°C]

    Returns
    -------
    Arrival or None
        None where the zone doesn't fall, is there already, or never will be.

    Notes
    -----
    ``dT/dt = -k (T - Ta) sqrt(h(T) / h(T0))``, k from a line through the logarithm of the last three minutes;
    h is convection and radiation. The root stands for embers and ground that the zone cools with: these give
    their heat off by convection and conduction more than by radiation.
    """
    past = past_c[np.isfinite(past_c)][-_FALLING_ROWS:]
    if len(past) < LEAST_ROWS or temperature_c <= ambient_c + 1.0 or past[-1] <= temperature_c:
        return None
    t = (np.arange(len(past)) - (len(past) - 1)) * float(SLOW_EVERY_S)
    log = np.log(np.maximum(past - ambient_c, 1.0))
    centred = t - t.mean()
    slope = float(centred @ log / (centred @ centred))
    now_c = float(past[-1])
    if slope * (now_c - ambient_c) * 60.0 > -_LEAST_FALL_C_PER_MIN:
        return None
    rest = log - log.mean() - slope * centred
    # Levels overlap by fifteen seconds: only a third of them counts.
    u_slope = math.sqrt(3.0 * float(rest @ rest) / max(len(past) / 3.0 - 2.0, 1.0) / float(centred @ centred))
    grid = np.linspace(temperature_c, now_c, 50)
    pace = (grid - ambient_c) * np.sqrt(film_w_m2k(grid) / film_w_m2k(now_c))
    seconds = float(np.trapezoid(1.0 / pace, grid)) / -slope
    error = _COOLING_ERROR + _EMBERS_ERROR * (temperature_c - ambient_c) / (now_c - ambient_c)
    factor = math.exp(math.hypot(error, 1.28 * u_slope / -slope))
    if seconds > _LONGEST_S:
        return None
    return Arrival(temperature_c, 1.0, round(seconds / factor), round(seconds), round(seconds * factor))


def forecast(
    at_s: float,
    past_c: Floats,
    *,
    burnout_c: float | None,
    target_c: float | None,
    cool_c: float | None,
) -> Forecast | None:
    """Say what comes of a zone.

    Parameters
    ----------
    at_s : float
        Time of the newest level. [s]
    past_c : array (n,)
        Its level every `SLOW_EVERY_S`, the newest last. [°C]
    burnout_c, target_c : float or None
        None where the zone has been there. [°C]
    cool_c : float or None
        None where it isn't cooling. [°C]

    Returns
    -------
    Forecast or None
        None in the first minute.
    """
    past = past_c[-PAST_ROWS:]
    if not len(past) or not np.isfinite(past[-1]) or np.isfinite(past).sum() < LEAST_ROWS:
        return None
    come = futures(past)
    burnout = None if burnout_c is None else come.arrival(burnout_c)
    target = None if target_c is None else come.arrival(target_c)
    cool = None if cool_c is None else cooling(past, cool_c)
    low, middle, high = (tuple(round(c, 1) for c in line) for line in come.band().tolist())
    words = in_words(burnout, target, cool)
    return Forecast(at_s, words, burnout, target, cool, tuple(map(float, DRAWN_S)), low, middle, high)


def in_words(burnout: Arrival | None, target: Arrival | None, cool: Arrival | None) -> str:
    """Put a forecast into a potter's words.

    Parameters
    ----------
    burnout, target, cool : Arrival or None

    Returns
    -------
    str
        Empty where there is nothing to say.
    """
    parts: list[str] = []
    for name, arrival in (("burn-out", burnout), ("target", target)):
        if arrival is None:
            continue
        if arrival.chance < 0.5:
            will = "will not" if arrival.chance <= 1.0 - SURE else "may not"
            # What isn't reached at a lower temperature needs no words at a higher one.
            goal = "its target" if name == "target" else name
            return "; ".join([*parts, f"{will} reach {goal} without more wood"])
        probably = "" if arrival.chance >= SURE else "probably "
        parts.append(f"{name} {probably}in {_span(arrival.early_s, arrival.late_s)}")
    if parts:
        return f"{', '.join(parts)} if nothing is added"
    if cool is None:
        return ""
    return f"cooled to {cool.temperature_c:.0f} °C in {_span(cool.early_s, cool.late_s)}"


def _span(early_s: float | None, late_s: float | None) -> str:
    low, high = (0.0 if s is None else s / 60.0 for s in (early_s, late_s))
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


def _quantiles(values: Floats, weight: Floats) -> Floats:
    """Low, middle and high of each column."""
    order = np.argsort(values, axis=0)
    sums = np.cumsum(weight[order], axis=0)
    found = []
    for q in (LOW, 0.5, HIGH):
        row = np.minimum((sums < q).sum(axis=0), len(values) - 1)
        found.append(np.take_along_axis(values, order[row, np.arange(values.shape[1])][None], axis=0)[0])
    return np.stack(found)
