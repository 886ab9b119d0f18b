"""Which probes can be believed.

A fault is what no sound probe of that lag, resolution and sampling rate can show, by itself or beside the
others. It lasts as long as it shows, and a minute more.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.probes.agreement import Agreement
from logger.judgement.probes.company import Company
from logger.judgement.probes.faults import Fault
from logger.judgement.probes.signal import JUMPS, Signal
from logger.judgement.probes.still import Still
from logger.judgement.rows import Bools, kept, last_rows, run_lengths
from logger.judgement.seconds import Seconds
from logger.judgement.trend import Course
from logger.judgement.zones import Places
from logger.plan import Plan
from logger.reading import Floats, Ints, Status

CLEARS_S: Final = 60
"""How long a probe must be sound before it is believed again. [s]"""
MENDS_S: Final[dict[int, int]] = {Fault.OPEN: 300, Fault.LOOSE: 300, Fault.IMPOSSIBLE: 300}
"""The same after these faults: a contact that opens again and again doesn't mend itself. [s]"""


class ProbeWatch:
    """Watches k probes for faults.

    `stored`: the readings come from a file. A channel that is missing from it is not a dead input, as it may
    have had another logger; open inputs were marked when the file was read.
    """

    def __init__(self, plan: Plan, places: Places, *, stored: bool = False) -> None:
        k = len(plan.probes)
        settings = plan.alarms["probe_fault"]
        self.faulty = np.zeros(k, np.bool_)
        self.bad_code: Ints = np.zeros(k, np.int64)
        self.sound_s: Ints = np.full(k, max(MENDS_S.values()), np.int64)
        self.last_fault: Ints = np.zeros(k, np.int64)
        self.fell = np.zeros(k, np.bool_)
        self._surface = places.surface
        self._stored = stored
        self._for_s = float(settings["for_s"])
        self._junction_c = float(settings["cold_junction_c"])
        self.signal = Signal(places, float(settings["jump_percent"]) / 100.0, self._for_s)
        self.still = Still(float(settings["stuck_s"]), places.is_wall & ~places.surface)
        self.company = Company(places)
        self.agreement = Agreement(k)

    def run(self, course: Course, seconds: Seconds) -> tuple[Ints, Floats]:
        """Take n seconds; return what is wrong with each probe, and whether its value may be used; (n, k).

        The first is a key of `faults.WORDS`, 0 if nothing is; the second 1.0 where it has a value, and
        nothing is wrong or in doubt.
        """
        fresh, bad, signal = seconds.fresh, seconds.bad, self.signal
        # Infrared beyond its range says "hotter than I can see" and nothing more.
        failed = (bad > 0) & ~((bad == Status.RANGE) & self._surface)
        open_now = failed & ~fresh
        open_s, often = signal.contact(open_now, fresh)
        # One OPEN among good seconds is a contact that opens for a moment; a lasting one is the fault OPEN.
        opened = (failed & fresh) | (open_now & (open_s == 1.0))
        jumps = signal.loose(course, seconds, opened)
        stuck = self.still.run(course, fresh)
        found = np.zeros(fresh.shape, np.int64)
        found[seconds.cold_junction_c > self._junction_c] = Fault.HOT_JUNCTION
        found[stuck] = Fault.STUCK
        found[jumps > JUMPS] = Fault.LOOSE
        found[self._silent(course, fresh)] = Fault.SILENT
        hard = (open_s >= self._for_s) | often
        if hard.any() or failed.any():
            code = kept(self.bad_code, bad, last_rows(failed))
            found[hard & (code == Status.OPEN)] = Fault.OPEN
            found[hard & (code != Status.OPEN)] = Fault.SHORT
            self.bad_code = code[-1]
        sound = (found == 0) | (found == Fault.HOT_JUNCTION)
        value = np.where(course.valid, course.value_c, np.nan)
        around = _others(np.where(sound, value, np.nan))
        alone, dead, below, fallen, doubtful = self.company.run(course, sound)
        fallen = self._until_it_agrees(fallen, value, around)
        for where, code_ in (
            (dead, Fault.DEAD),
            (below, Fault.BELOW_AIR),
            (fallen, Fault.FALLEN),
            (alone, Fault.FLOATING),
        ):
            found[where & sound] = code_
        before = np.concatenate([self.faulty[None], found[:-1] > 0])
        lately = run_lengths(~before, self.sound_s) < CLEARS_S
        leapt, leaping = signal.leaps(course, value, around, lately)
        found[leapt & (found == 0)] = Fault.IMPOSSIBLE
        fault = self._standing(found)
        doubtful |= open_now | leaping | (jumps > JUMPS / 2)
        wrong = (fault > 0) & (fault != Fault.HOT_JUNCTION)
        trusted = (course.valid & ~wrong & ~doubtful).astype(np.float64)
        self.faulty = fault[-1] > 0
        return fault, trusted

    def _until_it_agrees(self, fallen: Bools, value: Floats, around: Floats) -> Bools:
        """Keep a probe fallen out until it agrees again: as the fire cools, the others come down to it."""
        if not (fallen.any() or self.fell.any()):
            return fallen
        stands = np.zeros_like(fallen)
        for i, new in enumerate(fallen):
            agrees = self.agreement.reached(self.fell & ~new, value[i], around[i])
            self.fell = stands[i] = new | (self.fell & ~agrees)
        return stands

    def _standing(self, found: Ints) -> Ints:
        """Keep each fault until its probe has been sound for `CLEARS_S`, or as `MENDS_S` says."""
        sound_s = run_lengths(found == 0, self.sound_s)
        code = kept(self.last_fault, found, last_rows(found > 0))
        self.sound_s = np.minimum(sound_s[-1], max(MENDS_S.values()))
        waits = np.full(code.shape, CLEARS_S)
        for fault, wait_s in MENDS_S.items():
            waits[code == fault] = wait_s
        self.last_fault = code[-1]
        stands: Ints = np.where(sound_s < waits, code, 0)
        return stands

    def _silent(self, course: Course, fresh: Bools) -> Bools:
        if self._stored:
            return np.zeros(fresh.shape, np.bool_)
        silent: Bools = (
            ~fresh
            & (course.age_s > np.maximum(self._for_s + 7.0, 3.0 * course.interval_s))
            & np.isfinite(course.age_s)
            & ~(self._surface & (course.value_c > 250.0))
            # Only while others still send: if all stop at once it is the rig.
            & fresh.any(axis=1, keepdims=True)
        )
        return silent


def _others(values: Floats) -> Floats:
    """Median of the other columns, for each column of each row; NaN where they are all NaN."""
    n, k = values.shape
    ordered = np.sort(values, axis=1)  # NaN last
    count = (~np.isnan(ordered)).sum(axis=1, keepdims=True)
    known = ~np.isnan(values)
    rank = np.argsort(np.argsort(values, axis=1), axis=1)
    rest = count - known
    found = np.full((n, k), np.nan)
    for shift in (0, 1):
        want = (rest - 1 + shift) // 2
        # Leaving a value out moves those behind it up by one.
        at = np.clip(want + (known & (rank <= want)), 0, k - 1)
        part = np.take_along_axis(ordered, at, axis=1)
        found = part if shift == 0 else 0.5 * (found + part)
    return np.where(rest > 0, found, np.nan)
