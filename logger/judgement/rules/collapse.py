"""Coal collapse: part of the stack loses heat while the coals hold.

The plain rule is the promise: a zone's level has fallen by `drop_c`, or by `air_drop_c` where only air probes
show it, within `within_s` and stays down for `for_s`. There are only two vetoes: the coals' own probes fell
by a third of that or more in the same time, so the fire is dying down; or raking out has begun. Any stretch
of up to `within_s` counts, so a bed that sank along with the zone before the fall is no veto.

It is raised early where physics and the other zones agree. A probe on a wall trails the fire by tens of
seconds, so half of a fall is still to come when it shows. So a zone judged by its walls is called early once
it has lost half of `drop_c`, would have lost all of it half a minute from now at its present rate, and the
other zones lost less than a third of what it lost. Walls that flames lean away from do that as well, again
and again, and recover. So it must also be colder than `within_s` ago, and fall twice as fast as in the ten
minutes before. Nothing here was fitted: half, a third, half a minute, twice and ten are round numbers, tested
by the table in the judgement's README.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.judgement.levels import AIR, WALL, told_place
from logger.judgement.rows import Past, median, run_lengths, running_mean
from logger.judgement.rules.held import Held
from logger.judgement.trend import Course
from logger.judgement.zones import Places, ZoneCourse
from logger.plan import Plan
from logger.plan.alarm_rules import RULES
from logger.reading import Floats, Ints
from logger.words.said import Degrees, Said, said

TITLE: Final = RULES["coal_collapse"].title
COALS_SHARE: Final = 1.0 / 3.0
"""If the coals lost this share of what the zone lost, or more, they don't hold: the fire is dying down."""
LEAST_SHARE: Final = 0.5
"""How much of `drop_c` must be gone before a collapse is raised early."""
AHEAD_S: Final = 30.0
"""How far ahead a fall is extended at its present rate: about a sheathed probe's lag. [s]"""
OTHERS_SHARE: Final = 1.0 / 3.0
"""If the other zones lost this share of what the zone lost, or more, it is the whole fire."""
FASTER: Final = 2.0
"""How many times as fast as before a wall must fall …"""
BEFORE_S: Final = 600
"""… in all of this time … [s]"""
BEGAN_S: Final = 90
"""… but for the last of it, in which this fall itself may have begun. [s]"""
OFTEN_S: Final = 5.0
"""The present rate is unknown where readings are farther apart than this. [s]"""
STANDS_SHARE: Final = 0.5
"""The alarm lasts while the zone is down by this share of the drop, compared with `within_s` ago."""
SMOOTH_S: Final = 5
AIR_SMOOTH_S: Final = 90
"""A wall is smooth by itself, but air swings with every puff of flame. Its level is the median over this
long: what is over in half of it doesn't count, what lasts counts in full. A thin wall would hardly have felt
it (5 mm of clay in flame follow in 50 to 100 s). [s]"""
AIR_EVERY_S: Final = 5
"""The median takes one value every so many seconds, itself a median of as many. [s]"""


@dataclass(frozen=True, slots=True)
class _Fall:
    """A zone's deepest fall within `within_s` in which the coals held, over n seconds; arrays (n,).

    `deepest_c` is the deepest whatever the coals did; so are the others where the coals never held.
    """

    deepest_c: Floats
    lost_c: Floats
    for_s: Ints
    coals_c: Floats
    others_c: Floats
    since_c: Floats  # what was lost since `within_s` ago


class Collapse:
    """Watches each zone with pots for coals falling away beside it."""

    def __init__(self, plan: Plan, places: Places) -> None:
        z, k = len(places.zones), len(plan.probes)
        settings = plan.alarms["coal_collapse"]
        self._drop_c = float(settings["drop_c"])
        self._air_drop_c = float(settings["air_drop_c"])
        self._least_c = min(LEAST_SHARE, STANDS_SHARE) * min(self._drop_c, self._air_drop_c)
        self._within = round(float(settings["within_s"]))
        self._for_s = float(settings["for_s"])
        self.zone_c = Past(self._within, z)
        self.seen_c = Past(self._within, k)
        self.medians_c = Past(AIR_SMOOTH_S - 1, k)
        self.falls_c_per_min = Past(BEFORE_S, z)
        self.plain_s: Ints = np.zeros(z, np.int64)
        self.early_s: Ints = np.zeros(z, np.int64)
        self._places = places

    def run(self, course: Course, trusted: Floats, zones: ZoneCourse) -> Held:
        """Take n seconds; say where coals have fallen away. `trusted` (n, k) is 1.0 where a probe can be
        believed.
        """
        places, weight = self._places, zones.weight
        quick = self._quick(course)
        seen = self.seen_c.add(np.where(trusted > 0.0, quick, np.nan))
        now = self.zone_c.add(places.means(quick, weight))
        self._now = now[self._within :]
        often = places.means((course.interval_s <= OFTEN_S).astype(np.float64), weight) == 1.0
        falls = np.where(zones.basis == WALL, -zones.rate_c_per_min, np.nan)
        before = self.falls_c_per_min.add(falls)
        plain, early, down = np.zeros((3, *zones.level_c.shape), np.bool_)
        self._zones = zones
        self._falls: dict[int, _Fall] = {}
        self._depths: dict[int, Floats] = {}
        self._bed: Floats | None = None
        for y in self._places.pots:
            rows = self._may_have_fallen(y, seen)
            if not len(rows):
                continue
            fall = self._falls[y] = self._fall(y, rows, seen, now)
            holds = ~(fall.coals_c >= COALS_SHARE * fall.lost_c)
            drop_c = np.where(zones.basis[:, y] == AIR, self._air_drop_c, self._drop_c)
            plain[:, y] = holds & (fall.lost_c >= drop_c)
            down[:, y] = fall.deepest_c >= STANDS_SHARE * drop_c
            soon = fall.lost_c - zones.rate_c_per_min[:, y] * AHEAD_S / 60.0
            early[:, y] = (
                holds
                & (fall.lost_c >= LEAST_SHARE * self._drop_c)
                & (soon >= self._drop_c)
                & (fall.others_c < OTHERS_SHARE * fall.lost_c)
                & (zones.basis[:, y] == WALL)
                & often[:, y]
                & ~(fall.since_c < 0.0)
            )
            for i in np.flatnonzero(early[:, y]):
                fastest = np.fmax.reduce(before[i : i + BEFORE_S - BEGAN_S, y], initial=0.0)
                early[i, y] = falls[i, y] > FASTER * fastest
        plain_s, early_s = run_lengths(plain, self.plain_s), run_lengths(early, self.early_s)
        self.plain_s, self.early_s = plain_s[-1], early_s[-1]
        self._plain = plain_s >= self._for_s
        called = self._plain | (early_s >= self._for_s)
        where: list[tuple[str, str | None, str | None]] = [
            ("coal_collapse", places.zones[y], None) for y in places.pots
        ]
        return Held(where, called[:, places.pots], down[:, places.pots], 0.0, 45.0, self._words)

    def _quick(self, course: Course) -> Floats:
        """Level of each probe, smoothed only as much as it must be; (n, k)."""
        medians, air = self.medians_c.add(course.median_c), self._places.is_air
        lately = medians[AIR_SMOOTH_S - SMOOTH_S :]
        quick = running_mean(lately, SMOOTH_S)
        if air.any():
            windows = np.lib.stride_tricks.sliding_window_view(medians[:, air], AIR_SMOOTH_S, axis=0)
            quick[:, air] = median(windows[..., ::-AIR_EVERY_S])
        if np.isnan(quick).any():
            # A probe that has just begun uses its mean so far: one reading beside a mean would seem a leap.
            share = running_mean((~np.isnan(lately)).astype(np.float64), SMOOTH_S)
            begun = running_mean(np.where(np.isnan(lately), 0.0, lately), SMOOTH_S)
            begun = np.where(share > 0.0, begun / np.maximum(share, 1e-9), np.nan)
            np.copyto(quick, begun, where=np.isnan(quick) & ~np.isnan(course.median_c))
        return quick

    def _may_have_fallen(self, z: int, seen: Floats) -> Ints:
        """Find cheaply the seconds in which any probe of a zone shows a fall worth looking at."""
        members = seen[:, self._places.members[z]]
        known = ~np.isnan(members)
        highest_c, lowest_c = np.where(known, members, -np.inf), np.where(known, members, np.inf)
        now_c = lowest_c[self._within :]
        if not (highest_c.max(axis=0) - now_c.min(axis=0, initial=np.inf) >= self._least_c).any():
            return np.zeros(0, np.int64)
        before_c = np.lib.stride_tricks.sliding_window_view(highest_c, self._within + 1, axis=0).max(axis=2)
        return np.flatnonzero((before_c - now_c >= self._least_c).any(axis=1))

    def _fall(self, z: int, rows: Ints, seen: Floats, now: Floats) -> _Fall:
        """Find a zone's deepest fall in which the coals held, for the seconds `rows`."""
        n = len(seen) - self._within
        fall = _Fall(
            np.full(n, -np.inf), np.full(n, -np.inf), np.zeros(n, np.int64), *np.full((3, n), np.nan)
        )
        lost = self._lost(seen, self._zones.weight, self._places.members[z], rows)
        fall.since_c[rows] = lost[:, 0]
        lost = np.where(np.isnan(lost), -np.inf, lost)
        coals = self._coals(seen)[rows]
        held = np.where(coals >= COALS_SHARE * lost, -np.inf, lost)
        held = np.where(np.isneginf(held.max(axis=1))[:, None], lost, held)
        # The latest of equals: the shortest time in which that much was lost.
        at = lost.shape[1] - 1 - held[:, ::-1].argmax(axis=1)
        each = np.arange(len(at))
        others = [self._deepest(now, y)[rows] for y in self._places.pots if y != z]
        fall.deepest_c[rows], fall.lost_c[rows] = lost.max(axis=1), lost[each, at]
        fall.for_s[rows], fall.coals_c[rows] = self._within - at, coals[each, at]
        if others:
            fall.others_c[rows] = median(np.stack(others, axis=-1))
        return fall

    def _coals(self, seen: Floats) -> Floats:
        """What the coals have lost since each second before, (n, within + 1); NaN where unknown."""
        if self._bed is None:
            n = len(seen) - self._within
            coals, every = self._places.coals, np.arange(n)
            unknown = np.full((n, self._within + 1), np.nan)
            self._bed = self._lost(seen, np.ones((n, seen.shape[1])), coals, every) if coals else unknown
        return self._bed

    def _deepest(self, now: Floats, z: int) -> Floats:
        """What another zone has lost since its hottest within `within_s`, (n,); NaN where unknown."""
        if z not in self._depths:
            column = np.where(np.isnan(now[:, z]), -np.inf, now[:, z])
            highest = np.lib.stride_tricks.sliding_window_view(column, self._within + 1).max(axis=1)
            self._depths[z] = highest - now[self._within :, z]
        return self._depths[z]

    def _lost(self, seen: Floats, weight: Floats, probes: list[int], rows: Ints) -> Floats:
        """What probes have lost on average since each second before, (len(rows), within + 1)."""
        windows = np.lib.stride_tricks.sliding_window_view(seen[:, probes], self._within + 1, axis=0)
        before, now = windows[rows], seen[self._within :, probes][rows]
        known = ~np.isnan(before) & ((weight[rows][:, probes] > 0.0) & ~np.isnan(now))[:, :, None]
        total = np.where(known, before - now[:, :, None], 0.0).sum(axis=1)
        count = known.sum(axis=1)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    def _words(self, i: int, m: int) -> Said:
        z = self._places.pots[m]
        fall = self._falls[z]
        lost, now = float(fall.lost_c[i]), float(self._now[i, z])
        place = told_place(self._places, z, self._zones.basis[i, z])
        values: list[str | Degrees] = [place, Degrees("from", now + lost), Degrees("at", now)]
        words = f"{TITLE}: {{}}. {{}} → {{}} in {_span(int(fall.for_s[i]))}"
        if not self._plain[i, z]:
            values.append(Degrees("by", -float(self._zones.rate_c_per_min[i, z])))
            words += ", falling by {} a minute"
        if fall.coals_c[i] == fall.coals_c[i]:
            words += ", the coals held"
        else:
            where = "in the coals can be trusted" if self._places.coals else "is in the coals"
            words += f"; no probe {where}"
            # Other zones falling too is no veto: the message says so, and whoever is at the fire judges.
            together = fall.others_c[i] >= OTHERS_SHARE * lost
            words += " and most other zones fell too: " if together else ", so "
            words += "the whole fire may be dying down"
        if len(self._places.pots) < 2:
            words += "; there is no other zone to compare it with"
        return said(f"{words}.", *values)


def _span(seconds: int) -> str:
    return f"{seconds} s" if seconds < 100 else f"{seconds / 60.0:.0f} min"
