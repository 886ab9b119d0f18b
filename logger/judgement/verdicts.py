"""Where each zone and the whole load are, and what they still need, in numbers and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from logger.judgement.alarms import Alarm, alarm_data
from logger.judgement.estimate.zones import ZoneEstimate, estimate_data
from logger.judgement.forecast.arrivals import Forecast
from logger.judgement.ledger import Ledger
from logger.judgement.levels import BASES, Levels
from logger.judgement.zones import ABOVE_C, Places
from logger.physics.heat_work import HeatWork
from logger.plan import Plan
from logger.words.said import in_unit


@dataclass(frozen=True)
class ZoneVerdict:
    """Where a zone is and what it still needs; None where that is unknown."""

    zone: str
    level_c: float | None
    rate_c_per_min: float | None
    peak_c: float | None
    peak_s: float | None
    above_s: dict[str, float]  # time above 500, 550 … 800 °C [s]
    above_burnout_s: float  # time above the plan's burn-out
    soak_s: float  # time at or above its target
    reached_target: bool
    missing: str  # what it still needs, in words
    faulty: bool  # none of its probes can be trusted, so there is no verdict
    coals: bool  # it holds only coals and has no target
    basis: str | None  # the probes its level comes from: wall, air, or None (no level, or coals)
    peak_basis: str | None  # the same, when its peak was read
    forecast: Forecast | None  # at the present rate
    rate_sd_c_per_min: float | None  # standard uncertainty of its probes' rate


@dataclass(frozen=True, slots=True)
class OneHour:
    """The steady temperature that would have done the same to the clay in an hour. A model."""

    c: float  # by the usual activation energy
    # lowest and highest by the energies thought possible; the probes' errors are not included
    low_c: float
    high_c: float


@dataclass(frozen=True)
class LoadVerdict:
    """What the judgement says about the whole load."""

    line: str  # for people, led by the coldest zone
    stage: str
    leading: str | None  # top or bottom
    coldest: str | None
    zones: tuple[ZoneVerdict, ...]  # the coldest first
    alarms: tuple[Alarm, ...]  # the current ones, the probable cause first
    # the forecast of the coldest zone that still lacks something; if none does, when the last will be cool
    coming: list[Any]  # parts of a sentence; none where there is nothing to say
    estimates: dict[str, ZoneEstimate]  # each zone's pots by the model; empty where nothing is estimated
    one_hour: dict[str, OneHour]  # by zone, the equivalent one-hour temperature; a model


def one_hour(zones: Sequence[str], work: HeatWork) -> dict[str, OneHour]:
    """The equivalents so far, unknown zones left out; `zones` in the order of the work's columns."""
    return {
        zone: OneHour(float(column[0]), float(column.min()), float(column.max()))
        for zone, column in zip(zones, work.equivalent_c().T, strict=True)
        if np.isfinite(column).all()
    }


def load_line(pots: list[ZoneVerdict], zones: tuple[ZoneVerdict, ...]) -> str:
    """Sum up the load for people, led by its coldest zone of pots."""
    blind = [v.zone for v in zones if v.faulty]
    unseen = f" No verdict on {', '.join(blind)}." if blind and pots else ""
    if not pots:
        return "No zone can be judged: no probe in it can be trusted." if zones else "No probes yet."
    lacking = [v for v in pots if v.missing]
    if not lacking:
        return f"All zones have had their target and soak.{unseen}"
    coldest = lacking[0]
    spread = max(v.level_c or 0.0 for v in pots) - (pots[0].level_c or 0.0)
    wide = f" Spread {spread:.0f} °C." if len(pots) > 1 else ""
    how = " (air)" if coldest.basis == "air" else ""
    return f"{coldest.zone} is coldest at {coldest.level_c:.0f} °C{how}: {coldest.missing}.{wide}{unseen}"


def verdict_data(verdict: LoadVerdict) -> dict[str, Any]:
    """A verdict as JSON for programs: `load` and `alarms`."""
    load = {
        "line": verdict.line,
        "stage": verdict.stage,
        "leading": verdict.leading,
        "coldest": verdict.coldest,
        "coming": in_unit(verdict.coming, "C"),
        "coming_parts": verdict.coming,
        "zones": [asdict(v) for v in verdict.zones],
        "estimates": {zone: estimate_data(e) for zone, e in verdict.estimates.items()},
    }
    return {"load": load, "alarms": [alarm_data(a) for a in verdict.alarms]}


def zone_verdict(
    z: int,
    plan: Plan,
    places: Places,
    levels: Levels,
    ledger: Ledger,
    forecast: Forecast | None,
    rate_sd_c_per_min: float | None,
) -> ZoneVerdict:
    """Judge one zone."""
    coals = z not in places.pots
    level, rate, peak = (float(x[z]) for x in (levels.level_c, levels.rate_c_per_min, ledger.peak_c))
    faulty = bool(np.isnan(level))
    seen = bool(np.isfinite(peak))
    above = {f"{limit:.0f}": float(s) for limit, s in zip(ABOVE_C, ledger.above_s[:, z], strict=False)}
    return ZoneVerdict(
        zone=places.zones[z],
        level_c=None if faulty else round(level, 1),
        rate_c_per_min=None if np.isnan(rate) else round(rate, 1),
        peak_c=round(peak, 1) if seen else None,
        peak_s=float(ledger.peak_s[z]) if seen else None,
        above_s=above,
        above_burnout_s=float(ledger.above_s[-2, z]),
        soak_s=float(ledger.above_s[-1, z]),
        reached_target=seen and peak >= plan.target_c,
        missing="" if coals and not faulty else _missing(level, peak, float(ledger.above_s[-1, z]), plan),
        faulty=faulty,
        coals=coals,
        basis=BASES[int(levels.basis[z])],
        peak_basis=BASES[int(ledger.peak_basis[z])],
        forecast=forecast,
        rate_sd_c_per_min=rate_sd_c_per_min,
    )


def _missing(level: float, peak: float, soak_s: float, plan: Plan) -> str:
    if np.isnan(level):
        return "no verdict: no probe here can be trusted"
    soak_left = plan.soak_min - soak_s / 60.0
    if peak >= plan.target_c:
        if soak_left <= 0:
            return ""
        soak = f"{max(soak_left, 1.0):.0f} min of soak to go"
        if level >= plan.target_c:
            return soak
        low = f", below burn-out ({plan.burnout_c:.0f} °C)" if level < plan.burnout_c else ""
        return f"{plan.target_c - level:.0f} °C below its target again{low}; {soak}"
    if level >= plan.target_c:
        return "at its target, for less than a minute so far"
    short = f"{plan.target_c - max(level, 0.0):.0f} °C below its target"
    if peak < plan.burnout_c and level < plan.burnout_c:
        return f"{short}; not yet above burn-out ({plan.burnout_c:.0f} °C)"
    return short
