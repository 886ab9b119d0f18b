"""Which probes can be believed: open, shorted, noisy, stuck, fallen out, or with a terminal block too hot."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.judgement.trend import Trend
from logger.judgement.zones import Places
from logger.plan import Plan
from logger.reading import Floats, Ints, Status

Bools = NDArray[np.bool_]

NOISY_N: Final = 3.2
"""So many jumps, each forgotten within some 20 s, are a loose terminal."""
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
        self.moved_c: Floats = np.zeros(k)
        self.last_c: Floats = np.full(k, np.nan)
        self.last_level_c: Floats = np.full(k, np.nan)
        self.fallen = np.zeros(k, bool)
        self.bad_code: Ints = np.zeros(k, np.int64)
        self._surface = places.surface
        self._for_s = float(settings["for_s"])
        self._stuck_s = float(settings["stuck_s"])
        self._jump = float(settings["jump_percent"]) / 100.0
        self._junction_c = float(settings["cold_junction_c"])

    def step(
        self,
        trend: Trend,
        value_c: Floats,
        count: Ints,
        bad: Ints,
        swing_c: Floats,
        cold_junction_c: Floats,
    ) -> None:
        """Take a second.

        Parameters
        ----------
        trend : Trend
            After its own step.
        value_c : array (k,)
            Mean of the second's good readings. [°C]
        count, bad : int array (k,)
            Number of good readings; the worst status among the others, 0 if none.
        swing_c : array (k,)
            Between the second's highest and lowest reading. [°C]
        cold_junction_c : array (k,)
            NaN where unknown. [°C]
        """
        fresh = count > 0
        # Infrared beyond its range says 'hotter than I can see', no more.
        failed = (bad > 0) & ~((bad == Status.RANGE) & self._surface)
        np.copyto(self.bad_code, bad, where=failed)
        silent = (
            ~fresh
            & (trend.age_s > np.maximum(self._for_s + 7.0, 3.0 * trend.interval_s))
            & np.isfinite(trend.age_s)
            & ~(self._surface & (trend.value_c > 250.0))
        )
        open_now = failed & ~fresh
        self._stay_bad(open_now, fresh)
        self._count_jumps(trend, fresh, failed, swing_c)
        stuck = self._stuck(trend, value_c, fresh)
        self._fall(trend)
        noisy = self.jumps > NOISY_N
        fault = np.zeros_like(self.fault)
        fault[cold_junction_c > self._junction_c] = HOT_JUNCTION
        fault[self.fallen] = FALLEN
        fault[stuck] = STUCK
        fault[noisy] = NOISY
        # Only where others still send: all of them at once is the rig.
        if fresh.any():
            fault[silent] = SILENT
        hard = self.open_s >= self._for_s
        if hard.any():
            is_open = self.bad_code == Status.OPEN
            fault[hard & is_open] = OPEN
            fault[hard & ~is_open] = SHORT
        self.fault = fault
        doubtful = (fault > 0) & (fault != HOT_JUNCTION)
        self.trusted = (trend.valid & ~open_now & ~doubtful & (self.jumps < NOISY_N / 2)).astype(np.float64)

    def _stay_bad(self, open_now: Bools, fresh: Bools) -> None:
        # Seconds between the frames of a slow rig count as well.
        self.open_s = np.where(fresh, 0.0, np.where(open_now | (self.open_s > 0.0), self.open_s + 1.0, 0.0))

    def _count_jumps(self, trend: Trend, fresh: Bools, failed: Bools, swing_c: Floats) -> None:
        self.jumps *= _FORGET
        off = np.abs(trend.value_c - trend.median_c)
        limit = 20.0 + self._jump * np.maximum(trend.median_c, 0.0)
        jumped = (fresh & ((off > limit) | (swing_c > 1.5 * limit))) | (failed & fresh)
        self.jumps += jumped
        # One OPEN among good seconds is a contact that opens; a lasting one is called open.
        self.jumps += failed & ~fresh & (self.open_s == 1.0)

    def _stuck(self, trend: Trend, value_c: Floats, fresh: Bools) -> Bools:
        moved = fresh & (np.abs(value_c - self.last_c) > 1e-6)
        step_c = np.abs(trend.level_c - self.last_level_c)
        self.last_level_c = trend.level_c
        known = step_c[trend.valid & ~np.isnan(step_c)]
        others_c = float(np.sort(known)[len(known) // 2]) if len(known) else 0.0
        ended = np.where(moved, self.run_s, 0.0)
        self.usual_s = np.maximum(self.usual_s * 0.9985, np.minimum(ended, 60.0))
        self.run_s += 1.0
        self.moved_c += others_c
        self.run_s[moved] = 0.0
        self.moved_c[moved] = 0.0
        np.copyto(self.last_c, value_c, where=fresh)
        stuck: Bools = (
            trend.valid
            & (self.run_s >= np.maximum(self._stuck_s, 4.0 * self.usual_s))
            & (self.moved_c > 3.0)
            & (trend.age_s < 1.5 * trend.interval_s)
        )
        return stuck

    def _fall(self, trend: Trend) -> None:
        if len(self.fault) < 2:
            return
        now = trend.median_c
        window = trend.fast
        before = window.ago(25)
        lost = 1.0 - now / np.maximum(before, 1.0)
        dropping = (lost > 0.45) & (before > 120.0)
        if not dropping.any() and not self.fallen.any():
            return
        good = trend.valid & ~np.isnan(lost)
        for j in np.flatnonzero(dropping | self.fallen):
            rest = good.copy()
            rest[j] = False
            if not rest.any():
                continue
            others_lost = float(np.median(lost[rest]))
            others_c = float(np.median(now[rest]))
            if self.fallen[j]:
                self.fallen[j] = now[j] < 0.5 * others_c
            elif dropping[j] and others_lost < 0.15:
                self.fallen[j] = now[j] < 0.6 * others_c
