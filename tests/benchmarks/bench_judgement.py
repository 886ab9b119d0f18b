"""Scores the alarm rules on simulated firings they were not tuned on, beside two plain baselines.

Run by hand: `python -m tests.benchmarks.bench_judgement --first 1000 --firings 200`. Seeds below 1000 are for
tuning. Half of the firings have mishaps in them ("any"); a quarter a collapse for certain; a quarter none.
"""

from __future__ import annotations

import argparse
import multiprocessing
import statistics
import time
from collections import defaultdict
from typing import Any, Final

import numpy as np

from logger.judgement.judge import Judge
from logger.reading import Floats
from logger.sources.simulated import SimulatedFiring, simulate

KINDS: Final = ("any", "collapse", "any", "none")
Alarm = tuple[float, str, str | None, str | None, bool]


def judged(firing: SimulatedFiring) -> list[Alarm]:
    """Alarms of the judgement with default settings."""
    judge = Judge(firing.plan)
    events = judge.push(firing.t_s, firing.temperature_c, firing.status, firing.cold_junction_c)
    events += judge.advance(float(firing.t_s[-1]) + 3.0)
    return [
        (e.t_s, e.data["rule"], e.data["zone"], e.data["probe"], e.data["warning"])
        for e in events
        if e.kind == "alarm" and e.data["transition"] == "raised"
    ]


def zone_means(firing: SimulatedFiring) -> dict[str, Floats]:
    """Mean of each zone's thermocouples but those in coals, gaps filled with what was last."""
    zones: dict[str, list[int]] = defaultdict(list)
    for j, probe in enumerate(firing.plan.probes):
        if probe.reads in ("air", "wall"):
            zones[probe.zone].append(j)
    means = {}
    for zone, columns in zones.items():
        values = firing.temperature_c[:, columns]
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
            found.append((float(t), "coal_collapse", zone, None, True))
        last = t
    return found


def by_difference(firing: SimulatedFiring) -> list[Alarm]:
    """Baseline 1: a zone has lost 40 °C against a minute ago."""
    found: list[Alarm] = []
    for zone, level in zone_means(firing).items():
        lost = np.zeros(len(level))
        lost[60:] = level[:-60] - level[60:]
        found += edges(zone, (lost > 40.0) & (level > 200.0))
    return found


def by_cusum(firing: SimulatedFiring) -> list[Alarm]:
    """Baseline 2: one-sided CUSUM on what a line through the last 60 s leaves over 10 s ahead."""
    found: list[Alarm] = []
    x = np.arange(60.0)
    slope = (x - x.mean()) / ((x - x.mean()) ** 2).sum()
    weights = 1.0 / 60.0 + slope * (69.0 - x.mean())
    for zone, level in zone_means(firing).items():
        n = len(level)
        ahead = np.convolve(level, weights[::-1])[59:n]
        rest = level[69:] - ahead[: n - 69]
        total, on = 0.0, np.zeros(n, bool)
        for i, r in enumerate(rest.tolist()):
            total = min(max(0.0, total - r - 12.0), 600.0)
            on[i + 69] = total > 300.0
        found += edges(zone, on & (level > 200.0))
    return found


METHODS: Final = {"judgement": judged, "60 s difference": by_difference, "CUSUM": by_cusum}


def one(job: tuple[int, str]) -> dict[str, Any]:
    """Simulate and judge one firing, three ways."""
    seed, kind = job
    firing = simulate(seed, mishaps={"coal_collapse"} if kind == "collapse" else kind)
    return {
        "seed": seed,
        "truth": firing.truth,
        "hours": float(firing.t_s[-1]) / 3600.0,
        "probes": len(firing.plan.probes),
        "alarms": {name: method(firing) for name, method in METHODS.items()},
    }


def matched(
    results: list[dict[str, Any]], method: str, rule: str, cases: str, within_s: float
) -> tuple[int, int, list[float], int]:
    """Count cases found in time, all cases, delays, and alarms that belong to no case."""
    found, total, false = 0, 0, 0
    delays: list[float] = []
    for result in results:
        truth = result["truth"]
        alarms = [a for a in result["alarms"][method] if a[1] == rule]
        explained: set[Alarm] = set()
        for case in truth[cases]:
            place = (3, case["probe"]) if rule == "probe_fault" else (2, case["zone"])
            here = [
                a
                for a in alarms
                if a[place[0]] == place[1] and case["start_s"] - 30 <= a[0] <= case["end_s"] + 120
            ]
            explained.update(here)
            if rule == "coal_collapse" and not case["counts"]:
                continue
            total += 1
            good = [a[0] - case["start_s"] for a in here if a[0] - case["start_s"] <= within_s]
            if good:
                found += 1
                delays.append(good[0])
        false += len(set(alarms) - explained)
    return found, total, delays, false


def report(results: list[dict[str, Any]]) -> None:
    """Print the table."""
    hours = sum(r["hours"] for r in results)
    probe_hours = sum(r["hours"] * r["probes"] for r in results)
    print(f"{len(results)} firings, {hours:.0f} h, {probe_hours:.0f} probe hours")
    for method in METHODS:
        found, total, delays, false = matched(results, method, "coal_collapse", "collapses", 90.0)
        middle = f"{statistics.median(delays):.0f} s" if delays else "-"
        share = f"{100 * found / total:.1f} %" if total else "-"
        print(
            f"{method:16} collapse in 90 s: {found}/{total} = {share}, median delay {middle},"
            f" false {false} = {false / hours:.3f} an hour"
        )
    found, total, delays, false = matched(results, "judgement", "stalled_zone", "stalls", 420.0)
    print(f"stalled zone within 7 min: {found}/{total}, false {false} = {false / hours:.3f} an hour")
    found, total, delays, false = matched(results, "judgement", "probe_fault", "faults", 30.0)
    print(f"probe fault within 30 s: {found}/{total}, false {false} = {false / probe_hours:.4f} a probe hour")
    clean = [r for r in results if not r["truth"]["mishaps"]]
    warned = [r for r in clean if any(a[4] for a in r["alarms"]["judgement"])]
    rules: dict[str, int] = defaultdict(int)
    for result in warned:
        for rule in {a[1] for a in result["alarms"]["judgement"] if a[4]}:
            rules[rule] += 1
    print(f"nothing wrong, yet a warning: {len(warned)} of {len(clean)} {dict(rules)}")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--firings", type=int, default=200)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="report what is done by then")
    given = parser.parse_args()
    jobs = [(given.first + i, KINDS[i % len(KINDS)]) for i in range(given.firings)]
    results: list[dict[str, Any]] = []
    start_s = time.monotonic()
    with multiprocessing.Pool(given.processes) as pool:
        for result in pool.imap(one, jobs):
            results.append(result)
            if time.monotonic() - start_s > given.seconds:
                break
        pool.terminate()
    report(results)


if __name__ == "__main__":
    main()
