"""What each zone has had: peak, time above temperatures, soak. Booked a minute late.

A breaking probe often reads plausibly for some seconds more. So nothing is booked, and no good news given,
until a minute has passed in which none of the probes behind it was found faulty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.judgement.trend import Bools
from logger.judgement.zones import ABOVE_C, Places
from logger.plan import Plan
from logger.reading import Floats, Ints

HOLD_S: Final = 60
"""How long a probe must go without being found faulty before its reading counts for anything good. [s]"""

Means = Callable[[Floats, Floats], Floats]


@dataclass(frozen=True, slots=True)
class Pages:
    """Seconds waiting to be booked, and new ones: (n, k) per probe."""

    level_c: Floats
    weight: Floats  # 1.0 where the probe was part of its zone's level
    fresh: Floats  # 1.0 where it gave a reading
    fault: Floats  # 1.0 where it was found faulty
    basis: Floats  # (n, z), of `levels.Basis`

    def columns(self) -> tuple[Floats, ...]:
        """All of them, in order."""
        return self.level_c, self.weight, self.fresh, self.fault, self.basis


@dataclass(frozen=True, slots=True)
class Booked:
    """What was booked in each of n seconds, for the second a minute earlier; all arrays (n, z)."""

    counted_c: Floats  # NaN where nothing was booked
    soak_s: Floats  # time at or above the target so far
    there: Bools  # from then on the zone stayed at its target for `for_s`, up to a minute


class Ledger:
    """Books peaks and times above temperatures of z zones.

    `peak_c` and `peak_s` (z,) are -inf and NaN before there is a peak; `peak_basis` (z,) is the level's basis
    then (`levels.Basis`); `above_s` (len(ABOVE_C) + 2, z) is the time above `ABOVE_C`, the plan's burn-out
    and its target, counted along the line between readings. `means` is `ZoneBook.means`.
    """

    def __init__(self, plan: Plan, places: Places, means: Means) -> None:
        k, z = len(plan.probes), len(places.zones)
        self.peak_c: Floats = np.full(z, -np.inf)
        self.peak_s: Floats = np.full(z, np.nan)
        self.peak_basis: Ints = np.zeros(z, np.int64)
        self.above_s: Floats = np.zeros((len(ABOVE_C) + 2, z))
        self.counted_c: Floats = np.full(z, np.nan)
        self.last_c: Floats = np.full(z, np.nan)
        self.last_s: Floats = np.full(z, -1e9)
        self.waiting: list[Floats] = [np.zeros((0, k)) for _ in range(4)] + [np.zeros((0, z))]
        self._hold_n = min(round(float(plan.alarms["target_reached"]["for_s"])), HOLD_S)
        self._limits = np.array([*ABOVE_C, plan.burnout_c, plan.target_c])
        self._target_c = plan.target_c
        self._places = places
        self._means = means

    def run(self, begin_s: int, pages: Pages) -> Booked:
        """Take n seconds from `begin_s`, and book those that have waited long enough."""
        n = len(pages.level_c)
        before = len(self.waiting[0])
        rows = Pages(*(np.concatenate([a, b]) for a, b in zip(self.waiting, pages.columns(), strict=True)))
        ready = max(0, before + n - HOLD_S)
        booked = self._book(begin_s - before, rows, ready)
        self.waiting = [column[ready:].copy() for column in rows.columns()]
        return _padded(booked, n)

    def close(self, end_s: int) -> Floats:
        """Book what still waits at the end of a firing of `end_s` seconds.

        Returns the counted levels of those seconds (n, z) [°C].
        """
        rows = Pages(*self.waiting)
        n = len(rows.level_c)
        counted = self._book(end_s - n, rows, n).counted_c
        self.waiting = [column[n:].copy() for column in rows.columns()]
        return counted

    def _book(self, begin_s: int, rows: Pages, ready: int) -> Booked:
        z = len(self._places.zones)
        if not ready:
            return Booked(np.empty((0, z)), np.empty((0, z)), np.empty((0, z), np.bool_))
        sound = _sound(rows.fault, ready)
        weight = rows.weight[:ready] * sound
        counted = self._means(rows.level_c[:ready], weight)
        fresh = self._means(rows.fresh[:ready], weight) > 0.0
        self._keep_peaks(begin_s, counted, rows.basis[:ready])
        soak_s = self._keep_times(begin_s, counted, fresh)
        self.counted_c = counted[-1]
        return Booked(counted, soak_s, self._there(rows, sound, counted))

    def _keep_peaks(self, begin_s: int, counted: Floats, basis: Floats) -> None:
        known = np.where(np.isnan(counted), -np.inf, counted)
        first, highest = known.argmax(axis=0), known.max(axis=0)
        higher = highest > self.peak_c
        if higher.any():
            zones = np.arange(len(first))
            np.copyto(self.peak_c, highest, where=higher)
            np.copyto(self.peak_s, begin_s + 1.0 + first, where=higher)
            np.copyto(self.peak_basis, basis[first, zones].astype(np.int64), where=higher)

    def _keep_times(self, begin_s: int, counted: Floats, fresh: Bools) -> Floats:
        """Count the time that the lines between readings are above each limit; return the soak so far."""
        soak_s = np.tile(self.above_s[-1], (len(counted), 1))
        known = ~np.isnan(counted)
        for z in range(counted.shape[1]):
            if not known[:, z].all():
                # No line is drawn across a time without a level.
                soak_s[:, z] = self._keep_broken(z, begin_s, counted[:, z], fresh[:, z])
                continue
            at = np.flatnonzero(fresh[:, z])
            if len(at):
                soak_s[:, z] = self._lines(z, begin_s, at, counted[at, z], len(counted))
        return soak_s

    def _keep_broken(self, z: int, begin_s: int, counted: Floats, fresh: Bools) -> Floats:
        n = len(counted)
        soak_s = np.full(n, self.above_s[-1, z])
        edges = np.flatnonzero(np.diff(np.isnan(counted).astype(np.int8))) + 1
        for part in np.split(np.arange(n), edges):
            a, b = int(part[0]), int(part[-1]) + 1
            if np.isnan(counted[a]):
                self.last_c[z] = np.nan
                soak_s[a:b] = self.above_s[-1, z]
                continue
            at = np.flatnonzero(fresh[a:b])
            soak_s[a:b] = (
                self._lines(z, begin_s + a, at, counted[a:b][at], b - a)
                if len(at)
                else np.full(b - a, self.above_s[-1, z])
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

    def _there(self, rows: Pages, sound: Floats, counted: Floats) -> Bools:
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
            level = self._means(rows.level_c[span], rows.weight[span] * sound[:m])
            there[:m] &= level >= self._target_c
        return there


def _sound(fault: Floats, ready: int) -> Floats:
    """1.0 where no fault was found in a second or the minute after it; (ready, k)."""
    sums = np.concatenate([np.zeros((1, fault.shape[1])), np.cumsum(fault, axis=0)])
    end = np.minimum(np.arange(ready) + HOLD_S + 1, len(fault))
    sound: Floats = (sums[end] - sums[:ready] == 0.0).astype(np.float64)
    return sound


def _padded(booked: Booked, n: int) -> Booked:
    """Align what was booked with the n seconds in which it was booked."""
    more = n - len(booked.counted_c)
    if not more:
        return booked
    z = booked.counted_c.shape[1]
    return Booked(
        np.concatenate([np.full((more, z), np.nan), booked.counted_c]),
        np.concatenate([np.zeros((more, z)), booked.soak_s]),
        np.concatenate([np.zeros((more, z), np.bool_), booked.there]),
    )
