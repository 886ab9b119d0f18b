"""Values that stand still while the fire moves, judged by how the same channel moved before.

A channel's resolution, lag and noise show in how often and how far it moved. With a coarse logger, a thick
sheath or a bead deep in a wall it may stand still for minutes without being at fault; a channel that changed
with every reading and then doesn't for twenty is stuck.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.trend import Bools, Course
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


class Still:
    """Watches k probes for values that stand still.

    Parameters
    ----------
    k : int
    stuck_s : float
        A value held for less is never stuck. [s]
    touching : bool array (k,), optional
        Which touch a wall.

    Attributes
    ----------
    read, moved, far, wide, turned : array (k,)
        Readings; movements; those by two steps or more; those by more than `DITHER`; those opposite to the
        one before. All fade by `FORGET` every `SLOT_S` readings while the channel moves.
    pace_n, pace_c : array (k,)
        Readings, and the distance covered in them; they fade by `FORGET_PACE` while the channel moves. [°C]
    drift_c : array (k,)
        Net movement in the readings of `pace_n`. [°C]
    own_c : array (k,)
    others_c : float
        Distance covered by each probe, and by most of them; they fade by `FORGET_WAY`. [°C]
    """

    def __init__(self, k: int, stuck_s: float, touching: Bools | None = None) -> None:
        self.last_c: Floats = np.full(k, np.nan)
        self.first_c: Floats = np.full(k, np.nan)
        self.level_c: Floats = np.full(k, np.nan)
        self.n: Ints = np.zeros(k, np.int64)
        self.s: Ints = np.zeros(k, np.int64)
        self.since_c: Floats = np.zeros(k)
        self.step_c: Floats = np.full(k, np.inf)
        self.read: Floats = np.zeros(k)
        self.moved: Floats = np.zeros(k)
        self.far: Floats = np.zeros(k)
        self.wide: Floats = np.zeros(k)
        self.turned: Floats = np.zeros(k)
        self.way: Floats = np.zeros(k)
        self.about_c: Floats = np.full(k, np.nan)
        self.about_n: Ints = np.zeros(k, np.int64)
        self.pace_n: Floats = np.zeros(k)
        self.pace_c: Floats = np.zeros(k)
        self.own_c: Floats = np.zeros(k)
        self.others_c = 0.0
        self.drift_c: Floats = np.zeros(k)
        self.net_c: Floats = np.zeros(k)
        self.slot: Floats = np.zeros((8, k))
        self.rest_c: Floats = np.full(k, np.nan)
        self.rest_s: Ints = np.zeros(k, np.int64)
        self.rest_n: Floats = np.zeros(k)
        self.rest_way_c: Floats = np.zeros(k)
        self.rest_net_c: Floats = np.zeros(k)
        self.rest_drift_c: Floats = np.zeros(k)
        self.rest_pace_c: Floats = np.zeros(k)
        self.rest_span_c: Floats = np.full((2, k), np.nan)
        self.slot_fresh: Floats = np.zeros(k)
        self.slot_way_c = self.slot_net_c = 0.0
        self.rests = np.zeros(k, np.bool_)
        self.stuck = np.zeros(k, np.bool_)
        self.flickers = np.zeros(k, np.bool_)
        self.seconds = 0
        self._stuck_s = stuck_s
        self._touching = np.zeros(k, np.bool_) if touching is None else touching

    def run(self, course: Course, fresh: Bools) -> Bools:
        """Take n seconds; return which probes are stuck, bool (n, k). `fresh` is bool (n, k)."""
        n, k = fresh.shape
        for j in np.flatnonzero(np.isnan(self.first_c) & fresh.any(axis=0)):
            self.first_c[j] = course.value_c[fresh[:, j].argmax(), j]
        travel_c, own_c, way_c = self._travel(course)
        step_c = np.diff(np.concatenate([self.last_c[None], course.value_c]), axis=0)
        change = np.abs(step_c)
        self.last_c = course.value_c[-1]
        moved = fresh & (change > 1e-6)
        turned = self._turns(np.sign(step_c), moved)
        step = np.minimum.accumulate(np.concatenate([self.step_c[None], np.where(moved, change, np.inf)]))
        self.step_c = step[-1]
        far = moved & (change >= 1.9 * step[1:])
        at = np.arange(1, n + 1)[:, None]
        last = np.maximum.accumulate(np.where(moved, at, 0), axis=0)
        # Readings, seconds and the others' travel since each last moved.
        reads = np.cumsum(fresh, axis=0)
        counts = np.concatenate([np.zeros((1, k), np.int64), reads])
        still_n = np.where(last > 0, reads - np.take_along_axis(counts, last, axis=0), self.n + reads)
        still_s = np.where(last > 0, at - last, self.s + at)
        since_c = _since(travel_c, last, self.since_c)
        net_c = _since(way_c, last, self.net_c)
        self.since_c, self.net_c = since_c[-1], net_c[-1]
        self.n, self.s = still_n[-1], still_s[-1]
        wide = moved & (change > DITHER * step[1:])
        about_n = self._about(course.value_c, wide, fresh, DITHER * step[1:])
        rows = [fresh, moved, far, own_c, wide, own_c, turned, np.where(moved, step_c, 0.0)]
        known, rests = self._slots(course, np.stack(rows, axis=1), travel_c, way_c, DITHER * step[1:])
        long = still_s >= self._stuck_s
        found = np.zeros((n, k), np.bool_)
        if long.any():
            turns = self._touching & (net_c * known[:, 8] < 0.0) & (still_s < TURNS_S)
            found = long & self._stuck(course, still_n, still_s, since_c, step[1:], known, turns)
        # A stuck probe stays so until it moves, whatever the others do meanwhile.
        called = np.maximum.accumulate(np.where(found, at, 0), axis=0)
        stuck: Bools = (called > last) | (self.stuck & (last == 0))
        self.stuck = stuck[-1]
        return stuck | rests | self._flickers(course, about_n, known)

    def _turns(self, way: Floats, moved: Bools) -> Bools:
        """Where a movement goes the opposite way to the one before."""
        ways = np.concatenate([self.way[None], way])
        last = np.where(moved, np.arange(1, len(moved) + 1)[:, None], 0)
        last = np.maximum.accumulate(np.concatenate([np.zeros_like(last[:1]), last]), axis=0)
        before = np.take_along_axis(ways, last, axis=0)
        self.way = before[-1]
        turned: Bools = moved & (way * before[:-1] < 0.0)
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

    def _slots(
        self, course: Course, rows: Floats, travel_c: Floats, way_c: Floats, flicker_c: Floats
    ) -> tuple[Floats, Bools]:
        """Learn how each moves.

        Returns
        -------
        known : array (n, 9, k)
            What was known in each second: readings, movements, those by two steps or more, its own distance
            and the others', movements wider than `DITHER`, pace, turns, drift.
        rests : bool array (n, k)
            Was moving, and now stays at a value but for a flicker while the others go on.
        """
        n, k = course.value_c.shape
        known, rests = np.empty((n, 9, k)), np.empty((n, k), np.bool_)
        begin = 0
        while begin < n:
            end = min(n, begin + SLOT_S - self.seconds % SLOT_S)
            part = slice(begin, end)
            known[part] = now = self._known()
            rests[part] = self.rests
            value = course.value_c[part]
            low, high = self.rest_span_c
            self.rest_span_c = np.stack([np.fmin(low, value.min(axis=0)), np.fmax(high, value.max(axis=0))])
            # Added up one by one, so that the sum doesn't depend on how the seconds were batched.
            self.slot = np.cumsum(np.concatenate([self.slot[None], rows[part]]), axis=0)[-1]
            self.slot_fresh = self.slot_fresh + rows[part, 0].sum(axis=0)
            self.slot_way_c += float(travel_c[part].sum())
            self.slot_net_c += float(way_c[part].sum())
            self.seconds += end - begin
            if self.seconds % SLOT_S == 0:
                self._rest(course.valid[end - 1], value[-1], flicker_c[end - 1], now)
                self._close_slot()
            begin = end
        return known, rests & course.valid

    def _known(self) -> Floats:
        pace_c = self.pace_c / np.maximum(self.pace_n, 1.0)
        others_c = np.full_like(pace_c, self.others_c)
        own = (self.read, self.moved, self.far, self.own_c, others_c, self.wide, pace_c)
        return np.stack([*own, self.turned, self.drift_c])

    def _rest(self, valid: Bools, value: Floats, flicker_c: Floats, known: Floats) -> None:
        """Judge at the end of a slot which probes rest."""
        band_c = np.maximum(np.where(np.isfinite(flicker_c), flicker_c, 0.0), LEAST_BAND_C)
        low, high = self.rest_span_c
        stays = valid & (low >= self.rest_c - band_c) & (high <= self.rest_c + band_c)
        share = np.minimum(known[3] / np.maximum(known[4], 1.0), 1.5)
        self.rest_c = np.where(stays, self.rest_c, value)
        self.rest_s = np.where(stays, self.rest_s + SLOT_S, 0)
        self.rest_n = np.where(stays, self.rest_n + self.slot_fresh, 0)
        self.rest_way_c = np.where(stays, self.rest_way_c + self.slot_way_c * share, 0.0)
        # Its pace before it rested: flicker since then isn't movement.
        self.rest_pace_c = np.where(stays, self.rest_pace_c, known[6])
        self.rest_net_c = np.where(stays, self.rest_net_c + self.slot_net_c, 0.0)
        self.rest_drift_c = np.where(stays, self.rest_drift_c, known[8])
        turns = self._touching & (self.rest_net_c * self.rest_drift_c < 0.0) & (self.rest_s < TURNS_S)
        least_c = RESTS * np.maximum(TRAVEL_C, band_c)
        begins = (self.rest_s >= RESTS_S) & (self.rest_n >= LEAST_N) & (self.rest_way_c > least_c)
        begins &= self.rest_pace_c * np.minimum(self.rest_n, RESTS_N) > PACE_SHARE * least_c
        # Until the fire reaches it any probe may rest.
        begins &= (known[0] >= LEARNED_N) & (value > BOILS_C[1]) & ~turns
        self.rests = stays & (self.rests | begins)
        self.rest_span_c = np.full_like(self.rest_span_c, np.nan)

    def _flickers(self, course: Course, about_n: Ints, known: Floats) -> Bools:
        """Where one stays within a step to either side, though it and others usually move by more."""
        read, wide, turned = known[:, 0], known[:, 5], known[:, 7]
        share = wide / np.maximum(read, 1.0)
        lively = course.valid & (read >= LEARNED_N) & (share >= WIDE_SHARE)
        share = np.minimum(share, TURNS * turned / np.maximum(read, 1.0))
        brisk = (lively & (about_n <= BRISK_N)).sum(axis=1)
        most = (brisk > 1) & (2 * brisk >= lively.sum(axis=1) - 1)
        begins = lively & (about_n * share > SURE) & most[:, None]
        begins &= ~(self._touching & (course.value_c >= BOILS_C[0]) & (course.value_c <= BOILS_C[1]))
        found = np.zeros(begins.shape, np.bool_)
        if begins.any() or self.flickers.any():
            for i in range(len(begins)):
                self.flickers = found[i] = (self.flickers | begins[i]) & (about_n[i] > 0)
        return found

    def _close_slot(self) -> None:
        read, moved, far, own, wide, way, turned, drift = self.slot
        full = read >= SLOT_N
        # A channel that stands still learns nothing from it: how it moved before is what counts.
        lives = full & (moved > 0.0)
        # Fades by readings, not seconds, so that a channel read every few seconds is learned as well.
        keep = FORGET ** (read / SLOT_S)
        self.read = np.where(lives, keep * self.read + read, self.read)
        self.moved = np.where(lives, keep * self.moved + moved, self.moved)
        self.far = np.where(lives, keep * self.far + far, self.far)
        self.wide = np.where(lives, keep * self.wide + wide, self.wide)
        self.turned = np.where(lives, keep * self.turned + turned, self.turned)
        keep = FORGET_PACE ** (read / SLOT_S)
        self.pace_n = np.where(lives, keep * self.pace_n + read, self.pace_n)
        self.pace_c = np.where(lives, keep * self.pace_c + way, self.pace_c)
        self.drift_c = np.where(lives, keep * self.drift_c + drift, self.drift_c)
        self.own_c = FORGET_WAY * self.own_c + own
        self.others_c = FORGET_WAY * self.others_c + self.slot_way_c
        self.slot = np.where(full, 0.0, self.slot)
        self.slot[3] = 0.0
        self.slot_fresh, self.slot_way_c, self.slot_net_c = np.zeros_like(self.slot_fresh), 0.0, 0.0

    def _stuck(
        self,
        course: Course,
        still_n: Ints,
        still_s: Ints,
        since_c: Floats,
        step_c: Floats,
        known: Floats,
        turns: Bools,
    ) -> Bools:
        read, moved, far, own_c, others_c = (known[:, i] for i in range(5))
        valid = course.valid
        # When flames die everything moves less, so others as lively must still change with every reading.
        lively = valid & (read >= LEARNED_N) & (far >= FAR_SHARE * read)
        brisk = (lively & (still_n <= BRISK_N)).sum(axis=1)
        most = (brisk > 1) & (2 * brisk >= lively.sum(axis=1) - 1)
        hot = np.where(valid, course.value_c, -np.inf).max(axis=1, initial=-np.inf) > WARM_C
        share = np.minimum(moved, TURNS * known[:, 7]) / np.maximum(read, 1.0)
        learned = read >= LEARNED_N
        noisy = lively & (still_n * share > SURE) & (most & hot)[:, None]
        step = np.where(np.isfinite(step_c), step_c, 0.0)
        # At most half as far again as the others: any more was flicker, and flames die.
        expected = since_c * np.minimum(own_c / np.maximum(others_c, 1.0), 1.5)
        least_c = np.maximum(TRAVEL_C, 12.0 * step)
        slow = learned & (still_n >= LEAST_N) & (expected > least_c)
        slow &= known[:, 6] * still_n > PACE_SHARE * least_c
        boils = (course.value_c >= BOILS_C[0]) & (course.value_c <= BOILS_C[1])
        slow &= ~boils
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

    def _travel(self, course: Course) -> tuple[Floats, Floats, Floats]:
        """Distance most probes went each second (n,), each probe's (n, k), and most probes' change (n,)."""
        levels = np.concatenate([self.level_c[None], course.level_c])
        self.level_c = course.level_c[-1]
        way_c = np.diff(levels, axis=0)
        step_c = np.abs(way_c)
        step_c[~course.valid | np.isnan(step_c)] = np.inf
        own = np.where(np.isfinite(step_c), step_c, 0.0)
        known = np.isfinite(step_c).sum(axis=1)
        ordered = np.sort(step_c, axis=1)
        # Of an even number the smaller: of two probes the one that stands mustn't be outvoted by the other.
        middle: Ints = np.maximum(known - 1, 0) // 2
        travel = np.take_along_axis(ordered, middle[:, None], axis=1)[:, 0]
        ways = np.sort(np.where(np.isfinite(step_c), way_c, np.inf), axis=1)
        net = np.take_along_axis(ways, middle[:, None], axis=1)[:, 0]
        travel, net = (np.rint(np.where(known > 1, c, 0.0) * FINE) / FINE for c in (travel, net))
        return travel, own, net


def _since(way_c: Floats, last: Ints, before_c: Floats) -> Floats:
    """How far most probes have gone since each last moved; (n, k)."""
    total_c = np.concatenate([[0.0], np.cumsum(way_c)])
    since_c: Floats = total_c[1:, None] - total_c[last] + np.where(last > 0, 0.0, before_c)
    return since_c
