"""Which readings the estimate may believe: jumps, probes that fell out of the fire, values that stick.

An amplifier tells of a broken or shorted couple itself. What it can't tell is that a probe hangs in the cold
air beside the fire, or that a loose terminal eats part of its voltage.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.reading import Floats

Bools = NDArray[np.bool_]

AMBIENT_C: Final = 20.0
MEMORY_S: Final = 10.0
"""A jump is measured from the running mean over this time."""
STUCK_S: Final = 15.0
STUCK_ABOVE_C: Final = 150.0
"""A fire never holds a reading to the last digit for so long; a cold load may."""
CALM_C: Final = 25.0
AGREED_S: Final = 20.0
AGREED_WALL_S: Final = 120.0
"""How long a probe that was off must have agreed before it is believed again."""


class Credibility:
    """Keeps, for z zones with up to p probes, which of them can be believed. Numbers are common practice.

    Parameters
    ----------
    is_wall : bool array, shape (z, p)
        Probes that touch a wall.
    is_probe : bool array, shape (z, p)
        Places that are filled.
    """

    STATE: Final = ("off", "by_fire", "stuck", "tracked_c", "agreed_s", "last_c", "same_s", "since_s")
    """Attributes that change; all else follows from what it was made of."""

    def __init__(self, is_wall: Bools, is_probe: Bools) -> None:
        self.is_wall, self.is_probe = is_wall, is_probe
        shape = is_wall.shape
        self.off = np.zeros(shape, dtype=np.bool_)
        self.by_fire = np.zeros(shape, dtype=np.bool_)
        self.stuck = np.zeros(shape, dtype=np.bool_)
        self.tracked_c = np.full(shape, np.nan)
        self.agreed_s = np.zeros(shape)
        self.last_c = np.full(shape, np.nan)
        self.same_s = np.zeros(shape)
        self.since_s = np.zeros(shape)

    def judge(
        self,
        reading_c: Floats,
        dt_s: float,
        wall_c: Floats,
        wall_u_c: Floats,
        says_c: Floats,
        says_u_c: Floats,
    ) -> Bools:
        """Take the readings of one instant and say which to believe.

        Parameters
        ----------
        reading_c : array, shape (z, p)
            NaN where there is none. [°C]
        dt_s : float
            Since the last instant. [s]
        wall_c, wall_u_c : array, shape (z,)
            The outer face as estimated, and its standard uncertainty. [°C]
        says_c, says_u_c : array, shape (z, p)
            What each probe should say, and its standard uncertainty. [°C]

        Returns
        -------
        bool array, shape (z, p)

        Notes
        -----
        A probe goes off when it jumps, or says what nothing in that place can: a bead sees at least the
        wall's own glow, a probe on the wall stays near it. It comes back when it has been calm and near what
        the model expects for a while. Where more than half of the probes are off at once it must be the
        fire, and for those calm alone is enough.
        """
        self.since_s = self.since_s + dt_s
        known = np.isfinite(reading_c) & self.is_probe
        value = np.where(known, reading_c, 0.0)
        since = np.where(known, self.since_s, 0.0)
        self.since_s = np.where(known, 0.0, self.since_s)

        before = np.where(np.isnan(self.tracked_c), value, self.tracked_c)
        away = np.abs(value - before)
        self.tracked_c = np.where(
            known, before + (1 - np.exp(-since / MEMORY_S)) * (value - before), self.tracked_c
        )
        self.same_s = np.where(known, np.where(value == self.last_c, self.same_s + since, 0.0), self.same_s)
        self.last_c = np.where(known, reading_c, self.last_c)
        sticks = (self.same_s >= STUCK_S) & (value > STUCK_ABOVE_C)
        self.stuck = np.where(known, sticks, self.stuck)

        level = np.maximum(np.maximum(value, before), 0.0)
        jumped = away > np.where(self.is_wall, np.maximum(40.0, 0.08 * level), np.maximum(60.0, 0.15 * level))
        outer = wall_c[:, None]
        hot = np.maximum(outer - AMBIENT_C, 0.0)
        slack = np.minimum(2 * wall_u_c[:, None], 80.0)
        low = outer - slack - np.where(self.is_wall, 0.2 * hot + 40, 0.62 * hot + 30)
        high = outer + slack + np.where(self.is_wall, 0.15 * hot + 120, 700.0)
        self.off = self.off | (known & (jumped | (value < low) | (value > high)))

        warm = np.maximum(says_c - AMBIENT_C, 0.0)
        near = 30 + np.where(self.is_wall, 0.08, 0.3) * warm
        near = np.maximum(near, np.minimum(2 * says_u_c, 0.5 * warm))
        calm = known & self.off & ~self.stuck & (away < CALM_C)
        if known.sum() >= 3 and 2 * (self.off & known).sum() > known.sum():
            self.by_fire = self.by_fire | (self.off & known)
        agrees = calm & (self.by_fire | (np.abs(value - says_c) < near))
        self.agreed_s = np.where(known, np.where(agrees, self.agreed_s + since, 0.0), self.agreed_s)
        needed = np.where(self.is_wall & ~self.by_fire, AGREED_WALL_S, AGREED_S)
        self.off = self.off & ~(known & (self.agreed_s >= needed))
        self.by_fire = self.by_fire & self.off
        return known & ~self.off & ~self.stuck
