"""Which stage the firing is in and which end of the stack leads, from the traces alone."""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.rows import Bools, median
from logger.judgement.zones import Places
from logger.reading import Floats

DRYING, CLIMB, PEAK, BURN_DOWN, COOLING = STAGES = ("drying", "climb", "peak", "burn_down", "cooling")

LIT_C_PER_MIN: Final = 12.0
"""Coals alone warm a stack more slowly than this; burning wood warms it faster."""
RAKED_COALS_C_PER_MIN: Final = -25.0
RAKED_C_PER_MIN: Final = -12.0
"""Coals burning out under a stack cool more slowly than this even in wind, and so do the pots."""
LEADS_C: Final = 15.0

_FOR_S: Final = {CLIMB: 30, PEAK: 90, BURN_DOWN: 75, COOLING: 90}


class Stages:
    """The stage and the leading end, with hysteresis.

    `raked`: raking out has begun, either noted or seen from coals and pots falling fast together after the
    flames. It holds until the fire climbs again.
    """

    def __init__(self, places: Places) -> None:
        self.stage = DRYING
        self.leading: str | None = None
        self.held_s = 0
        self.wanted = ""
        self.high_c = float("-inf")
        self.low_c = float("inf")
        self.coals_high_c = float("-inf")
        self.raked = False
        self._seen_raked = False
        self._places = places
        self._seconds: list[tuple[float, ...]] = []

    def run(self, level_c: Floats, rate_c_per_min: Floats, coals_c: Floats, coals_rate: Floats) -> None:
        """Take n seconds for `step` to go through.

        Parameters
        ----------
        level_c, rate_c_per_min : array (n, z)
            By zone; NaN where unknown.
        coals_c, coals_rate : array (n,)
            Mean of the probes in the coals; NaN if none.
        """
        pots = self._places.pots
        there = ~np.isnan(level_c[:, pots])
        hottest = np.where(there, level_c[:, pots], -np.inf).max(axis=1, initial=-np.inf)
        top, bottom = _mean(level_c, self._places.top), _mean(level_c, self._places.bottom)
        # Without a known top, coals hotter than anything else mean that the bottom leads.
        ahead = np.where(np.isnan(top), hottest, top) - np.where(np.isnan(bottom), coals_c, bottom)
        middle, rate = _mean(level_c, pots), _middle(rate_c_per_min[:, pots], there)
        seconds = (middle, rate, hottest, coals_c, coals_rate, ahead)
        self._seconds = list(zip(*(values.tolist() for values in seconds), strict=True))

    def step(self, i: int) -> bool:
        """Take second i of the last `run`; return whether the stage or the leading end changed."""
        middle, rate, hottest, coals_c, coals_rate, ahead = self._seconds[i]
        if middle != middle:
            return False
        before = (self.stage, self.leading)
        if ahead > LEADS_C:
            self.leading = "top"
        elif ahead < -LEADS_C:
            self.leading = "bottom"
        if coals_c > self.coals_high_c:
            self.coals_high_c = coals_c
        self.high_c = max(self.high_c, middle)
        wanted = self._wanted(middle, rate, hottest, coals_c, coals_rate)
        if wanted != self.wanted:
            self.wanted, self.held_s = wanted, 0
        if wanted:
            self.held_s += 1
            if self.held_s >= _FOR_S[wanted]:
                self.raked = (self.raked or self._seen_raked) and wanted != CLIMB
                self.stage, self.wanted, self.held_s = wanted, "", 0
                self.low_c = middle
                if wanted != COOLING:
                    self.high_c = middle if wanted == CLIMB else max(self.high_c, middle)
        self.low_c = min(self.low_c, middle)
        return (self.stage, self.leading) != before

    def _wanted(self, middle: float, rate: float, hottest: float, coals_c: float, coals_rate: float) -> str:
        self._seen_raked = False
        if rate != rate:
            return ""
        gone = (
            coals_c < self.coals_high_c - 60.0
            and coals_rate < -12.0
            and rate < -8.0
            and self.coals_high_c > 450.0
        )
        self._seen_raked = gone and coals_rate < RAKED_COALS_C_PER_MIN and rate < RAKED_C_PER_MIN
        cold = hottest < 400.0 and rate < 0.0 and self.high_c > 450.0
        fallen = middle < self.high_c - 30.0 and rate < -2.0
        match self.stage:
            case "drying":
                if (rate > LIT_C_PER_MIN and middle > 60.0) or middle > 400.0:
                    return CLIMB
            case "climb":
                if fallen and middle > 300.0:
                    return BURN_DOWN
                if middle > 550.0 and rate < 6.0:
                    return PEAK
            case "peak":
                if gone or cold:
                    return COOLING
                if fallen:
                    return BURN_DOWN
            case "burn_down":
                if gone or cold:
                    return COOLING
                if middle > self.low_c + 30.0 and rate > 2.0:
                    return PEAK if middle > 550.0 and rate < 6.0 else CLIMB
            case "cooling":
                if middle > self.low_c + 100.0 and rate > LIT_C_PER_MIN:
                    return CLIMB
        return ""


def _mean(values: Floats, columns: list[int]) -> Floats:
    """Mean of the known values in some columns, (n,); NaN where there are none."""
    total, count = np.zeros(len(values)), np.zeros(len(values))
    for column in columns:
        known = ~np.isnan(values[:, column])
        total, count = total + np.where(known, values[:, column], 0.0), count + known
    return np.where(count > 0.0, total / np.maximum(count, 1.0), np.nan)


def _middle(values: Floats, of: Bools) -> Floats:
    """Median of the values `of` selects in each row, (n,); NaN where one of them is NaN or there are none."""
    unknown = (of & np.isnan(values)).any(axis=1)
    return np.where(unknown, np.nan, median(np.where(of, values, np.nan)))
