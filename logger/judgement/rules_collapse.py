"""Coal collapse: a part of the stack loses heat while the coals hold and the rest doesn't fall alike.

A zone that suddenly falls below where its own last minute was leading has a *dip*. A dip is followed from
where it began: how deep it is beyond what the other zones lose, whether it still deepens, and how it came.

- Raking-out, rain and the end of the flames take all zones down; a gust dips what is exposed and passes in
  some ten seconds: the dip of one zone alone must go on deepening for that long.
- While somebody feeds the fire (a zone has risen lately) an armload may lie behind a dip: cold wood that
  shades the pots and catches within a minute. Then a dip must still deepen when an armload's would lift.
- Flames that die bend a zone's course down little by little; coals that fall away break it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final, cast

import numpy as np

from logger.judgement.alarms import AlarmBook
from logger.judgement.rules import Condition
from logger.judgement.stages import COOLING, DRYING
from logger.judgement.trend import Course, running_mean
from logger.judgement.zones import Places, ZoneBook, ZoneCourse
from logger.plan import Plan
from logger.reading import Floats

BACK_S: Final = 15
"""A dip is seen against where the zone was so long ago, and counts from there. [s]"""
FALL_EASES_S: Final = 120.0
"""A fall that was under way would have eased within so long. [s]"""
SEEN_C: Final = 8.0
"""The least dip that is looked at. [°C]"""
RISEN_C: Final = 5.0
"""A zone that has risen by more than this within `RISE_S` tells that somebody feeds the fire. [°C]"""
RISE_S: Final = 45
CALM_S: Final = 135
"""No zone has risen for so long: nobody feeds the fire any more. [s]"""
QUICK_S: Final = 55
"""A dip in a calm fire that takes longer to show comes from dying flames. [s]"""
WOOD_S: Final = ((74, 0.08), (66, 0.16), (58, 0.25))
"""So long after its dip began [s] an armload lifts again, or the last quarter minute has brought less than
this share of the dip."""
LONGEST_S: Final = 85
COMMON: Final = 2.0
"""Exposed places lose so much more than the others for the same cause."""

_TAIL: Final = 120


class _Signals:
    """What dips are seen by, over n seconds; arrays (n, z).

    Parameters
    ----------
    sums : array (`_TAIL` + n, z)
        The zones' courses, each from an arbitrary start. [°C]
    """

    def __init__(self, sums: Floats) -> None:
        n = len(sums) - _TAIL

        def until(rows: Floats, ago: int) -> Floats:
            part: Floats = rows[len(rows) - ago - n : len(rows) - ago]
            return part

        four, eight, twenty = running_mean(sums, 4), running_mean(sums, 8), running_mean(sums, 20)
        self.now_c = until(four, 0)
        self.before_c = until(eight, BACK_S)
        self.slope_c_s = np.minimum((self.before_c - until(eight, BACK_S + 60)) / 60.0, 0.0)
        self.lately_c = self.now_c - until(four, 8)
        self.quarter_c = self.now_c - until(four, 15)
        # Mean square of what is quicker than 12 s, over a minute and a half before the dip.
        rough = running_mean((sums[11:] - running_mean(sums, 12)) ** 2, 9)
        self.noise_c = until(rough, BACK_S).copy()
        for i in range(1, 10):
            self.noise_c += until(rough, BACK_S + 9 * i)
        self.noise_c = np.sqrt(self.noise_c / 10.0)
        least_c = np.maximum(SEEN_C, 2.5 * self.noise_c)
        self.dips = self.now_c - self.before_c - BACK_S * self.slope_c_s < -least_c
        self.rises = (until(twenty, 0) - until(twenty, RISE_S) > RISEN_C).any(axis=1)


class Collapse:
    """Watches each zone with pots for a collapse of the coals beside it.

    Parameters
    ----------
    plan : Plan
    places : Places
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        z, k = len(places.zones), len(plan.probes)
        settings = plan.alarms["coal_collapse"]
        self.sums_c: Floats = np.zeros((_TAIL, z))
        self.coals_c: Floats = np.zeros(15)
        self.before_c: Floats = np.full(k, np.nan)
        self.dips: list[dict[str, Any] | None] = [None] * z
        # After a dip that came to nothing: not again before the zone has caught up.
        self.spent = [False] * z
        self.seconds = 0
        self.risen_s = 0
        self._places = places
        self._drop_c = float(settings["drop_c"])
        self._pace = self._drop_c / float(settings["within_s"])
        self._coals_fall_c = float(settings["coals_fall_c_per_min"]) / 4.0
        self._for_s = float(settings["for_s"])
        self._watched = [z for z in places.pots if not places.surface[places.members[z]].all()]

    def run(self, course: Course, trusted: Floats, zones: ZoneCourse, book: ZoneBook) -> None:
        """Take n seconds; `conditions` then goes through them.

        Parameters
        ----------
        course : Course
        trusted : array (n, k)
        zones : ZoneCourse
        book : ZoneBook
        """
        n = len(trusted)
        medians = np.concatenate([self.before_c[None], course.median_c])
        change = np.diff(medians, axis=0)
        self.before_c = medians[-1]
        # A probe that is believed again, or no longer, must not look like a turn of its zone.
        known = trusted * ~np.isnan(change)
        self._coals_course(course, change, known)
        zone_change = book.means(change, known)
        zone_change[np.isnan(zone_change)] = 0.0
        steps = np.concatenate([self.sums_c[-1:], zone_change])
        sums = np.concatenate([self.sums_c[:-1], np.cumsum(steps, axis=0)])
        self.sums_c = sums[n:].copy()
        signals = _Signals(sums)
        self._now = signals.now_c.tolist()
        self._signals = signals
        self._dips = signals.dips.tolist()
        self._level = zones.level_c.tolist()
        self._any = cast("list[bool]", np.any(signals.dips, axis=1).tolist())
        self._rises = cast("list[bool]", signals.rises.tolist())

    def conditions(self, i: int, stage: str, rate: list[float], alarms: AlarmBook) -> Iterator[Condition]:
        """Go through the zones in second i of the last `run`.

        Yields
        ------
        Condition
        """
        self.seconds += 1
        if self._rises[i]:
            self.risen_s = self.seconds
        names = self._places.zones
        if len(self._watched) < 2 or self.seconds < 100:
            return
        if not self._any[i] and not any(self.dips) and not any(self.spent):
            for z in self._watched:
                key = f"coal_collapse:{names[z]}"
                if key in alarms.alarms:
                    holds = alarms.active(key) and rate[z] < -30.0 * self._pace
                    yield self._condition(z, holds, 0.0)
            return
        for z in self._watched:
            active = alarms.active(f"coal_collapse:{names[z]}")
            if active:
                self.dips[z] = None
                # Stands while the zone goes on falling.
                yield self._condition(z, rate[z] < -30.0 * self._pace, 0.0)
                continue
            lost = 0.0
            if stage in (DRYING, COOLING):
                self.dips[z] = None
            else:
                lost = self._follow(i, z)
            if lost or f"coal_collapse:{names[z]}" in alarms.alarms:
                yield self._condition(z, lost > 0.0, lost)

    def _condition(self, z: int, holds: bool, lost_c: float) -> Condition:
        zone = self._places.zones[z]
        words = f"{zone} has lost {lost_c:.0f} °C more than was to be expected, while the coals hold"
        return Condition("coal_collapse", zone, None, holds, 1.0, 45.0, words if lost_c else "")

    def _follow(self, i: int, z: int) -> float:
        """Follow the zone's dip, or begin to; give its depth in °C when it is a collapse, else 0."""
        signals = self._signals
        dip = self.dips[z]
        if dip is None:
            if not self._dips[i][z]:
                self.spent[z] = False
                return 0.0
            if self.spent[z]:
                return 0.0
            dip = self.dips[z] = self._begin(i, z)
        age = self.seconds - dip["from_s"]
        level = self._level[i]
        eased = FALL_EASES_S * (1.0 - math.exp(-age / FALL_EASES_S))
        depth = [
            now - was - slope * eased
            for now, was, slope in zip(self._now[i], dip["was_c"], dip["slope_c_s"], strict=True)
        ]
        deep = depth[z]
        dip["course_c"].append(deep)
        dip["deepest_c"] = min(dip["deepest_c"], deep)
        others = [y for y in self._places.pots if y != z and level[y] == level[y]]
        calm = dip["calm"] and bool(others)
        if level[z] != level[z] or age > (QUICK_S if calm else LONGEST_S):
            return self._give_up(z, spent=True)
        slight = deep > -(3.0 + 1.05 * self._pace * age) or deep > -SEEN_C
        if slight or deep > 0.6 * dip["deepest_c"]:
            return self._give_up(z, spent=age > 50)
        beyond, alone = deep, True
        if others:
            slopes = dip["slope_c_s"]
            common = min(
                _median([depth[y] for y in others]),
                # What has only begun to reach the slower probes.
                1.5 * _median([float(signals.lately_c[i, y]) - 8.0 * slopes[y] for y in others]),
                0.0,
            )
            beyond -= COMMON * common
            alone = min(depth[y] for y in others) > 0.5 * deep
        least = 4.5 * dip["noise_c"]
        if calm:
            least = max(0.25 * self._drop_c + 0.6 * self._pace * age, least)
            here = float(signals.lately_c[i, z]) < -4.5 * self._pace
            need_s, wait_s = self._for_s, 0.0
        else:
            # Above the coals it is flame that heats, and may have gone.
            least = max(self._drop_c * (0.77 if dip["led"] else 0.63), least)
            here = self._no_wood(age, float(signals.quarter_c[i, z]), dip["course_c"])
            need_s, wait_s = 6.0, float(WOOD_S[-1][0])
        here = (
            here
            and beyond < -least
            and level[z] > 200.0
            and self._coals_hold(i)
            # Nothing but a probe that falls out of the stack loses so much so quickly.
            and -float(signals.lately_c[i, z]) < 0.12 * level[z]
        )
        if calm and not alone:
            dip["held_s"] = max(dip["held_s"] - 1.0, 0.0)
        else:
            dip["held_s"] = dip["held_s"] + 1.0 if here else 0.0
        if dip["held_s"] < need_s or age < wait_s:
            return 0.0
        self._give_up(z, spent=False)
        return float(-deep)

    def _begin(self, i: int, z: int) -> dict[str, Any]:
        signals, coals = self._signals, self._coals_level[i]
        # Numbers and lists only: it goes into the snapshot.
        return {
            "from_s": self.seconds - BACK_S,
            "was_c": signals.before_c[i].tolist(),
            "slope_c_s": signals.slope_c_s[i].tolist(),
            "noise_c": float(signals.noise_c[i, z]),
            "calm": self.seconds - self.risen_s > CALM_S,
            "led": not self._level[i][z] < coals - 30.0,
            "deepest_c": 0.0,
            "held_s": 0.0,
            "course_c": [],
        }

    def _give_up(self, z: int, *, spent: bool) -> float:
        self.dips[z], self.spent[z] = None, spent
        return 0.0

    @staticmethod
    def _no_wood(age: float, quarter_c: float, course: list[float]) -> bool:
        deep = course[-1]
        for from_s, share in WOOD_S:
            if age >= from_s:
                sharp = course[int(0.5 * (age - BACK_S))] < 0.33 * deep
                return quarter_c < share * deep and sharp
        return quarter_c < WOOD_S[-1][1] * deep

    def _coals_course(self, course: Course, change: Floats, known: Floats) -> None:
        """Level of the coals and what they have lost within 15 s; NaN where nobody looks at them."""
        there = known[:, self._places.coals]
        count = there.sum(axis=1)
        count[count == 0.0] = np.nan
        safe = np.where(there > 0.0, course.median_c[:, self._places.coals], 0.0)
        moved = np.where(there > 0.0, change[:, self._places.coals], 0.0).sum(axis=1) / count
        steps = np.concatenate([self.coals_c[-1:], np.where(np.isnan(moved), 0.0, moved)])
        sums = np.concatenate([self.coals_c[:-1], np.cumsum(steps)])
        self.coals_c = sums[-15:].copy()
        self._coals_level = (safe.sum(axis=1) / count).tolist()
        self._coals_moved = np.where(np.isnan(count), np.nan, sums[15:] - sums[:-15]).tolist()

    def _coals_hold(self, i: int) -> bool:
        moved = self._coals_moved[i]
        if moved == moved:
            return bool(moved > -self._coals_fall_c)
        # Nobody looks at the coals: something in the stack must hold.
        level = self._level[i]
        return any(
            float(self._signals.quarter_c[i, z]) > -self._coals_fall_c
            for z in self._places.pots
            if level[z] == level[z]
        )


def _median(values: list[float]) -> float:
    known = sorted(values)
    n = len(known)
    return (known[n // 2] + known[(n - 1) // 2]) / 2.0
