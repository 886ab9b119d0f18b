"""Which stage the firing is in, and which end of the stack leads, from the traces alone."""

from __future__ import annotations

from typing import Final

from logger.judgement.zones import Places

DRYING, CLIMB, PEAK, BURN_DOWN, COOLING = STAGES = ("drying", "climb", "peak", "burn_down", "cooling")

LIT_C_PER_MIN: Final = 12.0
"""Coals alone warm a stack more slowly than this, burning wood faster."""
RAKED_COALS_C_PER_MIN: Final = -25.0
RAKED_C_PER_MIN: Final = -12.0
"""Coals that burn out under a stack, even in wind, cool more slowly than this, and so do the pots."""
LEADS_C: Final = 15.0

_FOR_S: Final = {CLIMB: 30, PEAK: 90, BURN_DOWN: 75, COOLING: 90}


class Stages:
    """The stage and the leading end, with hysteresis.

    `raked`: raking out has begun: noted, or seen by coals and pots that fall fast together after the flames.
    It holds until the fire climbs again.
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

    def step(self, level: list[float], rate: list[float], coals_c: float, coals_rate: float) -> bool:
        """Take a second, and say whether the stage, or which end leads, has changed.

        Levels and rates (°C/min) are z zones', NaN where nobody knows; coals the mean of the probes that read
        them, NaN if none.
        """
        pots = [z for z in self._places.pots if level[z] == level[z]]
        if not pots:
            return False
        levels = [level[z] for z in pots]
        hottest, middle = max(levels), sum(levels) / len(levels)
        before = (self.stage, self.leading)
        self._lead(level, coals_c, hottest)
        if coals_c > self.coals_high_c:
            self.coals_high_c = coals_c
        self.high_c = max(self.high_c, middle)
        wanted = self._wanted(middle, _middle([rate[z] for z in pots]), hottest, coals_c, coals_rate)
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

    def _lead(self, zone_c: list[float], coals_c: float, hottest: float) -> None:
        top = _mean([zone_c[z] for z in self._places.top])
        bottom = _mean([zone_c[z] for z in self._places.bottom])
        if bottom != bottom:
            bottom = coals_c
        if top != top:
            # Without a top we know: coals hotter than anything else are the bottom leading.
            top = hottest
        ahead = top - bottom
        if ahead > LEADS_C:
            self.leading = "top"
        elif ahead < -LEADS_C:
            self.leading = "bottom"


def _mean(values: list[float]) -> float:
    known = [v for v in values if v == v]
    return sum(known) / len(known) if known else float("nan")


def _middle(values: list[float]) -> float:
    if any(v != v for v in values):
        return float("nan")
    known = sorted(values)
    n = len(known)
    return (known[n // 2] + known[(n - 1) // 2]) / 2.0
