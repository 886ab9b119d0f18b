"""Coal collapse: a part of the stack loses heat while the coals hold and the rest doesn't fall alike.

Each second every zone with pots that lacks something of going on as before is looked at. What is to be seen
(`collapse_signs`) is weighed against what collapses, gusts, armloads, rain, raking-out and dying flames of
many simulated fires showed (`collapse_weights`). It is a collapse where

- what the seconds' weights add up to (Page's cumulative sum [1]_) is enough, which takes ten seconds of
  strong signs or some more of weak ones, and then the zone goes on falling for as long as `for_s` says;
- the coals below hold: falling coals take the zones above with them, and raking them out is meant;
- the fall isn't so quick that only a probe falling out of the stack can show it.

The weights were found on fires whose collapses cost 60 °C or more within 3 min. For other settings of
`drop_c` and `within_s` changes of temperature are scaled to that pace.

References
----------
.. [1] E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954) 100-115. From memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logger.judgement.alarms import AlarmBook
from logger.judgement.collapse_signs import (
    CHANGED_S,
    DEEPEST_AGO_S,
    TAIL,
    UNREST_AGO_S,
    Scene,
    fall_c,
    falls_c,
    signs,
)
from logger.judgement.collapse_weights import weight
from logger.judgement.rules import Condition
from logger.judgement.stages import COOLING, DRYING
from logger.judgement.trend import Bools, Course, running_mean
from logger.judgement.zones import Places, ZoneBook, ZoneCourse
from logger.plan import Plan
from logger.reading import Floats, Ints

PACE: Final = 60.0 / 180.0
"""Pace of loss that the weights know. [°C/s]"""
LACKS_C: Final = (4.0, 6.0, 12.0)
"""A zone is looked at if it lacks so much of going on as before, by one of `falls_c`. [°C]"""
DOUBT: Final = -0.5
"""Weights above this add up. [natural logarithm of odds]"""
LEAST, MOST = -4.0, 5.0
"""What a second takes away or adds at the most."""
SURE_S: Final = 10.0
"""Seconds of `MOST` that are enough. [s]"""
KEPT_S: Final = 20.0
"""As many are kept in mind at the most. [s]"""
SWING: Final = 0.04
"""Share of a second's squared swing: what of it five readings' median would let through at one a second."""
RISEN_C: Final = 5.0
"""A zone that has risen by more than this within `RISE_S` tells that somebody feeds the fire. [°C]"""
RISE_S: Final = 45
FIRST_CALM_S: Final = 240
"""What counts as the longest calm between two armloads before there was any. [s]"""
LEAST_C: Final = 200.0
"""Cooler zones lose little. [°C]"""
HOT_C: Final = 350.0
"""The wood burns. [°C]"""
_QUARTER_S: Final = 15


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
        self.sums_c: Floats = np.zeros((TAIL, z))
        self.within_c2: Floats = np.zeros((TAIL, z))
        self.coals_c: Floats = np.zeros((TAIL, 1))
        self.before_c: Floats = np.full(k, np.nan)
        self.counts: Floats = np.zeros((CHANGED_S, z))
        self.apart_c: Floats = np.zeros((TAIL, z))
        self.deepest_c: Floats = np.zeros((1, z))
        self.peak_c: Floats = np.zeros((1, z))
        self.evidence: list[float] = [0.0] * z
        self.goes_on: list[bool] = [False] * z
        self.lost_c: list[float] = [0.0] * z
        self.seconds = 0
        self.calm_s = 0
        self.longest_calm_s = FIRST_CALM_S
        self._places = places
        self._wall: Floats = np.isin(np.arange(k), places.walls).astype(float)
        self._end = np.array([float(y in places.top) - float(y in places.bottom) for y in range(z)])
        self._scale = PACE * float(settings["within_s"]) / float(settings["drop_c"])
        self._pace = PACE / self._scale
        self._coals_fall_c = float(settings["coals_fall_c_per_min"]) / 4.0
        for_s = float(settings["for_s"])
        self._enough, self._longer_s = MOST * min(for_s, SURE_S), max(for_s - SURE_S, 0.0)
        self._watched = [z for z in places.pots if not places.surface[places.members[z]].all()]

    def run(
        self, course: Course, swing_c: Floats, trusted: Floats, zones: ZoneCourse, book: ZoneBook
    ) -> None:
        """Take n seconds; `conditions` then goes through them.

        Parameters
        ----------
        course : Course
        swing_c : array (n, k)
            Between the highest and the lowest reading of each second. [°C]
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
        zone_change = book.means(change, known)
        sums = _gone_on(self.sums_c, np.nan_to_num(zone_change))
        apart = book.means(change, known * (1.0 - self._wall)) - book.means(change, known * self._wall)
        apart = _gone_on(self.apart_c, np.nan_to_num(apart))
        swing = book.means(swing_c**2, trusted) / np.maximum(book.counts(trusted), 1.0)
        within = np.concatenate([self.within_c2, SWING * np.nan_to_num(swing)])
        coals, coals_c = self._coals_course(course, change, known)
        counts = np.concatenate([self.counts, book.counts(known)])
        walls = np.nan_to_num(book.means(np.broadcast_to(self._wall, known.shape), known))
        unrest = _unrest(sums, within)
        calm_s, longest_calm_s, rise_c = self._calm(sums, zones.level_c)
        five = _aligned(sums, 5)
        deepest_c = self._deepest(five, zones.level_c)
        peak_c = np.fmax.accumulate(np.concatenate([self.peak_c, zones.level_c]))
        scene = Scene(
            course_c=five,
            coals_course_c=_aligned(coals, 5)[:, 0],
            apart_course_c=_aligned(apart, 5),
            coals_c=coals_c,
            level_c=zones.level_c,
            unrest_c=np.stack([unrest[len(unrest) - ago - n : len(unrest) - ago] for ago in UNREST_AGO_S]),
            rise_c=rise_c,
            calm_s=calm_s,
            longest_calm_s=longest_calm_s,
            deepest_c=deepest_c,
            peak_c=peak_c[1:],
            end=self._end,
            walls=walls,
            count=counts[CHANGED_S:],
            changed=counts[CHANGED_S:] - counts[:-CHANGED_S],
        )
        self._seen = self._find(scene).tolist()
        self.sums_c, self.coals_c = sums[n:].copy(), coals[n:].copy()
        self.within_c2, self.counts = within[n:].copy(), counts[n:].copy()
        self.apart_c, self.peak_c = apart[n:].copy(), peak_c[-1:].copy()
        self.seconds += n

    def conditions(self, i: int, stage: str, rate: list[float], alarms: AlarmBook) -> Iterator[Condition]:
        """Go through the zones in second i of the last `run`.

        Yields
        ------
        Condition
        """
        names, (weights, lost) = self._places.zones, self._seen[i]
        meant = stage in (DRYING, COOLING)
        for z in self._watched:
            key = f"coal_collapse:{names[z]}"
            falls = rate[z] < -30.0 * self._pace
            more = min(max(weights[z] - DOUBT, LEAST), MOST)
            self.evidence[z] = 0.0 if meant else min(max(self.evidence[z] + more, 0.0), MOST * KEPT_S)
            # Who asks for a long fall waits for its end, when the weight, which knows beginnings, has gone.
            holds = not meant and (self.evidence[z] >= self._enough or (self.goes_on[z] and falls))
            self.goes_on[z] = holds
            self.lost_c[z] = max(self.lost_c[z], lost[z]) if self.evidence[z] > 0.0 or holds else 0.0
            if alarms.active(key):
                # Stands while the zone goes on falling.
                yield self._condition(z, falls, 0.0)
            elif holds or key in alarms.alarms:
                yield self._condition(z, holds, self.lost_c[z])

    def _condition(self, z: int, holds: bool, lost_c: float) -> Condition:
        zone = self._places.zones[z]
        words = f"{zone} has lost {lost_c:.0f} °C more than was to be expected, while the coals hold"
        return Condition("coal_collapse", zone, None, holds, self._longer_s, 45.0, words if lost_c else "")

    def _find(self, scene: Scene) -> Floats:
        """Say how much speaks for each zone's collapse, and what it has lost, each second; (n, 2, z)."""
        falls = falls_c(scene.course_c)
        seen: Floats = np.zeros((len(scene.level_c), 2, scene.level_c.shape[1]))
        seen[:, 0] = -np.inf
        least = np.array(LACKS_C)[:, None, None] / self._scale
        likely = (falls < -least).any(axis=0) & self._possible(scene)
        for z in self._watched:
            others = [y for y in self._places.pots if y != z]
            at = np.flatnonzero(likely[:, z])
            if others and len(at):
                seen[at, 0, z] = self._weight(z, at, signs(scene, z, others, at, self._scale))
                seen[at, 1, z] = -falls[:, at, z].min(axis=0)
        return seen

    def _weight(self, z: int, at: Ints, seen: Floats) -> Floats:
        """How much the signs of zone z in these seconds are for a collapse."""
        return weight(seen)

    def _possible(self, scene: Scene) -> Bools:
        """Where a collapse can be told: after a while, of a hot zone, and while the coals hold; (n, z)."""
        n = len(scene.level_c)
        old_enough = np.arange(self.seconds + 1, self.seconds + n + 1) > TAIL
        course, coals = scene.course_c, scene.coals_course_c
        # Nothing but a probe that falls out of the stack loses so much so quickly.
        slow = course[TAIL - 8 : -8] - course[TAIL:] < 0.12 * scene.level_c
        quarter = course[TAIL:] - course[TAIL - _QUARTER_S : -_QUARTER_S]
        falls = coals[TAIL:] - coals[TAIL - _QUARTER_S : -_QUARTER_S] <= -self._coals_fall_c
        before = np.minimum(coals[TAIL - 60 : -60] - coals[TAIL - 120 : -120], 0.0)
        turns = coals[TAIL:] - coals[TAIL - 60 : -60] - before < -self._coals_fall_c * 4.0 / 3.0
        # Where nobody looks at the coals something in the stack must hold.
        known = np.where(np.isnan(scene.level_c), -np.inf, quarter)[:, self._places.pots]
        stack = (known > -self._coals_fall_c).any(axis=1)
        hold = np.where(np.isnan(scene.coals_c), stack, ~falls & ~turns)
        possible: Bools = slow & (scene.level_c > LEAST_C) & (old_enough & hold)[:, None]
        return possible

    def _deepest(self, course_c: Floats, level_c: Floats) -> Floats:
        """How deep each zone has dipped until a while ago, (n, z)."""
        fall = fall_c(course_c, DEEPEST_AGO_S)
        early = np.arange(self.seconds + 1, self.seconds + len(fall) + 1)[:, None] <= TAIL
        # What the first seconds lack is lacking in the tail, and a cold zone's dips tell nothing.
        fall = np.where(early | ~(level_c > LEAST_C), 0.0, fall)
        deepest = np.minimum.accumulate(np.concatenate([self.deepest_c, fall]))
        self.deepest_c = deepest[-1:].copy()
        return deepest[1:]

    def _calm(self, sums: Floats, level_c: Floats) -> tuple[Ints, Ints, Floats]:
        """For how long no zone has risen, the longest so far, (n,); how far each rose lately, (n, z)."""
        n = len(level_c)
        twenty = _aligned(sums, 20)
        rise_c = twenty[TAIL:] - twenty[TAIL - RISE_S : -RISE_S]
        rises = (rise_c > RISEN_C).any(axis=1)
        at = np.arange(1, n + 1)
        last = np.maximum.accumulate(np.where(rises, at, -self.calm_s))
        before = np.concatenate([[-self.calm_s], last[:-1]])
        hot = (np.nan_to_num(level_c) > HOT_C).any(axis=1)
        ended = np.where(rises & hot, at - before, 0)
        longest = np.maximum.accumulate(np.maximum(ended, self.longest_calm_s))
        calm_s = at - last
        self.calm_s, self.longest_calm_s = int(calm_s[-1]), int(longest[-1])
        return calm_s, longest, rise_c

    def _coals_course(self, course: Course, change: Floats, known: Floats) -> tuple[Floats, Floats]:
        """The coals' course from an arbitrary start, (`TAIL` + n, 1); their level, NaN if nobody looks."""
        there = known[:, self._places.coals]
        count = there.sum(axis=1)
        count[count == 0.0] = np.nan
        safe = np.where(there > 0.0, course.median_c[:, self._places.coals], 0.0)
        moved = np.where(there > 0.0, change[:, self._places.coals], 0.0).sum(axis=1) / count
        sums = _gone_on(self.coals_c, np.where(np.isnan(moved), 0.0, moved)[:, None])
        return sums, safe.sum(axis=1) / count


def _gone_on(tail: Floats, change: Floats) -> Floats:
    """A course's tail, and how it goes on."""
    steps = np.concatenate([tail[-1:], change])
    return np.concatenate([tail[:-1], np.cumsum(steps, axis=0)])


def _aligned(rows: Floats, n: int) -> Floats:
    """Running mean over n seconds up to each row; the first n - 1 rows are as they were."""
    return np.concatenate([rows[: n - 1], running_mean(rows, n)])


def _unrest(sums: Floats, within: Floats) -> Floats:
    """Root mean square of what is quicker than 12 s, over the half minute up to each second.

    Parameters
    ----------
    sums : array (`TAIL` + n, z)
        [°C]
    within : array (`TAIL` + n, z)
        What the seconds' means hide of it. [°C²]

    Returns
    -------
    array (more than n, z)
        Up to the last second. [°C]
    """
    quick = running_mean((sums[11:] - running_mean(sums, 12)) ** 2 + within[11:], 9)
    return np.sqrt((quick[18:] + quick[9:-9] + quick[:-18]) / 3.0)
