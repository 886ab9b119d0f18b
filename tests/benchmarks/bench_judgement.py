"""Scores the alarm rules on simulated firings they were not tuned on, beside two plain baselines.

Run by hand: `python -m tests.benchmarks.bench_judgement --first 1000 --firings 200`. Seeds below 1000 are for
tuning. Half of the firings have mishaps in them ("any"); a quarter a collapse for certain; a quarter none.
`--rate` gives readings a second; `--no-plan` judges by the columns' names alone, as without a plan.

A case counts as found if its alarm was raised from 30 s before its start to the time allowed, or stood already.
A collapse counts where the zone lost 60 °C or more within 3 min while the coals held. What is lost after the
next armload was laid doesn't count, as that is the armload's own dip, which must not be called a collapse; nor
does a collapse where no probe of the zone could be believed when it came, or a stall where none could be during
the seven minutes, as such a zone has no verdict. Lines of their own tell what it would be with these counted. A
fault counts where there is something to see: not a warm terminal block that never comes to 60 °C, nor a stuck
infrared sensor that is beyond its range anyway. Where coals slump too little to count, or are raked out so hot
that pots fall through quartz inversion too fast, a firing isn't one in which nothing is wrong. The baselines
get each zone's mean of true readings, and are silent below 200 °C; their thresholds are the best of several on
tuning seeds.
"""

from __future__ import annotations

import argparse
import multiprocessing
import statistics
import time
from collections import defaultdict
from dataclasses import replace
from functools import partial
from typing import Any, Final, NamedTuple

import numpy as np

from logger.judgement.judge import Judge
from logger.plan import plan_for_columns
from logger.reading import Floats, Status
from logger.sources.simulated import SimulatedFiring, simulate

LEAST_LOST_C: Final = 60.0
WITHIN_S: Final = 180.0
STALL_WITHIN_S: Final = 420.0
KINDS: Final = ("any", "collapse", "any", "none")
LOST_C: Final = 55.0
CUSUM_SLACK, CUSUM_LIMIT = 1.0, 60.0


class Alarm(NamedTuple):
    """An alarm that came up."""

    raised_s: float
    cleared_s: float
    rule: str
    zone: str | None
    probe: str | None
    warning: bool


def judged(firing: SimulatedFiring, *, no_plan: bool = False) -> list[Alarm]:
    """Alarms of the judgement with default settings."""
    plan = firing.plan
    zone_of: dict[str | None, str] = {}
    if no_plan:
        zone_of = {probe.name: probe.zone for probe in plan.probes}
        plan = plan_for_columns([probe.name for probe in plan.probes])
        # What the potter wants to reach is in no column's name.
        plan = replace(plan, target_c=firing.plan.target_c)
    judge = Judge(plan)
    events = judge.push(firing.t_s, firing.temperature_c, firing.status, firing.cold_junction_c)
    events += judge.advance(float(firing.t_s[-1]) + 3.0)
    found: list[Alarm] = []
    up: dict[str, int] = {}
    for event in events:
        if event.kind != "alarm":
            continue
        data = event.data
        if data["transition"] == "raised":
            up[data["key"]] = len(found)
            zone = zone_of.get(data["zone"], data["zone"])
            found.append(Alarm(event.t_s, np.inf, data["rule"], zone, data["probe"], bool(data["warning"])))
        elif data["transition"] == "cleared":
            at = up.pop(data["key"])
            found[at] = found[at]._replace(cleared_s=event.t_s)
    return found


def zone_means(firing: SimulatedFiring) -> dict[str, Floats]:
    """Mean of each zone's thermocouples but those in coals, at 1 Hz, gaps filled with what was last."""
    grid = np.searchsorted(firing.t_s, np.arange(int(firing.t_s[-1]) + 1), side="right") - 1
    zones: dict[str, list[int]] = defaultdict(list)
    for j, probe in enumerate(firing.plan.probes):
        if probe.reads in ("air", "wall"):
            zones[probe.zone].append(j)
    means = {}
    for zone, columns in zones.items():
        values = firing.temperature_c[grid][:, columns]
        known = np.isfinite(values)
        total = np.where(known, values, 0.0).sum(axis=1)
        mean = total / np.where(known.any(axis=1), known.sum(axis=1), np.nan)
        seen = np.where(np.isfinite(mean), np.arange(len(mean)), 0)
        means[zone] = mean[np.maximum.accumulate(seen)]
    return means


def edges(zone: str, on: Any, quiet_s: int = 120) -> list[Alarm]:
    """Alarms where a condition comes up after it was away for a time."""
    found: list[Alarm] = []
    last = -quiet_s - 1
    for t in np.flatnonzero(on).tolist():
        if t - last > quiet_s:
            found.append(Alarm(float(t), float(t), "coal_collapse", zone, None, True))
        last = t
    return found


def by_difference(firing: SimulatedFiring, lost_c: float = LOST_C) -> list[Alarm]:
    """Baseline 1: a zone has lost so much against a minute ago."""
    found: list[Alarm] = []
    for zone, level in zone_means(firing).items():
        lost = np.zeros(len(level))
        lost[60:] = level[:-60] - level[60:]
        found += edges(zone, (lost > lost_c) & (level > 200.0))
    return found


def by_cusum(firing: SimulatedFiring, slack: float = CUSUM_SLACK, limit: float = CUSUM_LIMIT) -> list[Alarm]:
    """Baseline 2: one-sided CUSUM on what a line through the last 60 s leaves over 10 s ahead.

    What is left over counts in its own standard deviations over the five minutes before, at least 3 °C.
    """
    found: list[Alarm] = []
    x = np.arange(60.0)
    slope = (x - x.mean()) / ((x - x.mean()) ** 2).sum()
    weights = 1.0 / 60.0 + slope * (69.0 - x.mean())
    for zone, level in zone_means(firing).items():
        n = len(level)
        ahead = np.convolve(level, weights[::-1])[59:n]
        rest = level[69:] - ahead[: n - 69]
        square = np.cumsum(np.concatenate([[0.0], rest**2]))
        i = np.arange(len(rest))
        begin, end = np.maximum(i - 330, 0), np.maximum(i - 30, 1)
        sigma = np.maximum(np.sqrt((square[end] - square[begin]) / np.maximum(end - begin, 1)), 3.0)
        total, on = 0.0, np.zeros(n, bool)
        for t, r in enumerate((rest / sigma).tolist()):
            total = min(max(0.0, total - r - slack), 2.0 * limit)
            on[t + 69] = total > limit
        found += edges(zone, on & (level > 200.0))
    return found


def collapses(truth: dict[str, Any]) -> list[dict[str, Any]]:
    """Collapses with what makes one count; `labelled` is what the simulation says of it."""
    found = []
    loads = [event["start_s"] for event in truth["events"] if event["kind"] == "armload"]
    for case in truth["collapses"]:
        start_s = case["start_s"]
        until_s = min([t for t in loads if t >= start_s], default=np.inf)
        until_s = min(until_s, start_s + WITHIN_S)
        zone = truth["zones"][case["zone"]]
        every_s = truth["every_s"]
        course = np.array(zone["probes_c"][int(np.ceil(start_s / every_s)) : int(until_s // every_s) + 1])
        lost_c = float((np.maximum.accumulate(course) - course).max(initial=0.0))
        counts = case["counts"] and lost_c >= LEAST_LOST_C
        counts = counts and believable(truth, case["zone"], start_s, start_s + 30.0)
        found.append({**case, "counts": counts, "labelled": case["counts"]})
    return found


def believable(truth: dict[str, Any], zone: str, from_s: float, to_s: float) -> bool:
    """Whether a thermocouple of the zone had no fault meanwhile."""
    bad = {
        fault["probe"]
        for fault in truth["faults"]
        if fault["kind"] != "cold_junction_hot" and fault["start_s"] <= to_s and fault["end_s"] >= from_s
    }
    return any(probe not in bad and not probe.endswith(" ir") for probe in truth["zones"][zone]["probes"])


def stalls(truth: dict[str, Any]) -> list[dict[str, Any]]:
    """Stalls with what makes one count."""
    return [
        {**case, "counts": believable(truth, case["zone"], case["start_s"], case["start_s"] + STALL_WITHIN_S)}
        for case in truth["stalls"]
    ]


def faults(firing: SimulatedFiring) -> list[dict[str, Any]]:
    """Faults of probes with what makes one count."""
    names = [probe.name for probe in firing.plan.probes]
    found = []
    for fault in firing.truth["faults"]:
        j = names.index(fault["probe"])
        on = (firing.t_s >= fault["start_s"]) & (firing.t_s <= fault["end_s"])
        hot = fault["kind"] == "cold_junction_hot"
        cool = hot and float(np.nanmax(firing.cold_junction_c[on, j])) < 60.0
        blind = fault["kind"] == "stuck" and bool((firing.status[on, j] == Status.RANGE).all())
        found.append({**fault, "counts": not cool and not blind})
    return found


BASELINES: Final = {"60 s difference": by_difference, "CUSUM": by_cusum}


def one(job: tuple[int, str], rate_hz: float, no_plan: bool) -> dict[str, Any]:
    """Simulate and judge one firing, three ways."""
    seed, kind = job
    firing = simulate(seed, mishaps={"coal_collapse"} if kind == "collapse" else kind, rate_hz=rate_hz)
    truth = {**firing.truth, "collapses": collapses(firing.truth), "stalls": stalls(firing.truth)}
    begin = time.process_time()
    alarms = {"judgement": judged(firing, no_plan=no_plan)}
    cpu_s = time.process_time() - begin
    return {
        "seed": seed,
        "truth": truth | {"faults": faults(firing)},
        "hours": float(firing.t_s[-1]) / 3600.0,
        "probes": len(firing.plan.probes),
        "cpu_s": cpu_s,
        "alarms": alarms | {name: method(firing) for name, method in BASELINES.items()},
    }


def matched(
    results: list[dict[str, Any]], method: str, rule: str, cases: str, within_s: float, by: str = "counts"
) -> tuple[int, int, list[float], int]:
    """Count cases found in time, all cases, delays, and alarms that belong to no case."""
    found, total, false = 0, 0, 0
    delays: list[float] = []
    for result in results:
        truth = result["truth"]
        alarms = [a for a in result["alarms"][method] if a.rule == rule]
        explained: set[Alarm] = set()
        for case in truth[cases]:
            start_s, end_s = case["start_s"], case["end_s"]
            here = [
                a
                for a in alarms
                if (a.probe == case["probe"] if rule == "probe_fault" else a.zone == case["zone"])
                and a.cleared_s >= start_s - 30
                and a.raised_s <= end_s + 120
            ]
            explained.update(here)
            if not case.get(by, True):
                continue
            total += 1
            delay_s = max(min((a.raised_s for a in here), default=np.inf) - start_s, 0.0)
            if delay_s <= within_s:
                found += 1
                delays.append(delay_s)
        false += len(set(alarms) - explained)
    return found, total, delays, false


def report(results: list[dict[str, Any]]) -> None:
    """Print the table."""
    hours = sum(r["hours"] for r in results)
    probe_hours = sum(r["hours"] * r["probes"] for r in results)
    cpu_us = 1e6 * sum(r["cpu_s"] for r in results) / (3600.0 * hours)
    print(f"{len(results)} firings, {hours:.0f} h, {probe_hours:.0f} probe hours; {cpu_us:.0f} µs a second")
    for method in ("judgement", *BASELINES):
        found, total, delays, false = matched(results, method, "coal_collapse", "collapses", 90.0)
        middle = f"{statistics.median(delays):.0f} s" if delays else "-"
        share = f"{100 * found / total:.1f} %" if total else "-"
        print(
            f"{method:16} collapse in 90 s: {found}/{total} = {share}, median delay {middle},"
            f" false {false} = {false / hours:.3f} an hour"
        )
    found, total, _, _ = matched(results, "judgement", "coal_collapse", "collapses", 90.0, "labelled")
    print(f"judgement, with losses by armloads and without a probe: {found}/{total}")
    found, total, delays, false = matched(results, "judgement", "stalled_zone", "stalls", STALL_WITHIN_S)
    print(f"stalled zone within 7 min: {found}/{total}, false {false} = {false / hours:.3f} an hour")
    found, total, _, _ = matched(results, "judgement", "stalled_zone", "stalls", STALL_WITHIN_S, "labelled")
    print(f"the same with those that no probe could show: {found}/{total}")
    found, total, delays, false = matched(results, "judgement", "probe_fault", "faults", 30.0)
    print(f"probe fault within 30 s: {found}/{total}, false {false} = {false / probe_hours:.4f} a probe hour")
    clean = [r for r in results if not r["truth"]["mishaps"] and not r["truth"]["collapses"]]
    warned = [r for r in clean if any(a.warning for a in r["alarms"]["judgement"])]
    rules: dict[str, int] = defaultdict(int)
    for result in warned:
        for rule in {a.rule for a in result["alarms"]["judgement"] if a.warning}:
            rules[rule] += 1
    print(f"nothing wrong, yet a warning: {len(warned)} of {len(clean)} {dict(rules)}")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--firings", type=int, default=200)
    parser.add_argument("--rate", type=float, default=1.0, help="readings a second")
    parser.add_argument("--no-plan", action="store_true")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="report what is done by then")
    given = parser.parse_args()
    jobs = [(given.first + i, KINDS[i % len(KINDS)]) for i in range(given.firings)]
    results: list[dict[str, Any]] = []
    start_s = time.monotonic()
    with multiprocessing.Pool(given.processes) as pool:
        for result in pool.imap(partial(one, rate_hz=given.rate, no_plan=given.no_plan), jobs):
            results.append(result)
            if time.monotonic() - start_s > given.seconds:
                break
        pool.terminate()
    report(results)


if __name__ == "__main__":
    main()
