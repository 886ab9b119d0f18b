"""The forecast of every zone, renewed with each new level."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from logger.judgement.forecast.arrivals import PAST_ROWS, Forecast, forecast, in_how_long
from logger.judgement.ledger import Ledger
from logger.judgement.levels import Levels
from logger.judgement.stages import BURN_DOWN, COOLING, DRYING
from logger.judgement.trend import SLOW_EVERY_S, Trend
from logger.judgement.verdicts import ZoneVerdict
from logger.judgement.zones import Places
from logger.plan import Plan
from logger.reading import Floats
from logger.words.said import Degrees, said


class Outlook:
    """Forecasts for the zones of one firing; a pure function of the judgement's state."""

    def __init__(self, plan: Plan, places: Places) -> None:
        self._plan = plan
        self._places = places
        self._made: tuple[int, str, bytes] | None = None
        self._forecasts: dict[str, Forecast | None] = {}

    def forecasts(
        self, second: int, stage: str, trend: Trend, levels: Levels, ledger: Ledger
    ) -> dict[str, Forecast | None]:
        """The forecast of each zone once `second` seconds have been judged.

        None before the wood is lit, and where no probe can be trusted; coals have none.
        """
        newest = (second - 1) // SLOW_EVERY_S
        made = (newest, stage, levels.weight.tobytes())
        if made != self._made:
            at_s = float(newest * SLOW_EVERY_S + 1)
            past = trend.slow.rows[-PAST_ROWS:]
            self._forecasts = {
                self._places.zones[z]: self._forecast(z, at_s, stage, past, levels, ledger)
                for z in self._places.pots
            }
            self._made = made
        return self._forecasts

    def _forecast(
        self, z: int, at_s: float, stage: str, past: Floats, levels: Levels, ledger: Ledger
    ) -> Forecast | None:
        members = [j for j in self._places.members[z] if levels.weight[j]]
        if stage == DRYING or not members:
            return None
        # Once the coals have been pulled away nobody wants it hotter.
        peak_c = np.inf if stage == COOLING else float(ledger.peak_c[z])
        cools = stage in (BURN_DOWN, COOLING)
        known = np.isfinite(past[:, members])
        total = np.where(known, past[:, members], 0.0).sum(axis=1)
        # The mean would jump while one of its probes is missing, so only complete rows count.
        level = np.where(known.all(axis=1), total / len(members), np.nan)
        made = forecast(
            at_s,
            level,
            stage=stage,
            peak_c=peak_c,
            burnout_c=self._plan.burnout_c if peak_c < self._plan.burnout_c else None,
            target_c=self._plan.target_c if peak_c < self._plan.target_c else None,
            cool_c=self._plan.cool_c if cools else None,
        )
        # The bands were learned from fires; they mean nothing for a stack that is cold, or merely warm.
        return None if stage == COOLING and made is not None and made.cool is None else made

    def rate_sd(self, trend: Trend, levels: Levels) -> dict[str, float | None]:
        """Standard uncertainty [°C/min] of each zone's rate, where known, as if its probes erred together."""
        u = trend.rate_uncertainty_c_per_min()
        told: dict[str, float | None] = {}
        for name, members in zip(self._places.zones, self._places.members, strict=True):
            here = u[[j for j in members if levels.weight[j]]]
            told[name] = round(float(here.mean()), 1) if len(here) and np.isfinite(here).all() else None
        return told


def coming(pots: Sequence[ZoneVerdict]) -> list[Any]:
    """The load's forecast in the parts of a sentence, from zones with a verdict, the coldest first.

    It is about the coldest zone that still lacks something; if none does, about the last to cool. Empty where
    there is nothing to say.
    """
    told = [(v, v.forecast) for v in pots if v.forecast is not None and v.forecast.words]
    for zone, forecast_ in told:
        if zone.missing and forecast_.cool is None:
            return [f"{zone.zone}: ", *forecast_.words_parts]
    cooling = [(v.zone, f.cool) for v, f in told if f.cool is not None]
    if not cooling:
        return []
    last, cool = max(cooling, key=lambda one: (one[1].late_s or 0.0, one[0]))
    cold = Degrees("at", cool.temperature_c)
    return said("Coolest last: {}, {} in {}", last, cold, in_how_long(cool)).plain()
