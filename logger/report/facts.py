"""What people compare between firings: peaks, times above temperatures, climb, cooling, spread. Pure.

All of it comes from the readings of probes in their places, unless it is marked otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final, Literal

import numpy as np

from logger.physics.heat_work import minutes_above
from logger.plan import Plan
from logger.reading import Floats
from logger.report.levels import Levels, Moment, crossing, lighting, smoothed
from logger.words.looks import ABOVE_C, QUARTZ_C, STAGES

AROUND_QUARTZ_C: Final = 30.0
DRY_C: Final = 120.0
"""Below this a wall still loses pore water [°C]."""
HOT_C: Final = 600.0
"""The climb is counted from `DRY_C` to this [°C]."""
LONGEST_GAP_S: Final = 60.0

_RATE_S: Final = 60.0

Basis = Literal["measured", "judged", "estimated", "written"]
Unit = Literal["°C", "Δ°C", "°C/min", "min", "count"]


@dataclass(frozen=True, slots=True)
class Fact:
    """One of the things people compare."""

    key: str  # with its unit (`peak_c`, `above_600_min`)
    label: str  # `{0}` and `{1}` stand for `limits_c`
    unit: Unit  # `°C`, `Δ°C` (a difference), `°C/min`, `min` or `count`
    value: float | None  # None where there is nothing to say
    at_s: float | None = None  # when, from the first reading [s]
    # from readings; from the judgement (`judged`); from a model (`estimated`); by people (`written`)
    basis: Basis = "measured"
    words: str = ""  # what else there is to say
    limits_c: tuple[float, ...] = ()  # temperatures named in the label [°C]
    # low, high: the range of an estimate, owing to what isn't known
    low: float | None = None
    high: float | None = None
    zone: str | None = None  # None: the whole load


POTS_PEAK: Final = Fact("pots_peak_c", "Peak of the pots themselves", "°C", None, basis="estimated")


def facts_of(
    plan: Plan,
    levels: Levels,
    rehearsal: Mapping[str, Any],
    *,
    alarms: Sequence[Mapping[str, Any]],
    notes: Sequence[Mapping[str, Any]],
    spots: Sequence[Mapping[str, Any]],
    pots: Mapping[str, Fact] | None = None,
) -> list[Fact]:
    """Gather what people compare: for the load, then for each zone, kind by kind.

    `rehearsal` is from `judgement.rehearsal.summary`, `alarms` are those raised, notes and spots are as in
    the journal, and `pots` has the `POTS_PEAK` of zones with an estimate made while the firing ran.
    """
    lit = lighting(levels)
    zones = {z["zone"]: z for z in rehearsal["zones"]}
    by_zone = []
    for z, zone in enumerate(levels.zones):
        facts = _of_zone(plan, levels, lit, z, zones[zone])
        facts += [pots.get(zone, POTS_PEAK)] if pots else []
        by_zone.append([replace(fact, zone=zone) for fact in facts])
    return [
        *_of_load(levels, lit, rehearsal, zones),
        *_of_stages(rehearsal),
        *_written(alarms, notes, spots),
        *(fact for kind in zip(*by_zone, strict=True) for fact in kind),
    ]


def _of_load(
    levels: Levels, lit: Moment, rehearsal: Mapping[str, Any], zones: Mapping[str, Any]
) -> list[Fact]:
    lit_min = lit.t_s / 60.0 if lit.found else None
    facts = [
        Fact("recorded_min", "Recorded for", "min", rehearsal["duration_s"] / 60.0),
        Fact("lit_min", "From first reading to lighting", "min", lit_min, words=lit.how),
    ]
    judged = [zones[name] for name, pots in zip(levels.zones, levels.pots, strict=True) if pots]
    peaks = [z for z in judged if z["peak_c"] is not None]
    if not peaks:
        return facts
    coldest = min(peaks, key=lambda z: float(z["peak_c"]))
    at, peak_c = float(coldest["peak_s"]), float(coldest["peak_c"])
    reached = float(sum(z["reached_target"] for z in judged))
    of = f"of {len(judged)}"
    facts += [
        Fact("coldest_peak_c", "Coldest zone's peak", "°C", peak_c, at, words=coldest["zone"]),
        Fact("to_coldest_peak_min", "From lighting to that peak", "min", max(0.0, at - lit.t_s) / 60.0),
        Fact("zones_at_target", "Zones that reached their target", "count", reached, words=of),
    ]
    if len(peaks) > 1:
        spread = levels.hottest() - levels.coldest()
        apart = max(float(z["peak_c"]) for z in peaks) - peak_c
        then = float(spread[min(int(np.searchsorted(levels.t_s, at)), len(spread) - 1)])
        facts += [
            Fact("peaks_apart_c", "Spread of the zones' peaks", "Δ°C", apart),
            Fact(
                "spread_at_peak_c",
                "Spread when the coldest zone peaked",
                "Δ°C",
                then if math.isfinite(then) else None,
                at,
            ),
            _spread_in_cooling(levels, spread, max(float(z["peak_s"]) for z in peaks)),
        ]
    return facts


def _spread_in_cooling(levels: Levels, spread: Floats, from_s: float) -> Fact:
    """Find the greatest spread once all zones have peaked, while any is still above quartz inversion."""
    with np.errstate(invalid="ignore"):
        when = (levels.t_s > from_s) & (levels.hottest() > QUARTZ_C) & np.isfinite(spread)
    k = int(np.where(when, spread, -np.inf).argmax())
    return Fact(
        "cooling_spread_c",
        "Greatest spread while cooling to {0}",
        "Δ°C",
        float(spread[k]) if when[k] else None,
        float(levels.t_s[k]) if when[k] else None,
        limits_c=(QUARTZ_C,),
    )


def _of_stages(rehearsal: Mapping[str, Any]) -> list[Fact]:
    stages = list(rehearsal["stages"])
    lasted: dict[str, float] = {}
    for stage, after in pairwise([*stages, {"from_s": rehearsal["duration_s"]}]):
        name = stage["stage"]
        lasted[name] = lasted.get(name, 0.0) + (after["from_s"] - stage["from_s"]) / 60.0
    return [
        Fact(f"{key}_min", f"{label} lasted", "min", lasted.get(key), basis="judged")
        for key, label in STAGES.items()
    ]


def _written(
    alarms: Sequence[Mapping[str, Any]],
    notes: Sequence[Mapping[str, Any]],
    spots: Sequence[Mapping[str, Any]],
) -> list[Fact]:
    titles = [str(alarm["title"]) for alarm in alarms if alarm["warning"]]
    called = ", ".join(
        f"{n} × {title}" if (n := titles.count(title)) > 1 else title for title in dict.fromkeys(titles)
    )
    wood = [note for note in notes if note.get("kind") == "wood"]
    amounts = ", ".join(str(note["amount"]) for note in wood if note.get("amount"))
    times = float(len(wood))
    return [
        Fact("alarms", "Alarms", "count", float(len(titles)), basis="judged", words=called),
        Fact("wood_notes", "Times wood was added", "count", times, basis="written", words=amounts),
        Fact("notes", "Notes", "count", float(len(notes)), basis="written"),
        Fact("spots", "Gun readings", "count", float(len(spots)), basis="written"),
    ]


def _of_zone(plan: Plan, levels: Levels, lit: Moment, z: int, judged: Mapping[str, Any]) -> list[Fact]:
    level, t_s, peak_s = levels.level_c[:, z], levels.t_s, judged["peak_s"]
    to_peak_min = None if peak_s is None else (peak_s - lit.t_s) / 60.0
    soak_min, burnt_min = judged["soak_s"] / 60.0, judged["above_burnout_s"] / 60.0
    target, burnout = (plan.target_c,), (plan.burnout_c,)
    above = {c: minutes_above(t_s, level, c, longest_gap_s=LONGEST_GAP_S) for c in ABOVE_C}
    model = judged.get("one_hour_model") or {}
    return [
        Fact("peak_c", "Peak", "°C", judged["peak_c"], peak_s),
        Fact("to_peak_min", "From lighting to peak", "min", to_peak_min),
        Fact("soak_min", "At or above the plan's target", "min", soak_min, limits_c=target),
        Fact("above_burnout_min", "At or above the plan's burn-out", "min", burnt_min, limits_c=burnout),
        *(Fact(f"above_{c:.0f}_min", "Above {0}", "min", m, limits_c=(c,)) for c, m in above.items()),
        *_rates_of_zone(levels, z, peak_s),
        Fact(
            *("one_hour_c", "Equivalent one-hour temperature (a model)", "°C", judged.get("one_hour_c")),
            basis="estimated",
            low=model.get("low_c"),
            high=model.get("high_c"),
        ),
    ]


def _rates_of_zone(levels: Levels, z: int, peak_s: float | None) -> list[Fact]:
    """Work out how fast a zone rose and fell, at most and through the temperatures that matter to clay."""
    t_s = levels.t_s
    smooth = smoothed(levels.level_c[:, z], levels.step_s)
    rate, midway = _rates(smooth, levels.step_s)
    after_peak = t_s > (math.inf if peak_s is None else peak_s)
    climb_at, fastest = _steepest(t_s, rate, midway < DRY_C)
    fall_at, fall = _steepest(t_s, -rate, after_peak)
    quartz_at, quartz = _steepest(t_s, -rate, np.abs(midway - QUARTZ_C) < AROUND_QUARTZ_C)
    climb, through = _climb(levels, levels.zones[z]), _through_quartz(t_s, smooth, peak_s)
    dry, hot, at_quartz = (DRY_C,), (DRY_C, HOT_C), (QUARTZ_C,)
    around = (QUARTZ_C + AROUND_QUARTZ_C, QUARTZ_C - AROUND_QUARTZ_C)
    speed: Unit = "°C/min"
    return [
        Fact("fastest_drying_c_per_min", "Fastest climb below {0}", speed, fastest, climb_at, limits_c=dry),
        Fact("climb_c_per_min", "Climb from {0} to {1}", speed, climb, limits_c=hot),
        Fact("fastest_fall_c_per_min", "Fastest fall after the peak", speed, fall, fall_at),
        Fact(
            "fall_at_quartz_c_per_min",
            "Fastest fall near {0} (quartz)",
            speed,
            quartz,
            quartz_at,
            limits_c=at_quartz,
        ),
        Fact("through_quartz_min", "Cooling from {0} to {1} took", "min", through, limits_c=around),
    ]


def _rates(smooth: Floats, step_s: float) -> tuple[Floats, Floats]:
    """Return the rate over the minute after each moment [°C/min], and the temperature halfway [°C]."""
    rate, midway = np.full_like(smooth, np.nan), np.full_like(smooth, np.nan)
    ahead = max(1, round(_RATE_S / step_s))
    if len(smooth) > ahead:
        rate[:-ahead] = (smooth[ahead:] - smooth[:-ahead]) / (ahead * step_s / 60.0)
        midway[:-ahead] = 0.5 * (smooth[ahead:] + smooth[:-ahead])
    return rate, midway


def _steepest(t_s: Floats, rate: Floats, where: Any) -> tuple[float | None, float | None]:
    """Return when [s] the rate was highest, and how high, within `where`."""
    steep = np.where(where & (rate > 0), rate, -np.inf)
    if not len(steep) or not np.isfinite(steep.max()):
        return None, None
    k = int(steep.argmax())
    return float(t_s[k]) + _RATE_S / 2.0, float(steep[k])


def _climb(levels: Levels, zone: str) -> float | None:
    """Return the mean rate from `DRY_C` to `HOT_C` [°C/min]; None unless the zone passed both."""
    begin, end = crossing(levels, zone, DRY_C), crossing(levels, zone, HOT_C)
    if begin is None or end is None or end.t_s <= begin.t_s:
        return None
    return (HOT_C - DRY_C) / ((end.t_s - begin.t_s) / 60.0)


def _through_quartz(t_s: Floats, smooth: Floats, peak_s: float | None) -> float | None:
    """Return how long the last fall through quartz took [min]; None where part of it is missing."""
    if peak_s is None:
        return None
    hot = np.flatnonzero((smooth >= QUARTZ_C + AROUND_QUARTZ_C) & (t_s >= peak_s))
    if not len(hot):
        return None
    cold = np.flatnonzero((smooth <= QUARTZ_C - AROUND_QUARTZ_C) & (t_s > t_s[hot[-1]]))
    return float(t_s[cold[0]] - t_s[hot[-1]]) / 60.0 if len(cold) else None
