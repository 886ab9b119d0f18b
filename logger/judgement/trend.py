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

from logger.judgement.rows import Bools, Past, kept, last_rows, running_mean
from logger.reading import Floats

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


@dataclass(frozen=True, slots=True)
class Course:
    """k probes over n seconds, all (n, k); temperatures are NaN if there is none."""

    value_c: Floats  # held where a slow probe sent none
    medians_c: Floats  # `median_c` with the `RATE_S` rows before it
    median_c: Floats  # `value_c` without spikes
    level_c: Floats  # smoothed
    rate_c_per_min: Floats
    valid: Bools  # the probe has a value that isn't overdue
    age_s: Floats  # since its last good reading
    interval_s: Floats  # the shorter of the last two between its readings


class Trend:
    """Level and rate of k probes.

    `slow` has the level of every fifth second, NaN where there was no value or it was overdue. `usual_s` (k,)
    is the known time between each probe's readings, as from a file read to its end before it is judged; NaN
    where unknown.
    """

    def __init__(self, k: int, usual_s: Floats | None = None) -> None:
        usual_s = np.full(k, np.nan) if usual_s is None else usual_s
        self.value_c: Floats = np.full(k, np.nan)
        self.age_s: Floats = np.full(k, np.inf)
        self.interval_s: Floats = np.where(np.isnan(usual_s), 1.0, np.minimum(usual_s, LONGEST_S))
        self.since_s: Floats = self.interval_s
        self.step_c_per_min: Floats = np.full(k, np.nan)
        self.values = Past(MEDIAN_S - 1, k)
        self.medians = Past(RATE_S, k)
        self.slow = Past(_SLOW_N, k)

    def run(self, begin_s: int, value_c: Floats, fresh: Bools) -> Course:
        """Take the n seconds from `begin_s`; however they are split, the result is the same to the last bit.

        `value_c` (n, k) is the mean of each second's good readings, `fresh` (n, k) whether there were any.
        """
        n = len(value_c)
        value, age, interval, line = self._held(value_c, fresh)
        valid = age <= np.minimum(np.maximum(HOLD_S, 2.5 * interval), 2.5 * LONGEST_S)
        values = self.values.add(value)
        # NaN sorts last; with fewer than five values so far the newest is used.
        windows = np.stack([values[i : i + n] for i in range(MEDIAN_S)])
        windows.sort(axis=0)
        median: Floats = windows[MEDIAN_S // 2]
        seldom = interval > SELDOM_S
        np.copyto(median, value, where=np.isnan(median) | seldom)
        medians = self.medians.add(median)
        level = running_mean(medians[RATE_S - MEAN_S + 1 :], MEAN_S)
        np.copyto(level, median, where=np.isnan(level) | seldom)
        rate = _SLOPE[0] * medians[1 : 1 + n]
        for i in range(1, RATE_S):
            rate += _SLOPE[i] * medians[1 + i : 1 + i + n]
        np.copyto(rate, line, where=seldom)
        self.value_c, self.age_s, self.interval_s = value[-1], age[-1], interval[-1]
        # A value that is only held, as of a blind infrared sensor, hasn't stood still.
        self.slow.add(np.where(valid, level, np.nan)[-begin_s % SLOW_EVERY_S :: SLOW_EVERY_S])
        return Course(value, medians, median, level, rate, valid, age, interval)

    def rate_uncertainty_c_per_min(self) -> Floats:
        """Standard uncertainty of the rate now (k,), from the residuals of a line through the last 40 s.

        The medians overlap by five seconds, so only a fifth of them count as independent.
        """
        window = self.medians.rows
        slope = (_SLOPE[:, None] * window).sum(axis=0) / 60.0
        rest = window - window.mean(axis=0) - np.outer(_T, slope)
        freedom = RATE_S / MEDIAN_S - 2.0
        variance = (rest**2).sum(axis=0) / MEDIAN_S / freedom
        uncertainty: Floats = np.sqrt(variance * MEDIAN_S / float((_T**2).sum())) * 60.0
        return uncertainty

    def _held(self, value_c: Floats, fresh: Bools) -> tuple[Floats, Floats, Floats, Floats]:
        """Held values, their age, each probe's interval, and the slope between its last two readings."""
        at = np.arange(1, len(value_c) + 1)[:, None]
        last = last_rows(fresh)
        before = np.concatenate([np.zeros_like(last[:1]), last[:-1]])
        value = kept(self.value_c, value_c, last)
        age = np.where(last > 0, at - last, self.age_s + at)
        since = np.where(before > 0, at - before, self.age_s + at)
        step = (value_c - kept(self.value_c, value_c, before)) / np.maximum(since, 1.0) * 60.0
        steps = kept(self.step_c_per_min, step, last)
        # A gap of many minutes is an outage, and a single longer gap doesn't make a slow probe either.
        told = last_rows(fresh & (since <= LONGEST_S))
        earlier = np.concatenate([np.zeros_like(told[:1]), told[:-1]])
        least = np.minimum(since, kept(self.since_s, since, earlier))
        interval = kept(self.interval_s, least, told)
        self.since_s = kept(self.since_s, since, told)[-1]
        self.step_c_per_min = steps[-1]
        return value, age, interval, steps
