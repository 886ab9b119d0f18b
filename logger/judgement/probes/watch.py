"""Which probes can be believed.

A fault is what no sound probe of that lag, resolution and sampling rate can show, by itself or beside the
others. It lasts as long as it shows, and a minute more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.judgement.probes.agreement import Agreement
from logger.judgement.probes.company import Company
from logger.judgement.probes.faults import (
    BELOW_AIR,
    DEAD,
    FALLEN,
    FLOATING,
    HOT_JUNCTION,
    IMPOSSIBLE,
    LOOSE,
    OPEN,
    SHORT,
    SILENT,
    STUCK,
)
from logger.judgement.probes.signal import JUMPS, Signal
from logger.judgement.probes.still import Still
from logger.judgement.runs import run_lengths
from logger.judgement.trend import RATE_S, Bools, Course
from logger.judgement.zones import Places
from logger.plan import Plan
from logger.reading import Floats, Ints, Status

CLEARS_S: Final = 60
"""How long a probe must be sound before it is believed again. [s]"""
MENDS_S: Final[dict[int, int]] = {OPEN: 300, LOOSE: 300, IMPOSSIBLE: 300}
"""The same after these faults: a contact that opens again and again doesn't mend itself. [s]"""


@dataclass(frozen=True, slots=True)
class Seconds:
    """Readings of k probes gathered into n whole seconds.

    Attributes
    ----------
    value_c : array (n, k)
        Mean of the good readings; NaN if none. [°C]
    fresh : bool array (n, k)
        There were good readings.
    bad : int array (n, k)
        The worst status among the others; 0 if none.
    swing_c : array (n, k)
        Highest minus lowest good reading. [°C]
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
        """The seconds from a up to b, b not included."""
        value, fresh, bad, swing, junction = self.columns()
        return Seconds(value[a:b], fresh[a:b], bad[a:b], swing[a:b], junction[a:b])


class ProbeWatch:
    """Watches k probes for faults.

    Parameters
    ----------
    plan : Plan
    places : Places
    stored : bool, default False
        The readings come from a file. A channel that is missing from it is not a dead input, as it may have
        had another logger; open inputs were marked when the file was read.

    Attributes
    ----------
    fault : int array (k,)
        What is wrong with each, a key of `faults.WORDS`; 0 if nothing.
    trusted : float array (k,)
        1.0 where a probe's value may be used: it has one, and nothing is wrong or in doubt.
    """

    def __init__(self, plan: Plan, places: Places, *, stored: bool = False) -> None:
        k = len(plan.probes)
        settings = plan.alarms["probe_fault"]
        self.fault: Ints = np.zeros(k, np.int64)
        self.trusted: Floats = np.zeros(k)
        self.bad_code: Ints = np.zeros(k, np.int64)
        self.sound_s: Ints = np.full(k, max(MENDS_S.values()), np.int64)
        self.last_fault: Ints = np.zeros(k, np.int64)
        self.fell = np.zeros(k, np.bool_)
        self._surface = places.surface
        self._stored = stored
        self._for_s = float(settings["for_s"])
        self._junction_c = float(settings["cold_junction_c"])
        self._leapt, self._agreement = Agreement(k), Agreement(k)
        self._signal = Signal(places, float(settings["jump_percent"]) / 100.0, self._for_s, self._leapt)
        self._still = Still(k, float(settings["stuck_s"]), places.is_wall & ~places.surface)
        self._company = Company(places)

    def parts(self) -> dict[str, Any]:
        """The parts that keep a memory, by name, for a snapshot."""
        alone = {"signal": self._signal, "still": self._still, "company": self._company}
        return {**alone, "leapt": self._leapt, "fell": self._agreement}

    def run(self, course: Course, seconds: Seconds) -> tuple[Ints, Floats]:
        """Take n seconds.

        Returns
        -------
        fault : int array (n, k)
            A key of `faults.WORDS`; 0 if nothing is wrong.
        trusted : float array (n, k)
        """
        fresh, bad, signal = seconds.fresh, seconds.bad, self._signal
        # Infrared beyond its range says "hotter than I can see" and nothing more.
        failed = (bad > 0) & ~((bad == Status.RANGE) & self._surface)
        open_now = failed & ~fresh
        open_s, often = signal.contact(open_now, fresh)
        # One OPEN among good seconds is a contact that opens for a moment; a lasting one is the fault OPEN.
        opened = (failed & fresh) | (open_now & (open_s == 1.0))
        jumps, *leaps = signal.loose(course, seconds.value_c, fresh, seconds.swing_c, opened)
        stuck = self._still.run(course, fresh)
        found = np.zeros(fresh.shape, np.int64)
        found[seconds.cold_junction_c > self._junction_c] = HOT_JUNCTION
        found[stuck] = STUCK
        found[jumps > JUMPS] = LOOSE
        found[self._silent(course, fresh)] = SILENT
        hard = (open_s >= self._for_s) | often
        if hard.any() or failed.any():
            code = _held(self.bad_code, bad, failed)
            found[hard & (code == Status.OPEN)] = OPEN
            found[hard & (code != Status.OPEN)] = SHORT
            self.bad_code = code[-1]
        sound = (found == 0) | (found == HOT_JUNCTION)
        value = np.where(course.valid, course.value_c, np.nan)
        around = _others(np.where(sound, value, np.nan))
        alone, dead, below, fallen, doubtful = self._company.run(course, sound)
        fallen = self._until_it_agrees(fallen, value, around)
        for where, code_ in ((dead, DEAD), (below, BELOW_AIR), (fallen, FALLEN), (alone, FLOATING)):
            found[where & sound] = code_
        leapt, leaping = self._leaps(course, leaps, found, value, around)
        found[leapt & (found == 0)] = IMPOSSIBLE
        fault = self._standing(found)
        doubtful |= open_now | leaping | (jumps > JUMPS / 2)
        wrong = (fault > 0) & (fault != HOT_JUNCTION)
        trusted = (course.valid & ~wrong & ~doubtful).astype(np.float64)
        self.fault, self.trusted = fault[-1], trusted[-1]
        return fault, trusted

    def _until_it_agrees(self, fallen: Bools, value: Floats, around: Floats) -> Bools:
        """Keep a probe fallen out until it agrees again: as the fire cools, the others come down to it."""
        if not (fallen.any() or self.fell.any()):
            return fallen
        stands = np.zeros_like(fallen)
        for i, new in enumerate(fallen):
            agrees = self._agreement.reached(self.fell & ~new, value[i], around[i])
            self.fell = stands[i] = new | (self.fell & ~agrees)
        return stands

    def _leaps(
        self, course: Course, leaps: list[Floats], found: Ints, value: Floats, around: Floats
    ) -> tuple[Bools, Bools]:
        n = len(found)
        change_c, gap_s, edge_c = leaps
        # Measured from the median of the seconds before, so that coming back from a spike is no leap.
        step_c = np.where(~np.isnan(gap_s), value - course.medians_c[RATE_S - 1 : RATE_S - 1 + n], np.nan)
        before = np.concatenate([(self.fault > 0)[None], found[:-1] > 0])
        lately = run_lengths(~before, self.sound_s) < CLEARS_S
        return self._signal.leaps(step_c, change_c, gap_s, edge_c, value, around, lately)

    def _standing(self, found: Ints) -> Ints:
        """Keep each fault until its probe has been sound for `CLEARS_S`, or as `MENDS_S` says."""
        sound_s = run_lengths(found == 0, self.sound_s)
        code = _held(self.last_fault, found, found > 0)
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


def _held(first: Ints, codes: Ints, where: Bools) -> Ints:
    """Codes held since they were last given."""
    at = np.arange(1, len(codes) + 1)[:, None]
    last = np.maximum.accumulate(np.where(where, at, 0), axis=0)
    return np.take_along_axis(np.concatenate([first[None], codes]), last, axis=0)
