"""A zone that stands still short of its target: what the settings say, and no other condition.

Movement is the net change of the level over `for_s`, not how it wavered on the way. A wavering level meets
the condition again and again, so the alarm lasts until the zone climbs well faster and above where it stood,
or has been falling for `for_s`: one stall isn't raised twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Final

import numpy as np

from logger.judgement.alarms import AlarmBook, Condition
from logger.judgement.levels import told_place
from logger.judgement.rows import Past
from logger.judgement.trend import Course
from logger.judgement.zones import Places, ZoneCourse
from logger.plan import Plan
from logger.reading import Floats
from logger.words.said import Degrees, Said, said

EASE: Final = 7.0 / 3.0
"""The alarm lasts until the zone moves this many times as fast (deadband) and has climbed further than
standing still would take it."""
BACK_SHARE: Final = 0.25
"""Or until it is within this share of `short_c` of its target."""
SELDOM: Final = 3.0
"""A probe with fewer than this many readings in `for_s` goes by its last two."""


class Stalls:
    """Watches each zone with pots for standing still."""

    def __init__(self, plan: Plan, places: Places) -> None:
        rule = plan.alarms["stalled_zone"]
        self._rate, self._above_c = float(rule["rate_c_per_min"]), float(rule["above_c"])
        self._for_s = round(float(rule["for_s"]))
        self._most_c = plan.target_c - float(rule["short_c"])
        self._back_c = plan.target_c - BACK_SHARE * float(rule["short_c"])
        self._target_c = plan.target_c
        self.seen_c = Past(self._for_s, len(plan.probes))
        self.peak_c: Floats = np.full(len(places.zones), -np.inf)
        self.high_c: list[float] = [-np.inf] * len(places.zones)
        self.away_s: list[int] = [0] * len(places.zones)
        self._margin_c = self._rate * self._for_s / 60.0
        self._places = places
        self._keys = [f"stalled_zone:{zone}" for zone in places.zones]

    def run(self, course: Course, trusted: Floats, zones: ZoneCourse, counted_c: Floats) -> None:
        """Take n seconds; `trusted` (n, k) is 1.0 where a probe can be believed.

        `counted_c` (n, z) is what the ledger booked, so that no faulty probe can make a target count as
        reached.
        """
        seen = self.seen_c.add(np.where(trusted > 0.0, course.level_c, np.nan))
        moved = (course.level_c - seen[: len(trusted)]) * (60.0 / self._for_s)
        moved = np.where(course.interval_s * SELDOM > self._for_s, course.rate_c_per_min, moved)
        self._moved = self._places.means(moved, zones.weight * ~np.isnan(moved))
        self._level, self._basis = zones.level_c, zones.basis
        level = np.where(np.isnan(zones.level_c), -np.inf, zones.level_c)
        counted = np.where(np.isnan(counted_c), -np.inf, counted_c)
        peak = np.maximum.accumulate(np.concatenate([self.peak_c[None], counted]), axis=0)[1:]
        self.peak_c = peak[-1].copy()
        within = (level > self._above_c) & (peak < self._target_c)
        speed = np.abs(self._moved)
        self._holds = within & (level <= self._most_c) & (speed < self._rate)
        self._short = within & (level <= self._back_c)
        self._slow = speed < EASE * self._rate
        # Zones that stood still at any time in the last `run`.
        self._busy = set(np.flatnonzero(self._holds.any(axis=0)).tolist())

    def conditions(self, i: int, raked: bool, alarms: AlarmBook) -> Iterator[Condition]:
        """Yield each zone's condition in second i of the last `run`; `raked`: raking out has begun."""
        for z in self._places.pots:
            key = self._keys[z]
            if z not in self._busy and key not in alarms.alarms:
                continue
            holds = self._stands(i, z, active=alarms.active(key)) and not raked
            if holds or key in alarms.alarms:
                place, words = self._places.zones[z], partial(self._words, i, z)
                yield Condition("stalled_zone", place, None, holds, 1.0, 60.0, words)

    def _stands(self, i: int, z: int, *, active: bool) -> bool:
        """Tell whether a zone stands still in second i of the last `run`; call for every second, in order.

        `active`: its alarm is up, and the deadband applies.
        """
        level = float(self._level[i, z])
        if not active:
            if holds := bool(self._holds[i, z]):
                self.high_c[z], self.away_s[z] = level, 0
            return holds
        if self._slow[i, z]:
            self.high_c[z], self.away_s[z] = max(self.high_c[z], level), 0
        else:
            self.away_s[z] += 1
        back = level > self.high_c[z] + self._margin_c or self.away_s[z] >= self._for_s
        return bool(self._short[i, z]) and not back

    def _words(self, i: int, z: int) -> Said:
        """Say where it is, and how little it has moved in how long."""
        level = float(self._level[i, z])
        moved = float(self._moved[i, z]) * self._for_s / 60.0
        return said(
            "{} is at {}, {} short of its target: {} in {} min.",
            told_place(self._places, z, self._basis[i, z]),
            Degrees("at", level),
            Degrees("by", self._target_c - level),
            Degrees("by", moved, "+.0f"),
            f"{self._for_s / 60.0:.0f}",
        )
