"""Level and rate of each probe on a grid of whole seconds, from readings of any rate, with gaps and spikes.

A second's value is the mean of its good readings; five of these give a median, which takes out single spikes;
fifteen medians give the level. A flicker of ±30 °C at 1 Hz leaves about 8 °C of that, and a turn is seen
after some ten seconds. A probe that sends less often keeps its last value until the next is overdue.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.reading import Floats, Ints

MEDIAN_S: Final = 5
MEAN_S: Final = 15
FAST_S: Final = 64
SLOW_EVERY_S: Final = 5
SLOW_S: Final = 660
HOLD_S: Final = 8.0
RATE_S: Final = 40

_SLOW_N: Final = SLOW_S // SLOW_EVERY_S
_T: Final = np.arange(RATE_S) - (RATE_S - 1) / 2.0
_SLOPE: Final = _T / float((_T**2).sum()) * 60.0


class Ring:
    """The last n rows of a table, always in order and in one piece: each row is written twice.

    Parameters
    ----------
    rows, columns : int
    """

    def __init__(self, rows: int, columns: int) -> None:
        self.rows = rows
        self.table = np.full((2 * rows, columns), np.nan)
        self.at = 0

    def put(self, row: Floats) -> None:
        """Add a row; the oldest goes.

        Parameters
        ----------
        row : array (columns,)
        """
        i = self.at
        self.table[i] = row
        self.table[i + self.rows] = row
        self.at = (i + 1) % self.rows

    def last(self, n: int) -> Floats:
        """The newest rows, oldest first.

        Parameters
        ----------
        n : int
            At most the ring's rows.

        Returns
        -------
        array (n, columns)
            A view; good until the next `put`.
        """
        end = self.at + self.rows
        return self.table[end - n : end]

    def ago(self, n: int) -> Floats:
        """The row n steps before the newest.

        Parameters
        ----------
        n : int
            0 is the newest.

        Returns
        -------
        array (columns,)
        """
        row: Floats = self.table[self.at + self.rows - 1 - n]
        return row


class Trend:
    """Level and rate of k probes.

    Parameters
    ----------
    k : int

    Attributes
    ----------
    value_c : array (k,)
        This second's, held where a slow probe sent none; NaN if there is none. [°C]
    level_c : array (k,)
        Smoothed. [°C]
    valid : bool array (k,)
        The probe has a value that isn't overdue.
    age_s : array (k,)
        Since its last good reading. [s]
    fast, slow : Ring
        Medians of every second; levels of every fifth.
    """

    def __init__(self, k: int) -> None:
        self.value_c: Floats = np.full(k, np.nan)
        self.median_c: Floats = np.full(k, np.nan)
        self.level_c: Floats = np.full(k, np.nan)
        self.valid = np.zeros(k, bool)
        self.age_s: Floats = np.full(k, np.inf)
        self.interval_s: Floats = np.ones(k)
        self.raw = Ring(FAST_S, k)
        self.fast = Ring(FAST_S, k)
        self.slow = Ring(_SLOW_N, k)

    def step(self, second: int, value_c: Floats, count: Ints) -> None:
        """Take the next second.

        Parameters
        ----------
        second : int
            Seconds since the firing's first reading; each once, in order. [s]
        value_c : array (k,)
            Mean of its good readings; NaN if none. [°C]
        count : int array (k,)
            Number of good readings.
        """
        fresh = count > 0
        age = self.age_s + 1.0
        # A gap of minutes is an outage, no slow probe.
        slow = fresh & (age <= 120.0)
        np.copyto(self.interval_s, age, where=slow)
        np.copyto(age, 0.0, where=fresh)
        self.age_s = age
        np.copyto(self.value_c, value_c, where=fresh)
        self.valid = age <= np.minimum(np.maximum(HOLD_S, 2.5 * self.interval_s), 180.0)
        self.raw.put(self.value_c)
        window = self.raw.last(MEDIAN_S)
        # NaN sorts last; with fewer than five values so far the newest stands in.
        median = np.sort(window, axis=0)[MEDIAN_S // 2]
        np.copyto(median, self.value_c, where=np.isnan(median))
        self.median_c = median
        self.fast.put(median)
        level = self.fast.last(MEAN_S).mean(axis=0)
        np.copyto(level, median, where=np.isnan(level))
        self.level_c = level
        if second % SLOW_EVERY_S == 0:
            self.slow.put(level)

    def rate_c_per_min(self) -> Floats:
        """Slope of a straight line through the last 40 s of medians.

        Returns
        -------
        array (k,)
            NaN before there are so many. [°C/min]
        """
        # Row by row, so that the last bit doesn't hang on where the array lies in memory.
        rate: Floats = (_SLOPE[:, None] * self.fast.last(RATE_S)).sum(axis=0)
        return rate

    def rate_uncertainty_c_per_min(self) -> Floats:
        """Standard uncertainty of `rate_c_per_min`, from what the line leaves over.

        The medians overlap by five seconds, so only a fifth of them counts as independent.

        Returns
        -------
        array (k,)
            [°C/min]
        """
        window = self.fast.last(RATE_S)
        slope = self.rate_c_per_min() / 60.0
        rest = window - window.mean(axis=0) - np.outer(_T, slope)
        freedom = RATE_S / MEDIAN_S - 2.0
        variance = (rest**2).sum(axis=0) / MEDIAN_S / freedom
        uncertainty: Floats = np.sqrt(variance * MEDIAN_S / float((_T**2).sum())) * 60.0
        return uncertainty

    def change_c(self, seconds: int) -> Floats:
        """How much the level has changed over the last seconds.

        Parameters
        ----------
        seconds : int
            At most `SLOW_S` - 10. [s]

        Returns
        -------
        array (k,)
            NaN before there were so many. [°C]
        """
        change: Floats = self.level_c - self.slow.ago(seconds // SLOW_EVERY_S)
        return change
