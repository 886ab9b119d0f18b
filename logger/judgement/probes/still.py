"""Values that stand still while the fire moves: judged by how the same channel moved before.

A channel's resolution, lag and noise show in how often and how far it moved. A coarse logger, a thick sheath or
a bead deep in a wall stand still for minutes, and are no fault; a channel that differed from one reading to the
next and then doesn't for twenty is stuck.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.trend import Bools, Course
from logger.reading import Floats, Ints

MEMORY_N: Final = 100.0
"""How often a channel moves is learned over so many readings."""
SURE: Final = 14.0
"""So many movements should have come and didn't: by chance once in a million times (Poisson, e**-14)."""
FAR_SHARE: Final = 0.15
"""Least share of readings that moved by two steps of the channel's resolution or more: else it may have settled
between two of them."""
TRAVEL_FORGET: Final = 0.998
TRAVEL_C: Final = 12.0
LEAST_N: Final = 8
NEVER_C: Final = 150.0
"""While others travelled so far, a channel that works moves at least by one step. [°C]"""
NEVER_S: Final = 100.0


class Still:
    """Watches k probes for values that stand.

    Parameters
    ----------
    k : int
    stuck_s : float
        A value that stands for less is none. [s]
    """

    def __init__(self, k: int, stuck_s: float) -> None:
        self.last_c: Floats = np.full(k, np.nan)
        self.level_c: Floats = np.full(k, np.nan)
        self.n: Floats = np.zeros(k)
        self.s: Floats = np.zeros(k)
        self.moves: Floats = np.zeros(k)
        self.far: Floats = np.zeros(k)
        self.read: Floats = np.zeros(k)
        self.step_c: Floats = np.full(k, np.inf)
        self.own_c: Floats = np.zeros(k)
        self.others_c = 0.0
        self.travelled_c = 0.0
        self.since_c: Floats = np.zeros(k)
        self._stuck_s = stuck_s

    def run(self, course: Course, value_c: Floats, fresh: Bools) -> Bools:
        """Take n seconds.

        Parameters
        ----------
        course : Course
        value_c : array (n, k)
            [°C]
        fresh : bool array (n, k)

        Returns
        -------
        bool array (n, k)
        """
        n = len(fresh)
        travel, own = self._travel(course)
        values = np.concatenate([self.last_c[None], course.value_c])
        moved_c = np.abs(np.diff(values, axis=0))
        self.last_c = course.value_c[-1]
        stuck = np.zeros(fresh.shape, np.bool_)
        for i in range(n):
            self._second(i, fresh[i], moved_c[i], travel[i], own[i])
            long = self.s >= self._stuck_s
            if long.any():
                stuck[i] = long & self._stuck() & course.valid[i]
        return stuck

    def _second(self, i: int, fresh: Bools, moved_c: Floats, travel_c: float, own_c: Floats) -> None:
        self.travelled_c += travel_c
        self.s += 1.0
        self.own_c = self.own_c * TRAVEL_FORGET + own_c
        self.others_c = self.others_c * TRAVEL_FORGET + travel_c
        moved = fresh & (moved_c > 1e-6)
        self.n += fresh
        if moved.any():
            self.step_c = np.where(moved, np.minimum(self.step_c, moved_c), self.step_c)
            share = np.where(moved, np.minimum(self.n / MEMORY_N, 1.0), 0.0)
            # One movement in so many readings.
            self.moves += share * (1.0 / np.maximum(self.n, 1.0) - self.moves)
            far = moved_c >= 1.9 * self.step_c
            self.far += share * (far / np.maximum(self.n, 1.0) - self.far)
            self.read += np.where(moved, self.n, 0.0)
            self.n = np.where(moved, 0.0, self.n)
            self.s = np.where(moved, 0.0, self.s)
            self.since_c = np.where(moved, self.travelled_c, self.since_c)

    def _stuck(self) -> Bools:
        since = self.travelled_c - self.since_c
        noisy = (self.read >= 30.0) & (self.far >= FAR_SHARE) & (self.n * self.moves > SURE)
        expected = since * self.own_c / max(self.others_c, 1.0)
        step = np.where(np.isfinite(self.step_c), self.step_c, 0.0)
        slow = (self.n >= LEAST_N) & (self.read >= 30.0) & (expected > np.maximum(TRAVEL_C, 12.0 * step))
        never = (self.n >= LEAST_N) & (self.s >= NEVER_S) & (since > NEVER_C)
        found: Bools = noisy | slow | never
        return found

    def _travel(self, course: Course) -> tuple[list[float], Floats]:
        """How far most probes went in each second, and how far each went."""
        levels = np.concatenate([self.level_c[None], course.level_c])
        self.level_c = course.level_c[-1]
        step_c = np.abs(np.diff(levels, axis=0))
        step_c[~course.valid | np.isnan(step_c)] = np.inf
        own = np.where(np.isfinite(step_c), step_c, 0.0)
        known = np.isfinite(step_c).sum(axis=1)
        ordered = np.sort(step_c, axis=1)
        # Of an even number the lesser one: of two probes, one that stands mustn't be outvoted by the other.
        middle: Ints = np.maximum(known - 1, 0) // 2
        travel = np.take_along_axis(ordered, middle[:, None], axis=1)[:, 0]
        return np.where(known > 1, travel, 0.0).tolist(), own
