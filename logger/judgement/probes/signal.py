"""Faults in one probe's own signal: contacts that open, values that jump."""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.probes.agreement import Agreement
from logger.judgement.rows import Bools
from logger.judgement.seconds import Seconds
from logger.judgement.trend import RATE_S, Course
from logger.judgement.zones import Places
from logger.reading import Floats

OFTEN_S: Final = 3.0
"""Readings farther apart than this may differ by any amount: flame comes and goes between them. [s]"""
WALL_OFTEN_S: Final = 5.0
"""The same for a probe on a wall or in coals, which is too slow for flame. [s]"""
JUMPS: Final = 3.2
"""More jumps than this, each fading within some 40 readings, or seconds, mean a loose terminal."""
WEIGHT: Final = 2.5
"""A wall's jump counts as many times as it exceeds the smallest jump, up to this: neither one jump alone nor
two a minute apart make a loose wire."""
STOPS: Final = 0.25
"""A probe that follows its surroundings with a lag slows down gradually. If it goes on by less than this
share of its last step, the step came from the wire: a wall of `WALL_S` still goes on by 0.43 of it at
`WALL_OFTEN_S`, a bead of `BEAD_S` by 0.37 at `BEAD_OFTEN_S` (first-order lag, exp(-t / tau))."""
BEAD_OFTEN_S: Final = 1.0
EDGE: Final = 20.0
"""Such a step is a leap if it is this many times what is usual for its probe, and more than
`_least_edge_c`."""
FORGET: Final = 0.975
OPEN_FORGET: Final = 0.97
USUAL: Final = 6.0
"""A reading that differs from its neighbours by this many times what is usual for its probe is a jump."""
USUAL_N: Final = 150.0
"""Readings over which the usual is learned."""
WILDER: Final = 2.0
"""By how many times the usual a probe stands out once its flames have grown wilder."""
GREW: Final = 1.2
"""The same, over its last ten seconds, for a probe that flickers more than it did; less is chance."""
SLOT_S: Final = 10
BEAD_S: Final = 1.0
"""Time constant of the quickest bare bead (common practice, no source). [s]"""
WALL_S: Final = 6.0
"""Time constant of the quickest probe on a wall (common practice, no source). [s]"""
FLAME_C: Final = 1250.0
"""No wood fire in the open is hotter (common practice, no source). [°C]"""
BESIDE_C: Final = 100.0
"""A hotter reading is believed if another probe is within this of it: fuel gases in a closed room burn
hotter. [°C]"""
TOP_C: Final = 1372.0
"""The end of type K's scale (IEC 60584-1). [°C]"""
COLDEST_C: Final = -30.0
WALL_USUAL_C: Final = 5.0
"""No probe of `WALL_S` stands out by more from one reading to the next, however the flames play; anything
more is never learned as its habit. [°C]"""
STEP_S: Final = 3.0
LEAST_LEAP_C: Final = 100.0
"""A smaller step isn't a leap. [°C]"""
BURST_S: Final = 60.0
"""A reading that comes back gradually after this long has drifted there. [s]"""
LOOSE_S: Final = 300.0
"""How long after a probe was loose nothing it does is learned as its habit. [s]"""


class Signal:
    """Watches k probes, each by itself.

    `jump` is the rule's `jump_percent`, as a share of the level; `for_s`, how long a fault must last.
    """

    def __init__(self, places: Places, jump: float, for_s: float) -> None:
        k = len(places.is_wall)
        self.open_s: Floats = np.zeros(k)
        self.open_sum: Floats = np.zeros(k)
        self.jumps: Floats = np.zeros(k)
        self.usual_c: Floats = np.full(k, 10.0)
        self.last_c: Floats = np.full((2, k), np.nan)
        self.last_s: Floats = np.full((2, k), -1e9)
        self.dead_s: Floats = np.zeros(k)
        self.slot_c: Floats = np.full((SLOT_S, k), np.nan)
        self.leapt_from_c: Floats = np.full(k, np.nan)
        self.leapt_by_c: Floats = np.zeros(k)
        self.leapt_s: Floats = np.zeros(k)
        self.loose_s: Floats = np.zeros(k)
        self.seconds = 0
        # A probe in the coals, sheathed or in ash, is as slow as one on a wall.
        wall = (places.is_wall & ~places.surface) | np.isin(np.arange(k), places.coals)
        self._floor_c = np.where(wall, 4.0, 12.0)
        self._share = np.where(wall, 0.1, 0.5) * jump
        self._lag_s = np.where(wall, WALL_S, BEAD_S)
        self._often_s = np.where(wall, WALL_OFTEN_S, OFTEN_S)
        self._most_usual_c = np.where(wall, WALL_USUAL_C, np.inf)
        self._weight = np.where(wall, WEIGHT, 1.0)
        self._air = places.is_air
        self._edge_s = np.where(wall, WALL_OFTEN_S, BEAD_OFTEN_S)
        # Infrared has no lag at all.
        self._least_edge_c = np.where(places.surface, np.inf, np.where(wall, 25.0, 40.0))
        self._for_s = for_s
        self.agreement = Agreement(k)

    def contact(self, open_now: Bools, fresh: Bools) -> tuple[Floats, Bools]:
        """Watch for contacts that open, for good or again and again.

        `open_now` and `fresh` (n, k): only a fault was read; something good was read. Returns how long each
        has been open without a break [s], and where it was open long enough for a fault within about half a
        minute, if not all at once; (n, k).
        """
        open_s, often = np.zeros(fresh.shape), np.zeros(fresh.shape, np.bool_)
        if open_now.any() or self.open_sum.any():
            now, total = self.open_s, self.open_sum
            for i in range(len(fresh)):
                # The seconds between a slow rig's frames count as well.
                going = ~fresh[i] & (open_now[i] | (now > 0.0))
                now = open_s[i] = np.where(going, now + 1.0, 0.0)
                total = total * OPEN_FORGET + going
                total[total < 0.05] = 0.0
                often[i] = total > self._for_s
            self.open_s, self.open_sum = now, total
        return open_s, often

    def loose(self, course: Course, seconds: Seconds, opened: Bools) -> Floats:
        """Count values that stand out from those before and after them, lately; (n, k).

        More than `JUMPS` mean a loose terminal. `opened` (n, k): a contact opened for a moment.
        """
        value_c, fresh, swing_c = seconds.value_c, seconds.fresh, seconds.swing_c
        n, k = value_c.shape
        one, two, gap, gap2 = self._before(value_c, fresh)
        often = fresh & (gap <= self._often_s) & (gap2 <= self._often_s)
        off = np.where(often, np.abs(one - 0.5 * (value_c + two)), np.nan)
        off = np.fmax(off, np.where(fresh & (swing_c > 0.0), 0.5 * swing_c, np.nan))
        floor_c = self._floor_c + self._share * np.maximum(course.median_c, 0.0)
        step_c = np.where(often & (gap <= self._edge_s) & (gap2 <= self._edge_s), one - two, 0.0)
        step_c[~(np.abs(value_c - one) < STOPS * np.abs(step_c))] = 0.0
        # The edges of a burst that lasts several readings are jumps as well.
        out = np.fmax(off, np.abs(step_c) * (self._weight > 1.0))
        jumps, usual = self._learn(off, out, floor_c, opened, np.maximum(course.interval_s, 1.0))
        lately = fresh & (gap <= self._often_s)
        # Coming back from a single spike is no leap: the nearer of the last two readings counts.
        change_c = np.where(np.abs(value_c - two) < np.abs(value_c - one), value_c - two, value_c - one)
        self._change_c, self._gap_s = (np.where(lately, of, np.nan) for of in (change_c, gap))
        large = np.abs(step_c) > np.maximum(self._least_edge_c, EDGE * usual)
        self._edge_c = np.zeros((n, k))
        for i, j in np.argwhere(large):
            # Where it leapt from must not be a spike, nor a flame that reached the bead within some seconds.
            was_c = course.medians_c[RATE_S + i - int(gap[i, j] + gap2[i, j])]
            still = np.abs(np.where(np.arange(k) == j, two[i], value_c[i]) - was_c) < STOPS * abs(
                step_c[i, j]
            )
            others = self._air & (np.arange(k) != j) & ~np.isnan(value_c[i] - was_c)
            # A lone air probe may hang in a flame that comes and goes; with others, they would feel it too.
            if still[j] and (not self._air[j] or (others.any() and still[others].all())):
                self._edge_c[i, j] = step_c[i, j]
        return jumps

    def _before(self, value_c: Floats, fresh: Bools) -> tuple[Floats, Floats, Floats, Floats]:
        """The last reading and the one before it; how long ago the last was, and the time between them; (n,
        k).
        """
        n, k = value_c.shape
        # Two earlier rows come first: the last two readings of each probe.
        at = np.arange(2, n + 2)[:, None]
        held = np.concatenate([self.last_c, value_c])
        times = np.concatenate([self.last_s, np.broadcast_to(self.seconds + at - 1.0, (n, k))])
        last = np.maximum.accumulate(np.where(fresh, at, 1), axis=0)
        before = np.concatenate([np.ones((1, k), np.int64), last])
        earlier = np.take_along_axis(np.concatenate([np.zeros((2, k), np.int64), before]), before, axis=0)
        one, two, one_s, two_s = (
            np.take_along_axis(of, at, axis=0) for of in (held, times) for at in (before, earlier)
        )
        self.last_c, self.last_s = np.stack([two[-1], one[-1]]), np.stack([two_s[-1], one_s[-1]])
        self.seconds += n
        return one[:-1], two[:-1], times[2:] - one_s[:-1], one_s[:-1] - two_s[:-1]

    def _remember(self, loose: Bools) -> None:
        """Count down `LOOSE_S` from the last second in which each was loose."""
        if loose.any() or self.loose_s.any():
            since_s = np.where(loose.any(axis=0), loose[::-1].argmax(axis=0), len(loose))
            left_s = np.where(loose.any(axis=0), LOOSE_S, self.loose_s) - since_s
            self.loose_s = np.maximum(left_s, 0.0)

    def _count(self, off: Floats, limit_c: Floats, opened: Bools, every_s: Floats) -> Floats:
        jumps = np.zeros(off.shape)
        over = off > limit_c  # NaN is none
        if not (over.any() or opened.any() or self.jumps.any()):
            self.dead_s = np.maximum(self.dead_s - len(off), 0.0)
            return jumps
        safe = np.where(np.isnan(off), 0.0, off)
        now, dead_s, keep, pause_s = self.jumps, self.dead_s, FORGET ** (1.0 / every_s), 3.0 * every_s
        counts = np.where(over, np.clip(safe / limit_c, 1.0, self._weight), 1.0)
        for i in range(len(off)):
            # One outlier makes its neighbours stand out as well.
            jumped = (over[i] & (dead_s <= 0.0)) | opened[i]
            dead_s = np.where(jumped, pause_s[i], np.maximum(dead_s - 1.0, 0.0))
            now = now * keep[i] + jumped * counts[i]
            now[now < 0.05] = 0.0
            jumps[i] = now
        self.jumps, self.dead_s = now, dead_s
        return jumps

    def _learn(
        self, off: Floats, out: Floats, floor_c: Floats, opened: Bools, every_s: Floats
    ) -> tuple[Floats, Floats]:
        """Learn each probe's usual, every `SLOT_S`; return jumps and the usual known by then, per second."""
        usual, jumps = np.empty(off.shape), np.empty(off.shape)
        least_c = np.where(np.isnan(floor_c), np.inf, floor_c)
        begin, second = 0, self.seconds - len(off)
        while begin < len(off):
            end = min(len(off), begin + SLOT_S - second % SLOT_S)
            part = slice(begin, end)
            usual[part] = self.usual_c
            limit_c = np.maximum(least_c[part], USUAL * self.usual_c)
            jumps[part] = self._count(out[part], limit_c, opened[part], every_s[part])
            self._remember(jumps[part] > JUMPS)
            rows = off[part]
            # The jumps of a loose wall are never learned as its habit.
            jumped = (self._weight > 1.0) & (rows > np.maximum(floor_c[part], USUAL * self.usual_c))
            slot = second % SLOT_S
            self.slot_c[slot : slot + end - begin] = np.where(jumped, np.nan, rows)
            second += end - begin
            if second % SLOT_S == 0:
                self._grow()
            begin = end
        return jumps, usual

    def _grow(self) -> None:
        """Learn from one slot."""
        known = ~np.isnan(self.slot_c)
        count = known.sum(axis=0).astype(np.float64)
        least = np.where(known, np.minimum(self.slot_c, 3.0 * self.usual_c + 1.0), 0.0)
        mean = least.sum(axis=0) / np.maximum(count, 1.0)
        # If the flames grew wilder, most other air probes show it.
        wilder = self._air & (count > 0.0) & (mean > WILDER * self.usual_c)
        most = 2 * (wilder.sum() - wilder) >= self._air.sum() - 1
        learns = (self.loose_s == 0.0) | (self._air & most)
        learned = self.usual_c + np.minimum(count / USUAL_N, 1.0) * learns * (mean - self.usual_c)
        grew = (count > 0.0) & (mean > GREW * self.usual_c)
        # A probe that hums alone doesn't mean a growing fire.
        grew &= learns & (self._weight > 1.0) & (2 * (grew.sum() - grew) >= (count > 0.0).sum() - 1)
        if grew.any():
            # A loose wire is quiet between its jumps; a wall whose every reading is wilder isn't loose.
            learned[grew] = np.maximum(learned[grew], np.nanmedian(self.slot_c[:, grew], axis=0))
        self.usual_c = np.minimum(learned, self._most_usual_c)
        self.slot_c = np.full_like(self.slot_c, np.nan)

    def leaps(self, course: Course, value_c: Floats, around_c: Floats, blind: Bools) -> tuple[Bools, Bools]:
        """Find steps that no probe can make and that aren't reversed, in the seconds of the last `loose`.

        All (n, k): `around_c`, median of the others, NaN if there are none; `blind`, already at fault: what
        it does now says nothing new. Returns which leapt, and which may have, before that is certain.
        """
        change_c, gap_s, edge_c = self._change_c, self._gap_s, self._edge_c
        # From the median of the five seconds before, so that coming back from a spike is no leap.
        lately_c = course.medians_c[RATE_S - 1 : RATE_S - 1 + len(value_c)]
        step_c = np.where(~np.isnan(gap_s), value_c - lately_c, np.nan)
        before = value_c - step_c
        size = np.abs(np.nan_to_num(step_c))
        slow = size > self._most(step_c, before, np.maximum(STEP_S, gap_s + 2.0))
        # A step made within one reading that isn't only a return from a single spike.
        quick = np.abs(change_c) > self._most(change_c, value_c - change_c, gap_s)
        quick &= (
            (step_c * change_c > 0.0) & (size > self._most(step_c, before, gap_s)) & (self._lag_s > BEAD_S)
        )
        hot = (value_c > FLAME_C + 50.0) & ~_flanked(value_c)
        slow &= np.abs(change_c) > LEAST_LEAP_C
        edge = edge_c != 0.0
        leaps = (slow | quick | hot | edge) & ~blind
        from_c = np.where(np.isnan(before), np.nan_to_num(around_c, nan=COLDEST_C), before)
        from_c = np.where(edge & ~(slow | quick | hot), value_c - edge_c, from_c)
        leapt, doubtful = np.zeros(leaps.shape, np.bool_), np.zeros(leaps.shape, np.bool_)
        if not leaps.any() and np.isnan(self.leapt_from_c).all():
            return leapt, doubtful
        # Before the first leap nothing happens.
        begin = 0 if (~np.isnan(self.leapt_from_c)).any() else int(leaps.any(axis=1).argmax())
        for i in range(begin, len(leaps)):
            new = leaps[i] & np.isnan(self.leapt_from_c)
            self.leapt_from_c[new] = from_c[i, new]
            self.leapt_by_c[new] = value_c[i, new] - from_c[i, new]
            self.leapt_s[new] = 0.0
            on = ~np.isnan(self.leapt_from_c)
            self.leapt_s[on] += 1.0
            returned = np.abs(value_c[i] - self.leapt_from_c) < 0.5 * np.abs(self.leapt_by_c)
            # A floating input may drift past where it leapt from; a wire that touches again leaps back.
            returned &= (self.leapt_s < BURST_S) | (
                -change_c[i] * np.sign(self.leapt_by_c) > 0.5 * np.abs(self.leapt_by_c)
            )
            agrees = self.agreement.reached(on & ~new & ~hot[i], value_c[i], around_c[i])
            over = on & ((returned & ~hot[i]) | agrees)
            self.leapt_from_c[over] = np.nan
            on &= ~over
            doubtful[i] = on
            leapt[i] = on & (self.leapt_s >= self._for_s)
        return leapt, doubtful

    def _most(self, step_c: Floats, before_c: Floats, over_s: Floats) -> Floats:
        """How far a probe of this lag can go in the direction of a step; NaN where unknown."""
        share = 1.0 - np.exp(-over_s / self._lag_s)
        room = np.where(step_c > 0.0, FLAME_C - before_c, before_c - COLDEST_C)
        most: Floats = np.maximum(share * room, LEAST_LEAP_C)
        return most


def _flanked(value_c: Floats) -> Bools:
    """Where another probe is nearly as hot, or hotter, and neither is beyond a thermocouple's scale."""
    known = np.where(value_c < TOP_C, value_c, 0.0)
    if known.shape[1] < 2:
        return np.zeros(known.shape, np.bool_)
    first, second = -np.partition(-known, 1, axis=1)[:, :2].T
    others = np.where(known == first[:, None], second[:, None], first[:, None])
    flanked: Bools = (known - others < BESIDE_C) & (known > 0.0)
    return flanked
