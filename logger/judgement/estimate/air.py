"""A wall that no probe touches, estimated from the air beside it, other zones' walls and embers against it.

A zone's air and its neighbours' walls are two witnesses, and either may be wrong: a bead in a draught reads
hundreds of degrees below pots in embers, and a flame, or a fire that hasn't spread yet, may belong to one
zone alone. They are weighted by how sure each is, and their difference counts as doubt.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.estimate.heard import FASTEST_C_S
from logger.judgement.estimate.model import AMBIENT_C, Model
from logger.judgement.estimate.zones import mean_around
from logger.judgement.rows import Bools
from logger.reading import Floats

STEP_S: Final = 5
"""How often the estimate is updated: a wall moves little in between. [s]"""
LEARNT_S: Final = (300.0, 600.0)
"""How quickly the walls' lead over their air is learnt, and how slowly it is forgotten. [s]"""
UNLIKE_S: Final = 600.0
"""How long a zone's air must disagree with its neighbours' walls before it is doubted. [s]"""
LIFTS_S: Final = (30.0, 150.0, 900.0)
"""How quickly an estimate by air is lifted towards its neighbours, how quickly it falls back, and how long it
keeps what a lost wall probe last said. [s]"""
LIT_C: Final = 300.0
"""Embers are against the pots once the air there has been this hot (common practice, no source). [°C]"""
EMBERS_S: Final = (60.0, 3600.0)
"""Without a probe in the coals: how quickly embers come to glow as hot as the air, and how long they last
(common practice, no source). [s]"""


class ByAir:
    """Tracks where z walls would be by their air alone, whether a probe touches them or not.

    All (z,), in °C unless said otherwise: `body_c`, the wall by its air alone, NaN before any air reading;
    `least_c`, the coldest it could be, warming as slowly and cooling as quickly as any wall may; `lift_c`,
    how far the estimate is above `body_c`; `kept_share`, 1 while the zone's own wall probe is heard, fading
    after; `above_c`, how far other zones' walls are above what their air alone says; `unlike_c`, how far the
    neighbours' walls have been from what the air says here; `peak_c`, its hottest air, fading; `lain_c`, the
    wall if embers lay against it.
    """

    def __init__(self, model: Model, likeness: Floats) -> None:
        z = len(likeness)
        self.body_c: Floats = np.full(z, np.nan)
        self.least_c: Floats = np.full(z, np.nan)
        self.lift_c: Floats = np.zeros(z)
        self.kept_share: Floats = np.zeros(z)
        self.above_c: Floats = np.zeros(z)
        self.unlike_c: Floats = np.zeros(z)
        self.peak_c: Floats = np.full(z, np.nan)
        self.lain_c: Floats = np.full(z, np.nan)
        self._model = model
        self._likeness = likeness

    def warm(self, begun: Floats, source: Floats) -> Floats:
        """Heat the bodies by `source` for `STEP_S`; return how fast they warm [°C/s]; all (z,).

        A body that is still NaN begins at `begun`; where `source` is NaN (unknown) the warming is 0.
        """
        body = np.where(np.isnan(self.body_c), begun, self.body_c)
        pace = self._pace(body, source)
        self.body_c = np.where(np.isnan(source), self.body_c, body + STEP_S * pace)
        least = np.where(np.isnan(self.least_c), begun, self.least_c)
        share = np.where(source > least, self._model.slow_share, self._model.quick_share)
        least = least + STEP_S * self._pace(least, source, share)
        self.least_c = np.where(np.isnan(source), self.least_c, least)
        return pace

    def _pace(self, body: Floats, source: Floats, share: Floats | float = 1.0) -> Floats:
        """How fast bodies follow what heats them [°C/s]; 0 where that is unknown."""
        pace = np.nan_to_num((source - body) * self._model.speed_per_s(body, source) * share)
        held: Floats = np.clip(pace, -FASTEST_C_S, FASTEST_C_S)
        return held

    def lift(self, wall: Floats, source: Floats) -> Floats:
        """Learn from walls with a probe how far the others are above what their air alone says.

        `wall` and `source` (z,) are NaN without a probe. Returns the variance of `body_c` + `lift_c`.
        """
        model, there = self._model, ~np.isnan(wall)
        others = mean_around(self._likeness, wall)
        apart_c2 = np.nan_to_num(mean_around(self._likeness, wall**2) - others**2)
        count = there.sum() - there.astype(np.float64)
        above = mean_around(self._likeness, np.where(np.isnan(source), np.nan, wall - self.body_c))
        over_s = np.where(np.abs(above) > np.abs(self.above_c), *LEARNT_S)
        self.above_c = self.above_c + STEP_S / over_s * np.nan_to_num(above - self.above_c)
        lift = self.above_c**3 / (self.above_c**2 + model.above_u_c**2)
        unlike = others - self.body_c - lift
        self.unlike_c = self.unlike_c + STEP_S / UNLIKE_S * np.nan_to_num(unlike - self.unlike_c)
        by_air = (model.air_u_c + model.air_u_share * np.fmax(self.body_c + lift - AMBIENT_C, 0.0)) ** 2
        by_air += np.nan_to_num(model.air_u_gap * (source - self.body_c)) ** 2
        by_air += (model.unlike_share * self.unlike_c) ** 2
        near = model.neighbour_u_c**2 / np.maximum(count, 1) + 1.5 * np.maximum(apart_c2, 0.0)
        share = by_air / (by_air + near)
        alone = count == 0
        goal = np.where(alone, lift, lift + share * unlike)
        over_s = np.where(np.abs(goal) > np.abs(self.lift_c), *LIFTS_S[:2])
        # For a while the zone's own last wall reading is worth more than its neighbours.
        self.kept_share = np.where(there, 1.0, self.kept_share * (1.0 - STEP_S / LIFTS_S[2]))
        kept = np.where(alone, 1.0, self.kept_share)
        gain = STEP_S * ((1.0 - kept) / over_s + kept / LIFTS_S[2])
        self.lift_c = np.nan_to_num(self.lift_c + gain * (goal - self.lift_c))
        both = share * near + share * (1.0 - share) * unlike**2
        found: Floats = np.where(alone, by_air, both) + (0.5 * (self.lift_c - goal)) ** 2
        return found

    def lie_in_embers(self, wall: Floats, air: Floats, coals_c: float, by_wall: Bools) -> None:
        """Update where each wall without a probe would be if embers lay against it."""
        gap = np.nan_to_num(air - self.peak_c)
        begun = np.where(np.isnan(self.peak_c), air, self.peak_c)
        self.peak_c = begun + gap * STEP_S / np.where(gap > 0.0, *EMBERS_S)
        glow = self.peak_c if np.isnan(coals_c) else coals_c
        source = np.fmax(np.fmax(wall, air), glow)
        lain = np.fmax(self.lain_c, wall)
        lain = lain + STEP_S * self._pace(lain, source)
        self.lain_c = np.where(~by_wall & (self.peak_c > LIT_C), lain, wall)
