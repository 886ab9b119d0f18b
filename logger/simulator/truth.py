"""What really happened in a simulated firing, worked out from the true temperatures.

The truth is a dict that is written to JSON as it is. Times are seconds from the firing's first reading.

`seed`, `title`, `pace`, `ambient_c`, `wind_m_s`, `wall_mm`, `diffusivity_mm2_s`
    As drawn; the pace is `bonfire` (all wood at once) or `stoked`.
`invented`
    True: nobody fired this.
`target_c`, `duration_s`
    The plan's target; the time of the last reading.
`lit_s`, `flame_peak_s`, `burn_down_s`, `raked_s`
    Wood lit; flames strongest; flames below a fifth of that for good; raking out begins, or null.
`stages`
    List of {stage, from_s}: drying, climb (wood lit), peak (half of the zones' walls within 40 °C of their
    highest), burn_down, cooling (raked out, or all pots below 400 °C).
`crossing_s`
    The bottom leads the top from here on; null if it never does.
`every_s`, `zones`
    By name: {height_cm, side, holds_pots, probes, peak_c, peak_s, reached_target_s, probes_c, and outer_c,
    middle_c, inner_c of the wall, or coals_c}. The lists have a value every `every_s`. `probes_c` is the mean
    reading of perfect, instant probes in the zone; peak and target refer to it. Zones with pots also have
    fastest_below_120_c_per_min and fastest_fall_at_573_c_per_min (within 30 °C of it; 0 if it never cooled
    that far), both of the outer face over a minute.
`collapses`
    Coals that slumped away: {zone, side, probes, start_s, end_s, probes_lost_c, wall_lost_c (the most lost
    within 3 min), coals_change_c (at the coals probe, same 3 min), coals_held (lost less than 25 °C), counts
    (the probes lost 60 °C or more while the coals held)}.
`stalls`
    A pot zone 20 °C or more below a target it hasn't reached yet, above 300 °C, moving less than
    3 °C/min (over 2 min) for 4 min or more, before any raking out: {zone, probes, start_s, end_s, level_c,
    meant}, from `probes_c`. `meant`: the scenario starved the zone.
`faults`
    {probe, kind, start_s, end_s}.
`events`
    Gusts, armloads, rain, raking: {kind, start_s, end_s, ...}.
`mishaps`
    Collapses that count, stalls, faults, rain, lighting before the coldest pot was at 115 °C, and coals raked
    out so hot and so fast that pots cool through quartz inversion too quickly: {kind, zone, side, probes,
    start_s, end_s, size_c}. Empty if nothing went wrong.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from logger.reading import Floats
from logger.simulator.fire import Fire
from logger.simulator.probes import Readings, place_c
from logger.simulator.scenario import Scenario

EVERY_S: Final = 5
COLLAPSE_C: Final = 60.0
COLLAPSE_WITHIN_S: Final = 180
STALL_BELOW_C: Final = 20.0
STALL_ABOVE_C: Final = 300.0
STALL_C_PER_MIN: Final = 3.0
STALL_FOR_S: Final = 240


def zone_levels(fire: Fire, scenario: Scenario) -> dict[str, Floats]:
    """Mean reading of perfect probes, by zone, each second; without infrared, which stops at 380 °C."""
    places = place_c(fire, scenario)
    levels: dict[str, list[Floats]] = {}
    for j, spec in enumerate(scenario.probes):
        if spec.probe.reads != "surface":
            levels.setdefault(spec.probe.zone, []).append(places[:, j])
    return {zone: np.mean(columns, axis=0) for zone, columns in levels.items()}


def reachable_target_c(fire: Fire, scenario: Scenario) -> float:
    """A target that this firing's potter could have had: the scenario's, or what was reached. [°C].

    A multiple of 10, at most the scenario's. Zones that the scenario starves don't count.
    """
    starved = {stall.zone for stall in scenario.stalls}
    levels = zone_levels(fire, scenario)
    peaks = [
        float(levels[zone.name].max())
        for zone in scenario.zones
        if zone.name not in starved and zone.name in levels
    ]
    if not peaks:
        return scenario.target_c
    return min(scenario.target_c, float(np.floor((min(peaks) - 8.0) / 10) * 10))


def tell(fire: Fire, scenario: Scenario, readings: Readings, target_c: float) -> dict[str, Any]:
    """Record what happened, with the plan's target [°C]; see the module's docstring."""
    levels = zone_levels(fire, scenario)
    n_s = len(fire.flame_kw)
    peak_s = int(fire.flame_kw.argmax())
    strong = np.flatnonzero(fire.flame_kw > 0.2 * fire.flame_kw.max())
    burn_down_s = int(min(strong[-1] + 1, n_s - 1)) if len(strong) else n_s - 1
    truth: dict[str, Any] = {
        "seed": scenario.seed,
        "title": scenario.title,
        "invented": True,
        "pace": scenario.pace,
        "ambient_c": round(scenario.ambient_c, 1),
        "wind_m_s": round(scenario.wind_m_s, 2),
        "wall_mm": round(scenario.wall_mm, 2),
        "diffusivity_mm2_s": round(scenario.diffusivity_mm2_s, 3),
        "target_c": target_c,
        "duration_s": float(readings.t_s[-1]),
        "lit_s": fire.lit_s,
        "flame_peak_s": float(peak_s),
        "burn_down_s": float(burn_down_s),
        "raked_s": fire.raked_s,
        "stages": _stages(fire, burn_down_s),
        "crossing_s": _crossing(fire, scenario),
        "every_s": EVERY_S,
        "zones": _zones(fire, scenario, levels, target_c),
        "collapses": _collapses(fire, scenario, levels),
        "stalls": _stalls(fire, scenario, levels, target_c),
        "faults": readings.faults,
        "events": [event for event in fire.events if event["kind"] != "coal_collapse"],
    }
    truth["mishaps"] = _mishaps(fire, scenario, truth)
    return truth


def _probe_names(scenario: Scenario, zone: str) -> list[str]:
    return [s.probe.name for s in scenario.probes if s.probe.zone == zone]


def _side(scenario: Scenario, zone: str) -> str:
    return next((z.side for z in scenario.zones if z.name == zone), "centre")


def _every(values: Floats) -> list[float]:
    return [round(float(v), 1) for v in values[::EVERY_S]]


def _zones(
    fire: Fire, scenario: Scenario, levels: dict[str, Floats], target_c: float
) -> dict[str, dict[str, Any]]:
    zones: dict[str, dict[str, Any]] = {}
    for zone, level in levels.items():
        spec = next((z for z in scenario.zones if z.name == zone), None)
        at_target = np.flatnonzero(level >= target_c)
        facts: dict[str, Any] = {
            "height_cm": 0.0 if spec is None else spec.height_cm,
            "side": _side(scenario, zone),
            "holds_pots": spec is not None,
            "probes": _probe_names(scenario, zone),
            "peak_c": round(float(level.max()), 1),
            "peak_s": float(level.argmax()),
            "reached_target_s": float(at_target[0]) if len(at_target) else None,
            "probes_c": _every(level),
        }
        if spec is None:
            facts["coals_c"] = _every(fire.coals_c[:, 0])
        else:
            wall = fire.wall_c[:, scenario.zones.index(spec)]
            facts |= {name: _every(wall[:, i]) for i, name in enumerate(("outer_c", "middle_c", "inner_c"))}
            rate = wall[60:, 0] - wall[:-60, 0]
            midway = wall[30:-30, 0]
            hot = np.abs(midway - 573.0) < 30.0
            facts["fastest_below_120_c_per_min"] = round(float(rate[midway < 120.0].max(initial=0.0)), 1)
            facts["fastest_fall_at_573_c_per_min"] = round(float(-rate[hot].min(initial=0.0)), 1)
        zones[zone] = facts
    return zones


def _stages(fire: Fire, burn_down_s: int) -> list[dict[str, Any]]:
    outer = fire.wall_c[:, :, 0]
    lit = int(fire.lit_s)
    near = (outer >= outer.max(axis=0) - 40).mean(axis=1) >= 0.5
    peak = np.flatnonzero(near & (np.arange(len(near)) > lit))
    stages = [{"stage": "drying", "from_s": 0.0}, {"stage": "climb", "from_s": float(lit)}]
    if len(peak) and peak[0] < burn_down_s:
        stages.append({"stage": "peak", "from_s": float(peak[0])})
    stages.append({"stage": "burn_down", "from_s": float(burn_down_s)})
    cold = np.flatnonzero((outer.max(axis=1) < 400) & (np.arange(len(outer)) > burn_down_s))
    cooling = [float(cold[0])] if len(cold) else []
    if fire.raked_s is not None:
        cooling.append(fire.raked_s)
    if cooling:
        stages = [s for s in stages if float(str(s["from_s"])) < min(cooling)]
        stages.append({"stage": "cooling", "from_s": min(cooling)})
    return stages


def _crossing(fire: Fire, scenario: Scenario) -> float | None:
    order = np.argsort([zone.height_cm for zone in scenario.zones])
    bottom, top = fire.wall_c[:, order[0], 0], fire.wall_c[:, order[-1], 0]
    end = len(top) if fire.raked_s is None else int(fire.raked_s)
    leads = np.flatnonzero(top[int(fire.lit_s) : end] > bottom[int(fire.lit_s) : end])
    if not len(leads) or leads[-1] >= end - int(fire.lit_s) - 1:
        return None
    return float(fire.lit_s + leads[-1] + 1)


def _most_lost(level: Floats, start: int) -> float:
    window = level[start : start + COLLAPSE_WITHIN_S + 1]
    return round(float((np.maximum.accumulate(window) - window).max()), 1)


def _collapses(fire: Fire, scenario: Scenario, levels: dict[str, Floats]) -> list[dict[str, Any]]:
    facts: list[dict[str, Any]] = []
    for event in fire.events:
        if event["kind"] != "coal_collapse":
            continue
        start, zone = int(event["start_s"]), event["zone"]
        after = min(start + COLLAPSE_WITHIN_S, len(fire.coals_c) - 1)
        change = float(fire.coals_c[after, 0] - fire.coals_c[start, 0])
        probes_lost = _most_lost(levels[zone], start)
        facts.append(
            {
                "zone": zone,
                "side": _side(scenario, zone),
                "probes": _probe_names(scenario, zone),
                "start_s": event["start_s"],
                "end_s": event["end_s"] if event["end_s"] is not None else float(len(fire.flame_kw) - 1),
                "probes_lost_c": probes_lost,
                "wall_lost_c": _most_lost(fire.wall_c[:, scenario.zone_at(zone), 0], start),
                "coals_change_c": round(change, 1),
                "coals_held": change > -25.0,
                "counts": probes_lost >= COLLAPSE_C and change > -25.0,
            }
        )
    return facts


def _stalls(
    fire: Fire, scenario: Scenario, levels: dict[str, Floats], target_c: float
) -> list[dict[str, Any]]:
    facts: list[dict[str, Any]] = []
    end = len(fire.flame_kw) if fire.raked_s is None else int(fire.raked_s)
    meant = {stall.zone for stall in scenario.stalls}
    for zone in (z.name for z in scenario.zones if z.name in levels):
        level = levels[zone][:end]
        rate = np.full(end, np.inf)
        rate[60:-60] = (level[120:] - level[:-120]) / 2.0
        there = np.maximum.accumulate(level) >= target_c
        still = (
            (np.abs(rate) < STALL_C_PER_MIN)
            & (level <= target_c - STALL_BELOW_C)
            & (level > STALL_ABOVE_C)
            & ~there
        )
        edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]])))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if b - a >= STALL_FOR_S:
                facts.append(
                    {
                        "zone": zone,
                        "probes": _probe_names(scenario, zone),
                        "start_s": float(a),
                        "end_s": float(b),
                        "level_c": round(float(level[a:b].mean()), 1),
                        "meant": zone in meant,
                    }
                )
    return sorted(facts, key=lambda fact: float(fact["start_s"]))


def _mishaps(fire: Fire, scenario: Scenario, truth: dict[str, Any]) -> list[dict[str, Any]]:
    zone_of = {s.probe.name: s.probe.zone for s in scenario.probes}
    found: list[tuple[str, str | None, list[str], dict[str, Any], float | None]] = []
    for case in truth["collapses"]:
        if case["counts"]:
            found.append(("coal_collapse", case["zone"], case["probes"], case, case["probes_lost_c"]))
    for case in truth["stalls"]:
        short_c = round(float(truth["target_c"] - case["level_c"]), 1)
        found.append(("stalled_zone", case["zone"], case["probes"], case, short_c))
    for case in truth["faults"]:
        found.append(("probe_fault", zone_of[case["probe"]], [case["probe"]], case, None))
    found += [("rain", None, [], case, None) for case in truth["events"] if case["kind"] == "rain"]
    coldest = float(fire.wall_c[int(fire.lit_s), :, 1].min())
    if coldest < 115.0:
        lit = {"start_s": fire.lit_s, "end_s": fire.lit_s}
        found.append(("lit_too_early", None, [], lit, round(coldest, 1)))
    if scenario.rake_hot:
        raked = (case for case in truth["events"] if case["kind"] == "rake_out")
        found += [("raked_hot", None, [], case, None) for case in raked]
    return [
        {
            "kind": kind,
            "zone": zone,
            "side": None if zone is None else _side(scenario, zone),
            "probes": probes,
            "start_s": case["start_s"],
            "end_s": case["end_s"],
            "size_c": size_c,
        }
        for kind, zone, probes, case, size_c in sorted(found, key=lambda one: float(one[3]["start_s"]))
    ]
