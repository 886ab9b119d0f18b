"""What each zone is and still needs, in numbers and words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.judgement.forecast import Forecast
from logger.judgement.ledger import Ledger
from logger.judgement.levels import BASES
from logger.judgement.zones import ABOVE_C, Places, ZoneBook
from logger.plan import Plan


@dataclass(frozen=True)
class ZoneVerdict:
    """What a zone is and still needs; None where there is no telling."""

    zone: str
    level_c: float | None
    rate_c_per_min: float | None
    peak_c: float | None
    peak_s: float | None
    above_s: dict[str, float]  # time above 500, 550 … 800 °C [s]
    above_burnout_s: float  # time above the plan's burn-out
    soak_s: float  # time at its target or above
    reached_target: bool
    missing: str  # in words
    faulty: bool  # all of its probes are; then there is no verdict
    coals: bool  # it holds coals only and need not reach anything
    # wall or air: the probes its level is taken from; None without one, and for coals
    basis: str | None = None
    peak_basis: str | None = None  # the same when its peak was read
    forecast: Forecast | None = None  # as it is going
    rate_sd_c_per_min: float | None = None  # standard uncertainty of its probes' rate


def verdicts(plan: Plan, places: Places, book: ZoneBook, ledger: Ledger) -> list[ZoneVerdict]:
    """Judge all zones: the coldest first; those without a verdict, and coals, last."""
    found = [_verdict(z, plan, places, book, ledger) for z in range(len(places.zones))]
    return sorted(found, key=lambda v: (v.faulty, v.coals, v.level_c or 0.0))


def _verdict(z: int, plan: Plan, places: Places, book: ZoneBook, ledger: Ledger) -> ZoneVerdict:
    coals = z not in places.pots
    level, rate, peak = (float(x[z]) for x in (book.level_c, book.rate_c_per_min, ledger.peak_c))
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
        missing=_missing(z, plan, coals, book, ledger),
        faulty=faulty,
        coals=coals,
        basis=BASES[int(book.basis[z])],
        peak_basis=BASES[int(ledger.peak_basis[z])],
    )


def _missing(z: int, plan: Plan, coals: bool, book: ZoneBook, ledger: Ledger) -> str:
    level, peak = float(book.level_c[z]), float(ledger.peak_c[z])
    if np.isnan(level):
        return "no verdict: no probe here can be trusted"
    if coals:
        return ""
    soak_left = plan.soak_min - float(ledger.above_s[-1, z]) / 60.0
    if peak >= plan.target_c:
        if soak_left <= 0:
            return ""
        soak = f"{max(soak_left, 1.0):.0f} min of soak to go"
        if level >= plan.target_c:
            return soak
        low = f", below burn-out ({plan.burnout_c:.0f} °C)" if level < plan.burnout_c else ""
        return f"{plan.target_c - level:.0f} °C below its target again{low}; {soak}"
    if level >= plan.target_c:
        return "at its target, for less than a minute yet"
    short = f"{plan.target_c - max(level, 0.0):.0f} °C below its target"
    if peak < plan.burnout_c and level < plan.burnout_c:
        return f"{short}; not yet above burn-out ({plan.burnout_c:.0f} °C)"
    return short
