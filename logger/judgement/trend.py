"""Level and rate of each probe on a grid of whole seconds, from readings at any rate, with gaps and spikes.

A second's value is the mean of its good readings; a median of five removes single spikes; the mean of fifteen
medians is the level. Of a flicker of ±30 °C at 1 Hz about 8 °C is left, and a turn shows after some ten
seconds. A probe that sends less often keeps its last value until the next is overdue. One whose readings are
farther apart than `SELDOM_S` is not smoothed; its rate is that of the line between its last two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.reading import Floats, Ints

Bools = NDArray[np.bool_]

MEDIAN_S: Final = 5
MEAN_S: Final = 15
SLOW_EVERY_S: Final = 5
SLOW_S: Final = 660
HOLD_S: Final = 8.0
RATE_S: Final = 40
SELDOM_S: Final = 7.5
LONGEST_S: Final = 600.0
"""Readings farther apart than this mean an outage, not a slow probe. [s]"""

_SLOW_N: Final = SLOW_S // SLOW_EVERY_S
_T: Final = np.arange(RATE_S) - (RATE_S - 1) / 2.0
_SLOPE: Final = _T / float((_T**2).sum()) * 60.0


class Ring:
    """The last n rows of a table, always in order and contiguous: each row is written twice."""

    def __init__(self, rows: int, columns: int) -> None:
        self.rows = rows
        self.table = np.full((2 * rows, columns), np.nan)
        self.at = 0

    def put(self, row: Floats) -> None:
        """Add a row (columns,), dropping the oldest."""
        i = self.at
        self.table[i] = row
        self.table[i + self.rows] = row
        self.at = (i + 1) % self.rows

    def last(self, n: int) -> Floats:
        """The newest n rows, oldest first: a view, valid until the next `put`."""
        end = self.at + self.rows
        return self.table[end - n : end]


def running_mean(rows: Floats, n: int) -> Floats:
    """Mean of each row and the n - 1 before it (at least n rows), always summed in the same order."""
    m = len(rows) - n + 1
    total: Floats = rows[:m].copy()
    for i in range(1, n):
        total += rows[i : i + m]
    total /= n
    return total


@dataclass(frozen=True, slots=True)
class Course:
    """k probes over n seconds, all (n, k); see `Trend`."""

    value_c: Floats
    medians_c: Floats  # `median_c` with the `RATE_S` rows before it
    median_c: Floats
    level_c: Floats
    rate_c_per_min: Floats
    valid: Bools
    age_s: Floats
    interval_s: Floats


class Trend:
    """Level and rate of k probes, all (k,).

    `value_c` is this second's value, held where a slow probe sent none; `median_c` the same without spikes;
    `level_c` smoothed; each NaN if there is none. `valid`: the probe has a value that isn't overdue. `age_s`
    counts from its last good reading; `interval_s` is the shorter of the last two intervals. `slow` has the
    level of every fifth second, NaN where there was no value or it was overdue.

    `usual_s` (k,) is the known time between each probe's readings, as from a file read to its end before it
    is judged; NaN where unknown.
    """

    def __init__(self, k: int, usual_s: Floats | None = None) -> None:
        self.value_c: Floats = np.full(k, np.nan)
        self.median_c: Floats = np.full(k, np.nan)
        self.level_c: Floats = np.full(k, np.nan)
        self.valid = np.zeros(k, np.bool_)
        self.age_s: Floats = np.full(k, np.inf)
        self.interval_s: Floats = np.ones(k)
        if usual_s is not None:
            self.interval_s = np.where(np.isnan(usual_s), 1.0, np.minimum(usual_s, LONGEST_S))
        self.since_s: Floats = self.interval_s.copy()
        self.step_c_per_min: Floats = np.full(k, np.nan)
        self.values: Floats = np.full((MEDIAN_S - 1, k), np.nan)
        self.medians: Floats = np.full((RATE_S, k), np.nan)
        self.slow = Ring(_SLOW_N, k)

    def step(self, second: int, value_c: Floats, count: Ints) -> None:
        """Run the next second; call once for each, in order, counted from the first reading.

        `value_c` (k,) is the mean of `count` (k,) good readings; NaN if none.
        """
        course = self.run(value_c[None], count[None] > 0)
        if second % SLOW_EVERY_S == 0:
            self.remember(course, 0)

    def remember(self, course: Course, i: int) -> None:
        """Put the levels of a course's second `i` into `slow`."""
        # A value that is only held, as of a blind infrared sensor, hasn't stood still.
        self.slow.put(np.where(course.valid[i], course.level_c[i], np.nan))

    def run(self, value_c: Floats, fresh: Bools) -> Course:
        """Take the next n seconds; however they are split, the result is the same to the last bit.

        `value_c` (n, k) is the mean of each second's good readings, `fresh` (n, k) whether there were any.
        `slow` is left to the caller, which steps through the seconds one by one.
        """
        n = len(value_c)
        value, age, interval, line = self._held(value_c, fresh)
        valid = age <= np.minimum(np.maximum(HOLD_S, 2.5 * interval), 2.5 * LONGEST_S)
        values = np.concatenate([self.values, value])
        # NaN sorts last; with fewer than five values so far the newest is used.
        windows = np.stack([values[i : i + n] for i in range(MEDIAN_S)])
        windows.sort(axis=0)
        median: Floats = windows[MEDIAN_S // 2]
        seldom = interval > SELDOM_S
        np.copyto(median, value, where=np.isnan(median) | seldom)
        medians = np.concatenate([self.medians, median])
        level = running_mean(medians[RATE_S - MEAN_S + 1 :], MEAN_S)
        np.copyto(level, median, where=np.isnan(level) | seldom)
        rate = _SLOPE[0] * medians[1 : 1 + n]
        for i in range(1, RATE_S):
            rate += _SLOPE[i] * medians[1 + i : 1 + i + n]
        np.copyto(rate, line, where=seldom)
        self.value_c, self.median_c, self.level_c = value[-1], median[-1], level[-1]
        self.valid, self.age_s, self.interval_s = valid[-1], age[-1], interval[-1]
        self.values, self.medians = values[n:].copy(), medians[n:].copy()
        return Course(value, medians, median, level, rate, valid, age, interval)

    def rate_c_per_min(self) -> Floats:
        """Slope of a straight line through the last 40 s of medians (k,); NaN before there are that many."""
        rate: Floats = (_SLOPE[:, None] * self.medians).sum(axis=0)
        return rate

    def rate_uncertainty_c_per_min(self) -> Floats:
        """Standard uncertainty of `rate_c_per_min` (k,), from the residuals of the line.

        The medians overlap by five seconds, so only a fifth of them count as independent.
        """
        window = self.medians
        slope = self.rate_c_per_min() / 60.0
        rest = window - window.mean(axis=0) - np.outer(_T, slope)
        freedom = RATE_S / MEDIAN_S - 2.0
        variance = (rest**2).sum(axis=0) / MEDIAN_S / freedom
        uncertainty: Floats = np.sqrt(variance * MEDIAN_S / float((_T**2).sum())) * 60.0
        return uncertainty

    def _held(self, value_c: Floats, fresh: Bools) -> tuple[Floats, Floats, Floats, Floats]:
        """Held values, their age, each probe's interval, and the slope between its last two readings."""
        n = len(value_c)
        at = np.arange(1, n + 1)[:, None]
        last = np.maximum.accumulate(np.where(fresh, at, 0), axis=0)
        before = np.concatenate([np.zeros_like(last[:1]), last[:-1]])
        values = np.concatenate([self.value_c[None], value_c])
        value = np.take_along_axis(values, last, axis=0)
        age = np.where(last > 0, at - last, self.age_s + at)
        since = np.where(before > 0, at - before, self.age_s + at)
        step = (value_c - np.take_along_axis(values, before, axis=0)) / np.maximum(since, 1.0) * 60.0
        steps = np.take_along_axis(np.concatenate([self.step_c_per_min[None], step]), last, axis=0)
        # A gap of many minutes is an outage, and a single longer gap doesn't make a slow probe either.
        told = np.maximum.accumulate(np.where(fresh & (since <= LONGEST_S), at, 0), axis=0)
        gaps = np.concatenate([self.since_s[None], since])
        earlier = np.concatenate([np.zeros_like(told[:1]), told[:-1]])
        least = np.minimum(since, np.take_along_axis(gaps, earlier, axis=0))
        interval = np.take_along_axis(np.concatenate([self.interval_s[None], least]), told, axis=0)
        self.since_s = np.take_along_axis(gaps, told, axis=0)[-1]
        self.step_c_per_min = steps[-1]
        return value, age, interval, steps
