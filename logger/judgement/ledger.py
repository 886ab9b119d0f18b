"""What each zone has had: peak, time above temperatures, soak. Booked a minute late.

A breaking probe often reads plausibly for some seconds more. So nothing is booked, and no good news given,
until a minute has passed in which none of the probes behind it was found faulty.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np

from logger.judgement.rows import Bools
from logger.judgement.zones import ABOVE_C, Places
from logger.plan import Plan
from logger.reading import Floats, Ints

HOLD_S: Final = 60
"""How long a probe must go without being found faulty before its reading counts for anything good. [s]"""


class Pages(NamedTuple):
    """Seconds waiting to be booked, and new ones: (n, k) per probe."""

    level_c: Floats
    weight: Floats  # 1.0 where the probe was part of its zone's level
    fresh: Bools  # where it gave a reading
    fault: Bools  # where it was found faulty
    basis: Ints  # (n, z), of `levels.Levels`


class Booked(NamedTuple):
    """What was booked in each of n seconds, for the second a minute earlier; all arrays (n, z)."""

    counted_c: Floats  # NaN where nothing was booked
    soak_s: Floats  # time at or above the target so far
    there: Bools  # from then on the zone stayed at its target for `for_s`, up to a minute


class Ledger:
    """Books peaks and times above temperatures of z zones.

    `peak_c` and `peak_s` (z,) are -inf and NaN before there is a peak; `peak_basis` (z,) is the level's basis
    then; `above_s` (len(ABOVE_C) + 2, z) is the time above `ABOVE_C`, the plan's burn-out and its target,
    counted along the line between readings.
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        k, z = len(plan.probes), len(places.zones)
        self.peak_c: Floats = np.full(z, -np.inf)
        self.peak_s: Floats = np.full(z, np.nan)
        self.peak_basis: Ints = np.zeros(z, np.int64)
        self.above_s: Floats = np.zeros((len(ABOVE_C) + 2, z))
        self.last_c: Floats = np.full(z, np.nan)
        self.last_s: Floats = np.full(z, -1e9)
        of_probes, kinds = np.zeros((0, k)), (np.float64, np.float64, np.bool_, np.bool_)
        self.waiting: list[Any] = [*map(of_probes.astype, kinds), np.zeros((0, z), np.int64)]
        self._hold_n = min(round(float(plan.alarms["target_reached"]["for_s"])), HOLD_S)
        self._limits = np.array([*ABOVE_C, plan.burnout_c, plan.target_c])
        self._target_c = plan.target_c
        self._places = places

    def run(self, begin_s: int, pages: Pages) -> Booked:
        """Take n seconds from `begin_s`, and book those that have waited long enough."""
        n, before = len(pages.level_c), len(self.waiting[0])
        rows = Pages._make(np.concatenate(both) for both in zip(self.waiting, pages, strict=True))
        return self._book(begin_s - before, rows, max(0, before + n - HOLD_S), n)

    def close(self, end_s: int) -> Floats:
        """Book what still waits at the end of a firing of `end_s` seconds.

        Returns the counted levels of those seconds (n, z) [°C].
        """
        rows = Pages._make(self.waiting)
        n = len(rows.level_c)
        return self._book(end_s - n, rows, n, n).counted_c

    def _book(self, begin_s: int, rows: Pages, ready: int, n: int) -> Booked:
        """Book the first rows; return what was booked as the last of n seconds."""
        self.waiting = [column[ready:].copy() for column in rows]
        shape = (n, len(self._places.zones))
        booked = Booked(np.full(shape, np.nan), np.zeros(shape), np.zeros(shape, np.bool_))
        if ready:
            sound = _sound(rows.fault, ready)
            weight = rows.weight[:ready] * sound
            counted = self._places.means(rows.level_c[:ready], weight)
            fresh = self._places.means(rows.fresh[:ready].astype(np.float64), weight) > 0.0
            self._keep_peaks(begin_s, counted, rows.basis[:ready])
            booked.counted_c[n - ready :] = counted
            booked.soak_s[n - ready :] = self._keep_times(begin_s, counted, fresh)
            booked.there[n - ready :] = self._there(rows, sound, counted)
        return booked

    def _keep_peaks(self, begin_s: int, counted: Floats, basis: Ints) -> None:
        known = np.where(np.isnan(counted), -np.inf, counted)
        first, highest = known.argmax(axis=0), known.max(axis=0)
        higher = highest > self.peak_c
        if higher.any():
            zones = np.arange(len(first))
            np.copyto(self.peak_c, highest, where=higher)
            np.copyto(self.peak_s, begin_s + 1.0 + first, where=higher)
            np.copyto(self.peak_basis, basis[first, zones], where=higher)

    def _keep_times(self, begin_s: int, counted: Floats, fresh: Bools) -> Floats:
        """Count the time that the lines between readings are above each limit; return the soak so far."""
        soak_s = np.empty(counted.shape)
        unknown = np.isnan(counted)
        for z in range(counted.shape[1]):
            # No line is drawn across a time without a level.
            edges = np.flatnonzero(np.diff(unknown[:, z])) + 1
            for part in np.split(np.arange(len(counted)), edges):
                at = np.flatnonzero(fresh[part, z])
                if unknown[part[0], z]:
                    self.last_c[z] = np.nan
                if unknown[part[0], z] or not len(at):
                    soak_s[part, z] = self.above_s[-1, z]
                else:
                    soak_s[part, z] = self._lines(
                        z, begin_s + int(part[0]), at, counted[part[at], z], len(part)
                    )
        return soak_s

    def _lines(self, z: int, begin_s: int, at: Ints, c: Floats, n: int) -> Floats:
        """Add the lines between one zone's readings; return its soak in each of n seconds."""
        t = begin_s + 1.0 + at
        if np.isnan(self.last_c[z]):
            # The first second of a stretch counts on its own.
            t, c = np.concatenate([[t[0] - 1.0], t]), np.concatenate([c[:1], c])
        else:
            t, c = np.concatenate([[self.last_s[z]], t]), np.concatenate([[self.last_c[z]], c])
        low, high, span = np.minimum(c[:-1], c[1:]), np.maximum(c[:-1], c[1:]), np.diff(t)
        rise = np.where(high > low, high - low, 1.0)
        share = np.where(
            low >= self._limits[:, None],
            1.0,
            np.where(high < self._limits[:, None], 0.0, (high - self._limits[:, None]) / rise),
        )
        # Added up one by one, so that the sum doesn't depend on how the seconds were batched.
        total = np.cumsum(np.concatenate([self.above_s[:, z : z + 1], share * span], axis=1), axis=1)
        steps = np.concatenate([[total[-1, 0]], total[-1, -len(at) :]])
        so_far: Floats = steps[np.searchsorted(at, np.arange(n), side="right")]
        self.above_s[:, z] = total[:, -1]
        self.last_c[z], self.last_s[z] = c[-1], t[-1]
        return so_far

    def _there(self, rows: Pages, sound: Bools, counted: Floats) -> Bools:
        """Where a zone stays at its target for `for_s` from then on, up to a minute."""
        there: Bools = counted >= self._target_c
        if not there.any():
            return there
        ready, most = len(sound), len(rows.level_c)
        for later in range(1, self._hold_n):
            if later + ready > most:
                # Happens only at the very end of a firing.
                there[max(most - later, 0) :] = False
            span = slice(later, min(later + ready, most))
            if (m := span.stop - later) <= 0:
                return there
            level = self._places.means(rows.level_c[span], rows.weight[span] * sound[:m])
            there[:m] &= level >= self._target_c
        return there


def _sound(fault: Bools, ready: int) -> Bools:
    """Where no fault was found in a second or the minute after it; (ready, k)."""
    sums = np.concatenate([np.zeros((1, fault.shape[1]), np.int64), np.cumsum(fault, axis=0)])
    end = np.minimum(np.arange(ready) + HOLD_S + 1, len(fault))
    sound: Bools = sums[end] == sums[:ready]
    return sound
