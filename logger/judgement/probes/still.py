"""Values that stand still while the fire moves, judged by how the same channel moved before.

A channel's resolution, lag and noise show in how often and how far it moved. With a coarse logger, a thick
sheath or a bead deep in a wall it may stand still for minutes without being at fault; a channel that changed
with every reading and then doesn't for twenty is stuck.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.rows import Bools, kept, last_rows, run_lengths, since_begun
from logger.judgement.trend import Course
from logger.reading import Floats, Ints

SLOT_S: Final = 10
FINE: Final = 2.0**20
"""Distances are added up in exact fractions of a degree, so that the batching of seconds changes nothing."""
FORGET: Final = 0.9
"""How often a channel moves is learned over some hundred readings, or seconds, in which it does; what was
learned fades by this every `SLOT_S` readings."""
LEARNED_N: Final = 30.0
"""Readings needed before anything is known about a channel."""
SURE: Final = 14.0
"""Movements that should have come and didn't: by chance once in a million times (Poisson, e**-14)."""
FAR_SHARE: Final = 0.15
"""Least share of readings that moved by two steps of the channel's resolution or more; with fewer it may have
settled between two steps."""
TURNS: Final = 2.0
"""Noise reverses at half of its movements or more. A reading that only rises or falls may come to rest: where
water boils, or when a wall is at its hottest."""
DITHER: Final = 2.1
"""A stuck input may still flicker by one step of its resolution to either side, no farther. [steps]"""
WIDE_SHARE: Final = 0.3
"""Least share of readings that moved farther than that; with fewer the fire may be just as still. The share
fades while the channel stands, as it does for a wall coming to rest."""
FORGET_WAY: Final = 0.98
"""How far each moves beside the others is learned over some eight minutes."""
TRAVEL_C: Final = 12.0
FORGET_PACE: Final = 0.7
PACE_SHARE: Final = 0.5
"""A stuck channel went half as far in as many readings before it stood as it should have since. One that
boils, or turns from rising to falling, had already slowed to rest."""
LEAST_BAND_C: Final = 0.5
"""A reading that stays nearer to a value than this is at rest, whatever its resolution. [°C]"""
RESTS: Final = 2.5
"""A channel that rests but for a flicker should have gone this many times as far as one that doesn't move."""
RESTS_S: Final = 60
"""Flames pause for less. [s]"""
RESTS_N: Final = 60
"""It must also have been moving fast enough to go half that far within this many readings."""
BOILS_C: Final = (92.0, 101.5)
"""A bead in wet clay stays here until the water is gone, at any altitude up to 2300 m. From memory. [°C]"""
BOILS_S: Final = 1800
WAITS_S: Final = 3600
"""How long a bead in a wall may hold one value while its water boils, or before any warmth has reached it.
[s]"""
TURNS_S: Final = 300
"""How long a wall that was rising when the others began to fall, or the other way round, may stand before it
turns. [s]"""
SLOT_N: Final = 8
"""Readings from which a channel's movement is learned at a time: one read every 15 s stands in most slots."""
LEAST_N: Final = 8
BRISK_N: Final = 5
"""A channel that moved within this many readings counts as one that changes from reading to reading."""
WARM_C: Final = 100.0
"""Where nothing is warmer there is no fire that could move. [°C]"""
NEVER_C: Final = 150.0
"""While the others travel this far, a working channel moves by at least one step. [°C]"""
NEVER_S: Final = 100.0


READ, MOVED, FAR, WIDE, TURNED, PACE_N, PACE_C, DRIFT, OWN, OTHERS = range(10)
"""What is known of a channel: readings; movements; those by two steps or more; those by more than `DITHER`;
those opposite to the one before; readings, the distance covered in them, and the net movement; how far it and
most of them went. The first five fade by `FORGET`, the next three by `FORGET_PACE` while it moves, the last
two by `FORGET_WAY`. Distances are in °C."""
_FADES: Final = np.array([FORGET] * 5 + [FORGET_PACE] * 3)[:, None]


class Still:
    """Watches k probes for values that stand still.

    A value held for less than `stuck_s` is never stuck; `touching` (k,): which touch a wall.
    """

    def __init__(self, stuck_s: float, touching: Bools) -> None:
        k = len(touching)
        self.last_c: Floats = np.full(k, np.nan)
        self.first_c: Floats = np.full(k, np.nan)
        self.level_c: Floats = np.full(k, np.nan)
        self.step_c: Floats = np.full(k, np.inf)
        self.way: Floats = np.zeros(k)
        # Since each last moved: readings, seconds, how far most went, and their net movement.
        self.n: Ints = np.zeros(k, np.int64)
        self.s: Ints = np.zeros(k, np.int64)
        self.since_c: Floats = np.zeros((2, k))
        self.about_c: Floats = np.full(k, np.nan)
        self.about_n: Ints = np.zeros(k, np.int64)
        self.known: Floats = np.zeros((10, k))
        # The same in this slot, up to `OWN`; then readings, and what most did.
        self.slot: Floats = np.zeros((9, k))
        self.slot_fresh: Floats = np.zeros(k)
        self.slot_c: Floats = np.zeros(2)
        self.rest_c: Floats = np.full(k, np.nan)
        self.rest_s: Ints = np.zeros(k, np.int64)
        self.rest_n: Floats = np.zeros(k)
        self.rest_way_c: Floats = np.zeros(k)
        self.rest_net_c: Floats = np.zeros(k)
        self.rest_drift_c: Floats = np.zeros(k)
        self.rest_pace_c: Floats = np.zeros(k)
        self.rest_span_c: Floats = np.full((2, k), np.nan)
        self.rests = np.zeros(k, np.bool_)
        self.stuck = np.zeros(k, np.bool_)
        self.flickers = np.zeros(k, np.bool_)
        self.seconds = 0
        self._stuck_s = stuck_s
        self._touching = touching

    def run(self, course: Course, fresh: Bools) -> Bools:
        """Take n seconds; return which probes are stuck, bool (n, k). `fresh` is bool (n, k)."""
        for j in np.flatnonzero(np.isnan(self.first_c) & fresh.any(axis=0)):
            self.first_c[j] = course.value_c[fresh[:, j].argmax(), j]
        most_c, own_c = self._travel(course)
        change_c = np.diff(np.concatenate([self.last_c[None], course.value_c]), axis=0)
        change = np.abs(change_c)
        self.last_c = course.value_c[-1]
        moved = fresh & (change > 1e-6)
        turned = self._turns(np.sign(change_c), moved)
        step = np.concatenate([self.step_c[None], np.where(moved, change, np.inf)])
        step = np.minimum.accumulate(step)[1:]
        self.step_c = step[-1]
        last = last_rows(moved)
        reads = np.cumsum(fresh, axis=0)
        still_n, still_s = reads - kept(-self.n, reads, last), run_lengths(~moved, self.s)
        since_c, net_c = (_since(c, last, before) for c, before in zip(most_c, self.since_c, strict=True))
        self.n, self.s, self.since_c = still_n[-1], still_s[-1], np.stack([since_c[-1], net_c[-1]])
        wide = moved & (change > DITHER * step)
        about_n = self._about(course.value_c, wide, fresh, DITHER * step)
        far = moved & (change >= 1.9 * step)
        rows = [fresh, moved, far, wide, turned, fresh, own_c, np.where(moved, change_c, 0.0), own_c]
        known, rests = self._slots(course, np.stack(rows, axis=1), most_c, DITHER * step)
        turns = self._touching & (net_c * known[DRIFT] < 0.0) & (still_s < TURNS_S)
        found = still_s >= self._stuck_s
        if found.any():
            found &= self._stands(course, still_n, still_s, since_c, step, known, turns)
        # A stuck probe stays so until it moves, whatever the others do meanwhile.
        stuck = since_begun(found, moved, self.stuck)
        self.stuck = stuck[-1]
        return stuck | rests | self._flickers(course, about_n, known)

    def _turns(self, way: Floats, moved: Bools) -> Bools:
        """Where a movement goes the opposite way to the one before."""
        ways = kept(self.way, way, last_rows(moved))
        before = np.concatenate([self.way[None], ways[:-1]])
        self.way = ways[-1]
        turned: Bools = moved & (way * before < 0.0)
        return turned

    def _about(self, value_c: Floats, wide: Bools, fresh: Bools, most_c: Floats) -> Ints:
        """How many readings each has stayed around one value."""
        about_n = np.empty(fresh.shape, np.int64)
        for j in range(len(self.about_n)):
            now, n, counts = float(self.about_c[j]), int(self.about_n[j]), []
            columns = (value_c[:, j], wide[:, j], most_c[:, j], fresh[:, j])
            for value, left, most, new in zip(*(column.tolist() for column in columns), strict=True):
                if left or not abs(value - now) <= most:
                    now, n = value, 0
                else:
                    n += new
                counts.append(n)
            about_n[:, j], self.about_c[j], self.about_n[j] = counts, now, n
        return about_n

    def _slots(self, course: Course, rows: Floats, most_c: Floats, flicker_c: Floats) -> tuple[Floats, Bools]:
        """Learn how each moves; return what was known in each second, and which were at rest.

        `rows` (n, 9, k) is added to `slot`, `most_c` (2, n) to `slot_c`. Known is (10, n, k). At rest (n, k):
        was moving, and now stays at a value but for a flicker while the others go on.
        """
        n, k = course.value_c.shape
        known, rests = np.empty((10, n, k)), np.empty((n, k), np.bool_)
        begin = 0
        while begin < n:
            end = min(n, begin + SLOT_S - self.seconds % SLOT_S)
            part = slice(begin, end)
            known[:, part], rests[part] = self.known[:, None], self.rests
            value = course.value_c[part]
            low, high = self.rest_span_c
            self.rest_span_c = np.stack([np.fmin(low, value.min(axis=0)), np.fmax(high, value.max(axis=0))])
            # Added up one by one, so that the sum doesn't depend on how the seconds were batched.
            self.slot = np.cumsum(np.concatenate([self.slot[None], rows[part]]), axis=0)[-1]
            self.slot_fresh = self.slot_fresh + rows[part, READ].sum(axis=0)
            self.slot_c = self.slot_c + most_c[:, part].sum(axis=1)
            self.seconds += end - begin
            if self.seconds % SLOT_S == 0:
                self._rest(course.valid[end - 1], value[-1], flicker_c[end - 1])
                self._close_slot()
            begin = end
        return known, rests & course.valid

    def _rest(self, valid: Bools, value: Floats, flicker_c: Floats) -> None:
        """Judge at the end of a slot which probes rest."""
        known = self.known
        band_c = np.maximum(np.where(np.isfinite(flicker_c), flicker_c, 0.0), LEAST_BAND_C)
        low, high = self.rest_span_c
        stays = valid & (low >= self.rest_c - band_c) & (high <= self.rest_c + band_c)
        way_c, net_c = self.slot_c
        self.rest_c = np.where(stays, self.rest_c, value)
        self.rest_s = np.where(stays, self.rest_s + SLOT_S, 0)
        self.rest_n = np.where(stays, self.rest_n + self.slot_fresh, 0)
        self.rest_way_c = np.where(stays, self.rest_way_c + way_c * _share(known), 0.0)
        # Its pace before it rested: flicker since then isn't movement.
        self.rest_pace_c = np.where(stays, self.rest_pace_c, _pace_c(known))
        self.rest_net_c = np.where(stays, self.rest_net_c + net_c, 0.0)
        self.rest_drift_c = np.where(stays, self.rest_drift_c, known[DRIFT])
        turns = self._touching & (self.rest_net_c * self.rest_drift_c < 0.0) & (self.rest_s < TURNS_S)
        least_c = RESTS * np.maximum(TRAVEL_C, band_c)
        begins = (self.rest_s >= RESTS_S) & (self.rest_n >= LEAST_N) & (self.rest_way_c > least_c)
        begins &= self.rest_pace_c * np.minimum(self.rest_n, RESTS_N) > PACE_SHARE * least_c
        # Until the fire reaches it any probe may rest.
        begins &= (known[READ] >= LEARNED_N) & (value > BOILS_C[1]) & ~turns
        self.rests = stays & (self.rests | begins)
        self.rest_span_c = np.full_like(self.rest_span_c, np.nan)

    def _close_slot(self) -> None:
        read = self.slot[READ]
        full = read >= SLOT_N
        # A channel that stands still learns nothing from it: how it moved before is what counts.
        lives = full & (self.slot[MOVED] > 0.0)
        # Fades by readings, not seconds, so that a channel read every few seconds is learned as well.
        habits = _FADES ** (read / SLOT_S) * self.known[:OWN] + self.slot[:OWN]
        self.known[:OWN] = np.where(lives, habits, self.known[:OWN])
        self.known[OWN] = FORGET_WAY * self.known[OWN] + self.slot[OWN]
        self.known[OTHERS] = FORGET_WAY * self.known[OTHERS] + self.slot_c[0]
        self.slot = np.where(full, 0.0, self.slot)
        self.slot[OWN], self.slot_fresh, self.slot_c = 0.0, np.zeros_like(read), np.zeros(2)

    def _flickers(self, course: Course, about_n: Ints, known: Floats) -> Bools:
        """Where one stays within a step to either side, though it and others usually move by more."""
        read = np.maximum(known[READ], 1.0)
        share = known[WIDE] / read
        lively = course.valid & (known[READ] >= LEARNED_N) & (share >= WIDE_SHARE)
        share = np.minimum(share, TURNS * known[TURNED] / read)
        begins = lively & (about_n * share > SURE) & _most(lively, about_n)[:, None]
        begins &= ~(self._touching & _boils(course))
        found = since_begun(begins & (about_n > 0), about_n == 0, self.flickers)
        self.flickers = found[-1]
        return found

    def _stands(
        self,
        course: Course,
        still_n: Ints,
        still_s: Ints,
        since_c: Floats,
        step_c: Floats,
        known: Floats,
        turns: Bools,
    ) -> Bools:
        """Where a value that has long stood should have moved."""
        valid, read = course.valid, known[READ]
        learned = read >= LEARNED_N
        # When flames die everything moves less, so others as lively must still change with every reading.
        lively = valid & learned & (known[FAR] >= FAR_SHARE * read)
        hot = np.where(valid, course.value_c, -np.inf).max(axis=1, initial=-np.inf) > WARM_C
        share = np.minimum(known[MOVED], TURNS * known[TURNED]) / np.maximum(read, 1.0)
        noisy = lively & (still_n * share > SURE) & (_most(lively, still_n) & hot)[:, None]
        step = np.where(np.isfinite(step_c), step_c, 0.0)
        least_c = np.maximum(TRAVEL_C, 12.0 * step)
        boils = _boils(course)
        slow = learned & (still_n >= LEAST_N) & (since_c * _share(known) > least_c)
        slow &= (_pace_c(known) * still_n > PACE_SHARE * least_c) & ~boils
        never = (still_n >= LEAST_N) & (still_s >= NEVER_S) & (since_c > NEVER_C)
        # A bead deep in a thick wall stands until warmth reaches it, and while its water boils; `Company`
        # finds walls that stay too cold.
        cold = (np.abs(course.value_c - self.first_c) < TRAVEL_C) & (still_s < WAITS_S)
        never &= ~(self._touching & (cold | boils & (still_s < BOILS_S)))
        # Where others are as cold as before the fire it sits in fresh air, which may hold as steady as the
        # weather; but it has moved once.
        fresh_air = cold & ~self._touching & np.isfinite(step_c) & (cold.sum(axis=1) > 1)[:, None]
        found: Bools = valid & (noisy | (slow | never) & ~turns) & ~fresh_air
        return found

    def _travel(self, course: Course) -> tuple[Floats, Floats]:
        """Distance and net movement of most probes each second (2, n), and each probe's distance (n, k)."""
        way_c = np.diff(np.concatenate([self.level_c[None], course.level_c]), axis=0)
        self.level_c = course.level_c[-1]
        there = course.valid & ~np.isnan(way_c)
        known = there.sum(axis=1)
        # Of an even number the smaller: of two probes the one that stands mustn't be outvoted by the other.
        middle: Ints = np.maximum(known - 1, 0) // 2
        ways = np.sort(np.where(there, np.stack([np.abs(way_c), way_c]), np.inf), axis=2)
        most_c = np.where(known > 1, ways[:, np.arange(len(middle)), middle], 0.0)
        return np.rint(most_c * FINE) / FINE, np.where(there, np.abs(way_c), 0.0)


def _since(way_c: Floats, last: Ints, before_c: Floats) -> Floats:
    """How far most probes have gone since each last moved; (n, k)."""
    total_c = np.broadcast_to(np.cumsum(way_c)[:, None], last.shape)
    return total_c - kept(-before_c, total_c, last)


def _share(known: Floats) -> Floats:
    """How far each goes when most go one degree; at most half as far again, as more was flicker, and flames
    die.
    """
    share: Floats = np.minimum(known[OWN] / np.maximum(known[OTHERS], 1.0), 1.5)
    return share


def _pace_c(known: Floats) -> Floats:
    """How far each goes from one reading to the next [°C]."""
    pace_c: Floats = known[PACE_C] / np.maximum(known[PACE_N], 1.0)
    return pace_c


def _boils(course: Course) -> Bools:
    """Where the water in a wall may be boiling."""
    boils: Bools = (course.value_c >= BOILS_C[0]) & (course.value_c <= BOILS_C[1])
    return boils


def _most(lively: Bools, still_n: Ints) -> Bools:
    """Where at least half of the lively ones, and two, still move; (n,)."""
    brisk = (lively & (still_n <= BRISK_N)).sum(axis=1)
    most: Bools = (brisk > 1) & (2 * brisk >= lively.sum(axis=1) - 1)
    return most
