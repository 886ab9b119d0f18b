"""Which probes can be believed: open, shorted, noisy, stuck, fallen out, or with a terminal block too hot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.judgement.trend import RATE_S, Bools, Course
from logger.judgement.zones import Places
from logger.plan import Plan
from logger.reading import Floats, Ints, Status

NOISY_N: Final = 3.2
"""So many jumps, each forgotten within some 20 s, are a loose terminal."""
ODDLY_STILL: Final = 12.0
"""A value that stands so many times longer than it ever did lately, while most others don't, is stuck."""
_FORGET: Final = 0.95

OPEN, SHORT, SILENT, NOISY, STUCK, FALLEN, HOT_JUNCTION = range(1, 8)

WORDS: Final = {
    OPEN: "is open: its wire or terminal has come loose",
    SHORT: "is shorted or gives no usable signal",
    SILENT: "gives nothing any more",
    NOISY: "jumps as a loose terminal does",
    STUCK: "is stuck: it hasn't moved at all while the fire has",
    FALLEN: "has fallen to the open air: it has probably dropped out of the stack",
    HOT_JUNCTION: "has a terminal block that is too hot; move it out of the heat",
}


@dataclass(frozen=True, slots=True)
class Seconds:
    """Readings of k probes gathered into n whole seconds.

    Attributes
    ----------
    value_c : array (n, k)
        Mean of the good ones; NaN if none. [°C]
    fresh : bool array (n, k)
        There were good ones.
    bad : int array (n, k)
        The worst status among the others; 0 if none.
    swing_c : array (n, k)
        Between the highest and the lowest. [°C]
    cold_junction_c : array (n, k)
        NaN where unknown. [°C]
    """

    value_c: Floats
    fresh: Bools
    bad: Ints
    swing_c: Floats
    cold_junction_c: Floats

    def columns(self) -> tuple[Floats, Bools, Ints, Floats, Floats]:
        """All of them, in order."""
        return self.value_c, self.fresh, self.bad, self.swing_c, self.cold_junction_c

    def between(self, a: int, b: int) -> Seconds:
        """The seconds from a until before b."""
        value, fresh, bad, swing, junction = self.columns()
        return Seconds(value[a:b], fresh[a:b], bad[a:b], swing[a:b], junction[a:b])


class ProbeWatch:
    """Watches k probes for faults.

    Parameters
    ----------
    plan : Plan
    places : Places

    Attributes
    ----------
    fault : int array (k,)
        What is wrong with each, a key of `WORDS`; 0 if nothing.
    trusted : float array (k,)
        1.0 where a probe's value may be used: it has one, and nothing is wrong or about to be called so.
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        k = len(plan.probes)
        settings = plan.alarms["probe_fault"]
        self.fault: Ints = np.zeros(k, np.int64)
        self.trusted: Floats = np.zeros(k)
        self.open_s: Floats = np.zeros(k)
        self.jumps: Floats = np.zeros(k)
        self.run_s: Floats = np.zeros(k)
        self.usual_s: Floats = np.zeros(k)
        self.stirred_c = 0.0
        self.since_c: Floats = np.zeros(k)
        self.last_c: Floats = np.full(k, np.nan)
        self.last_level_c: Floats = np.full(k, np.nan)
        self.fallen = np.zeros(k, np.bool_)
        self.bad_code: Ints = np.zeros(k, np.int64)
        self._surface = places.surface
        self._for_s = float(settings["for_s"])
        self._stuck_s = float(settings["stuck_s"])
        self._jump = float(settings["jump_percent"]) / 100.0
        self._junction_c = float(settings["cold_junction_c"])

    def run(self, course: Course, seconds: Seconds) -> tuple[Ints, Floats]:
        """Take n seconds.

        Parameters
        ----------
        course : Course
        seconds : Seconds

        Returns
        -------
        fault : int array (n, k)
            A key of `WORDS`; 0 if nothing is wrong.
        trusted : float array (n, k)
        """
        fresh, bad = seconds.fresh, seconds.bad
        # Infrared beyond its range says 'hotter than I can see', no more.
        failed = (bad > 0) & ~((bad == Status.RANGE) & self._surface)
        silent = (
            ~fresh
            & (course.age_s > np.maximum(self._for_s + 7.0, 3.0 * course.interval_s))
            & np.isfinite(course.age_s)
            & ~(self._surface & (course.value_c > 250.0))
            # Only where others still send: all of them at once is the rig.
            & fresh.any(axis=1, keepdims=True)
        )
        open_now = failed & ~fresh
        open_s = self._stay_bad(open_now, fresh)
        jumps = self._count_jumps(course, fresh, failed, open_s, seconds.swing_c)
        stuck = self._stuck(course, seconds.value_c, fresh)
        fallen = self._fall(course)
        fault = np.zeros(fresh.shape, np.int64)
        fault[seconds.cold_junction_c > self._junction_c] = HOT_JUNCTION
        fault[fallen] = FALLEN
        fault[stuck] = STUCK
        fault[jumps > NOISY_N] = NOISY
        fault[silent] = SILENT
        if failed.any() or open_s.any():
            code = _held(self.bad_code, bad, failed)
            hard = open_s >= self._for_s
            is_open = code == Status.OPEN
            fault[hard & is_open] = OPEN
            fault[hard & ~is_open] = SHORT
            self.bad_code = code[-1]
        doubtful = (fault > 0) & (fault != HOT_JUNCTION)
        trusted = (course.valid & ~open_now & ~doubtful & (jumps < NOISY_N / 2)).astype(np.float64)
        self.fault, self.trusted = fault[-1], trusted[-1]
        return fault, trusted

    def _stay_bad(self, open_now: Bools, fresh: Bools) -> Floats:
        # Seconds between the frames of a slow rig count as well.
        open_s = np.zeros(fresh.shape)
        if open_now.any() or self.open_s.any():
            now = self.open_s
            for i in range(len(fresh)):
                going = ~fresh[i] & (open_now[i] | (now > 0.0))
                now = open_s[i] = np.where(going, now + 1.0, 0.0)
            self.open_s = now
        return open_s

    def _count_jumps(
        self, course: Course, fresh: Bools, failed: Bools, open_s: Floats, swing_c: Floats
    ) -> Floats:
        off = np.abs(course.value_c - course.median_c)
        limit = 20.0 + self._jump * np.maximum(course.median_c, 0.0)
        jumped = (fresh & ((off > limit) | (swing_c > 1.5 * limit))) | (failed & fresh)
        # One OPEN among good seconds is a contact that opens; a lasting one is called open.
        more = jumped.astype(np.float64) + (failed & ~fresh & (open_s == 1.0))
        jumps = np.zeros(fresh.shape)
        if more.any() or self.jumps.any():
            now = self.jumps
            for i in range(len(fresh)):
                now = now * _FORGET + more[i]
                now[now < 0.05] = 0.0
                jumps[i] = now
            self.jumps = now
        return jumps

    def _stuck(self, course: Course, value_c: Floats, fresh: Bools) -> Bools:
        n = len(fresh)
        at = np.arange(1, n + 1)[:, None]
        before = np.concatenate([self.last_c[None], course.value_c[:-1]])
        moved = fresh & (np.abs(value_c - before) > 1e-6)
        self.last_c = course.value_c[-1]
        # How long each has stood still, and how long it had when it moved.
        last = np.maximum.accumulate(np.where(moved, at, 0), axis=0)
        run_s = np.where(last > 0, at - last, self.run_s + at)
        earlier = np.concatenate([self.run_s[None], run_s[:-1]])
        ended = np.where(moved, np.minimum(earlier, 60.0), 0.0)
        usual_s = np.empty(fresh.shape)
        usual = self.usual_s
        for i in range(n):
            usual = usual_s[i] = np.maximum(usual * 0.9985, ended[i])
        self.run_s, self.usual_s = run_s[-1], usual
        # How far the others have gone meanwhile.
        levels = np.concatenate([self.last_level_c[None], course.level_c])
        step_c = np.abs(np.diff(levels, axis=0))
        self.last_level_c = course.level_c[-1]
        step_c[~course.valid | np.isnan(step_c)] = np.inf
        known = np.isfinite(step_c).sum(axis=1)
        step_c.sort(axis=1)
        middle = np.take_along_axis(step_c, (np.maximum(known, 1) // 2)[:, None], axis=1)[:, 0]
        stirred = np.cumsum(np.concatenate([[self.stirred_c], np.where(known > 0, middle, 0.0)]))[1:]
        self.stirred_c = float(stirred[-1])
        since = np.concatenate([self.since_c[None], np.where(moved, stirred[:, None], 0.0)])
        since = np.take_along_axis(since, last, axis=0)
        self.since_c = since[-1]
        still = run_s >= np.maximum(self._stuck_s, 4.0 * usual_s)
        moved_on = stirred[:, None] - since > 3.0
        # Near its end a fire hardly moves, but probes that work still differ from one reading to the next.
        brisk = course.valid & (run_s <= np.maximum(3.0, 1.5 * course.interval_s))
        most = 2 * brisk.sum(axis=1) >= np.maximum(course.valid.sum(axis=1) - 1, 1)
        odd = (since > 0.0) & (run_s >= np.maximum(self._stuck_s + 5.0, ODDLY_STILL * usual_s))
        stuck: Bools = (
            course.valid
            & still
            & (moved_on | (odd & most[:, None]))
            & (course.age_s < 1.5 * course.interval_s)
        )
        return stuck

    def _fall(self, course: Course) -> Bools:
        now = course.median_c
        n, k = now.shape
        fallen = np.zeros((n, k), np.bool_)
        if k < 2:
            return fallen

        def lost_within(seconds: int) -> Floats:
            before = course.medians_c[RATE_S - seconds : RATE_S - seconds + n]
            share: Floats = np.where(before > 120.0, 1.0 - now / np.maximum(before, 1.0), 0.0)
            return share

        lost = lost_within(25)
        # Sheathed probes take longer, but still go down when a gust's dip has passed its lowest.
        dropping = (lost > 0.45) | ((lost_within(15) > 0.33) & (lost_within(5) > 0.06))
        if not dropping.any() and not self.fallen.any():
            return fallen
        good = course.valid & ~np.isnan(lost)
        for i in range(n):
            for j in np.flatnonzero(dropping[i] | self.fallen):
                rest = good[i].copy()
                rest[j] = False
                if not rest.any():
                    continue
                others_lost = float(np.median(lost[i, rest]))
                others_c = float(np.median(now[i, rest]))
                if self.fallen[j]:
                    self.fallen[j] = now[i, j] < 0.5 * others_c
                elif others_lost < 0.15:
                    self.fallen[j] = now[i, j] < 0.6 * others_c
            fallen[i] = self.fallen
        return fallen


def _held(first: Ints, codes: Ints, where: Bools) -> Ints:
    """Codes held from where they were last given."""
    at = np.arange(1, len(codes) + 1)[:, None]
    last = np.maximum.accumulate(np.where(where, at, 0), axis=0)
    return np.take_along_axis(np.concatenate([first[None], codes]), last, axis=0)
