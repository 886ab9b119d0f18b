"""How good the wall estimate is on simulated firings that nothing was tuned on, and what it costs.

Run by hand: ``python -m tests.benchmarks.bench_estimate [--firings 24] [--first-seed 5000]``. The naive reading is
that of the zone's probe nearest to its wall: one that touches it where there is one, else one in the air
beside it. Only zones that hold pots count; the truth is the mean through the wall.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from logger.judgement.estimate import Estimator
from logger.judgement.smoothing import smooth
from logger.judgement.zone_model import Model
from logger.physics.uncertainty import infrared_budget
from logger.plan import Plan, Probe
from logger.reading import Floats, Status
from logger.sources.simulated import Scenario, SimulatedFiring, simulate_scenario
from logger.sources.simulated.drawing import draw

STAGES = ("drying", "climb", "peak", "burn_down", "cooling")
EVERY_S = 5


@dataclass
class Tally:
    """Errors by stage, and by what the zone's best probe reads."""

    estimate: dict[str, list[Floats]] = field(default_factory=dict)
    naive: dict[str, list[Floats]] = field(default_factory=dict)
    held: dict[str, list[Floats]] = field(default_factory=dict)

    def add(self, key: str, estimate: Floats, naive: Floats, held: Floats) -> None:
        known = np.isfinite(estimate)
        self.estimate.setdefault(key, []).append(estimate[known])
        self.naive.setdefault(key, []).append(naive[known & np.isfinite(naive)])
        self.held.setdefault(key, []).append(held[known])

    def row(self, key: str) -> str:
        if key not in self.estimate:
            return f"{key:<24} none"
        error = rms(np.concatenate(self.estimate[key]))
        naive = rms(np.concatenate(self.naive[key]))
        held = np.concatenate(self.held[key]).mean()
        bias = np.concatenate(self.estimate[key]).mean()
        return f"{key:<24}{error:8.1f}{bias:8.1f}{naive:8.1f}{error / naive:8.2f}{100 * held:8.1f}"


HEAD = f"{'':<24}{'rms':>8}{'bias':>8}{'naive':>8}{'ratio':>8}{'held %':>8}"


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def truth(firing: SimulatedFiring, zone: str, t_s: Floats) -> tuple[Floats, Floats]:
    """Mean through the wall, and its outer face."""
    facts = firing.truth["zones"][zone]
    outer, middle, inner = (np.array(facts[name]) for name in ("outer_c", "middle_c", "inner_c"))
    grid = np.arange(len(outer)) * firing.truth["every_s"]
    return np.interp(t_s, grid, 0.25 * outer + 0.5 * middle + 0.25 * inner), np.interp(t_s, grid, outer)


def stage_at(firing: SimulatedFiring, t_s: Floats) -> list[str]:
    begins = [(s["from_s"], s["stage"]) for s in firing.truth["stages"]]
    return [next(name for start, name in reversed(begins) if t >= start) for t in t_s.tolist()]


def nearest(plan: Plan, zone: str) -> tuple[int, str] | None:
    found = [(p.reads != "wall", j, p.reads) for j, p in enumerate(plan.probes) if p.zone == zone]
    found = [f for f in found if f[2] in ("wall", "air")]
    return (min(found)[1], min(found)[2]) if found else None


def spots_for(firing: SimulatedFiring, seed: int) -> list[tuple[float, str, float, float]]:
    """One spot of each zone every 10 min: a gun with a fault of its own, aimed a little elsewhere each time."""
    rng = np.random.default_rng([seed, 99])
    gun = rng.normal()
    spots = []
    for t in np.arange(600.0, firing.t_s[-1], 600.0):
        for zone, facts in firing.truth["zones"].items():
            if facts["holds_pots"]:
                outer = float(truth(firing, zone, np.array([t]))[1][0])
                causes = infrared_budget(outer, surroundings_c=100.0).causes
                own = float(np.hypot(causes["instrument"], causes["emissivity"]))
                aim = float(causes["aim"])
                total = float(np.hypot(own, aim))
                spots.append((float(t), zone, outer + gun * own + rng.normal(0, aim), total))
    return spots


def follow(
    firing: SimulatedFiring, model: Model | None, spots: Iterable[tuple[float, str, float, float]]
) -> tuple[Floats, tuple[str, ...], Floats, Floats, Floats]:
    """Run live; estimate and band every five seconds."""
    estimator = Estimator(firing.plan, model=model)
    due = list(spots)
    at, rows = [], []
    period = max(round(EVERY_S / float(np.median(np.diff(firing.t_s)))), 1)
    for i, t in enumerate(firing.t_s.tolist()):
        estimator.push(t, firing.temperature_c[i], firing.status[i])
        while due and due[0][0] <= t:
            estimator.spot(*due.pop(0))
        if i % period == 0 and i:
            # The estimate is of the last whole second.
            at.append(firing.t_s[i - 1])
            rows.append([(z.wall_c, z.lo_c, z.hi_c) for z in estimator.state().values()])
    wall, low, high = np.array(rows).transpose(2, 0, 1)
    return np.array(at), estimator.zones, wall, low, high


def score(
    firing: SimulatedFiring,
    zones: tuple[str, ...],
    t_s: Floats,
    wall: Floats,
    low: Floats,
    high: Floats,
    tally: Tally,
) -> None:
    stages = np.array(stage_at(firing, t_s))
    for z, zone in enumerate(zones):
        best = nearest(firing.plan, zone)
        if best is None or not firing.truth["zones"][zone]["holds_pots"]:
            continue
        true, _ = truth(firing, zone, t_s)
        column = firing.temperature_c[:, best[0]]
        naive = column[np.searchsorted(firing.t_s, t_s)] - true
        held = (low[:, z] <= true) & (true <= high[:, z])
        for stage in STAGES:
            now = stages == stage
            if now.any():
                tally.add(stage, (wall[:, z] - true)[now], naive[now], held[now])
                tally.add(f"{stage} ({best[1]})", (wall[:, z] - true)[now], naive[now], held[now])
        hot = np.isin(stages, ("climb", "peak", "burn_down"))
        tally.add("climb to burn-down", (wall[:, z] - true)[hot], naive[hot], held[hot])


def goals(seeds: range, mishaps: str) -> None:
    probes, spotted, told, smoothed = Tally(), Tally(), Tally(), Tally()
    for seed in seeds:
        scenario = draw(seed, mishaps=mishaps)
        firing = simulate_scenario(scenario, rate_hz=1.0)
        t, zones, *band = follow(firing, None, ())
        score(firing, zones, t, *band, probes)
        t, zones, *band = follow(firing, None, spots_for(firing, seed))
        score(firing, zones, t, *band, spotted)
        t, zones, *band = follow(firing, Model.of_wall(round(scenario.wall_mm)), ())
        score(firing, zones, t, *band, told)
        whole = smooth(firing.plan, firing.t_s, firing.temperature_c, firing.status)
        score(firing, whole.zones, whole.t_s, whole.wall_c, whole.lo_c, whole.hi_c, smoothed)
    kinds = [f"{stage} ({reads})" for stage in STAGES[1:4] for reads in ("air", "wall")]
    for title, tally, rows in (
        ("probes alone (goal: ratio 0.50, held 85-95 in climb, peak, burn-down)", probes, kinds),
        ("a spot per zone every 10 min (goal: ratio 0.33)", spotted, kinds),
        ("probes alone, wall's thickness told to a millimetre", told, []),
        ("smoothed afterwards, probes alone", smoothed, []),
    ):
        print(f"\n{title}; mishaps: {mishaps}\n{HEAD}")
        for key in (*STAGES, "climb to burn-down", *rows):
            print(tally.row(key))


def mismatch(seeds: range) -> None:
    def lagging(scenario: Scenario, factor: float) -> Scenario:
        return replace(scenario, probes=tuple(replace(p, lag_s=factor * p.lag_s) for p in scenario.probes))

    changes = {
        "as drawn": lambda s: s,
        "wall half as thick": lambda s: replace(s, wall_mm=s.wall_mm / 2),
        "wall twice as thick": lambda s: replace(s, wall_mm=s.wall_mm * 2),
        "wind halved": lambda s: replace(s, wind_m_s=s.wind_m_s / 2),
        "wind doubled": lambda s: replace(s, wind_m_s=s.wind_m_s * 2),
        "lags halved": lambda s: lagging(s, 0.5),
        "lags doubled": lambda s: lagging(s, 2.0),
    }
    print(f"\nreal physics other than the model's, climb to burn-down, no mishaps\n{HEAD}")
    for name, change in changes.items():
        probes, spotted, told = Tally(), Tally(), Tally()
        for seed in seeds:
            firing = simulate_scenario(change(draw(seed, mishaps="none")), rate_hz=0.5)
            t, zones, *band = follow(firing, None, ())
            score(firing, zones, t, *band, probes)
            t, zones, *band = follow(firing, None, spots_for(firing, seed))
            score(firing, zones, t, *band, spotted)
            wall = Model.of_wall(change(draw(seed, mishaps="none")).wall_mm)
            t, zones, *band = follow(firing, wall, ())
            score(firing, zones, t, *band, told)
        rows = [(name, probes), ("  with spots", spotted)]
        rows += [("  thickness told", told)] if "wall" in name else []
        for label, tally in rows:
            print(label.ljust(24) + tally.row("climb to burn-down")[24:])


def faults(seeds: range) -> None:
    """How far a lying probe takes its zone from where the estimate would be without that probe, or with it sound."""
    print("\ndrag of a faulty probe: how far the estimate is from both that without the probe")
    print("and that with the probe sound, at worst [°C] (goal: at most 30)")
    print(f"{'':<24}{'firings':>8}{'median':>8}{'worst':>8}{'over 30':>8}")
    for kind in ("fallen_out", "stuck", "intermittent", "cold_junction_hot"):
        worst = []
        for seed in seeds:
            firing = simulate_scenario(draw(seed, mishaps=[kind]), rate_hz=1.0)
            fault = firing.truth["faults"][0]
            column = next(j for j, p in enumerate(firing.plan.probes) if p.name == fault["probe"])
            if firing.plan.probes[column].reads == "coals":
                continue
            during = (firing.t_s >= fault["start_s"]) & (firing.t_s <= fault["end_s"])
            without = firing.status.copy()
            without[during, column] = Status.OPEN
            first = int(np.argmax(during))
            bad = Estimator(firing.plan)
            bad.push(firing.t_s[:first], firing.temperature_c[:first], firing.status[:first])
            good = Estimator.restore(firing.plan, bad.snapshot())
            same = Estimator.restore(firing.plan, bad.snapshot())
            sound = simulate_scenario(draw(seed, mishaps="none"), rate_hz=1.0)
            zone = firing.plan.probes[column].zone
            apart = 0.0
            for i in range(first, int(np.flatnonzero(during)[-1]), 5):
                part = slice(i, i + 5)
                bad.push(firing.t_s[part], firing.temperature_c[part], firing.status[part])
                good.push(firing.t_s[part], firing.temperature_c[part], without[part])
                same.push(sound.t_s[part], sound.temperature_c[part], sound.status[part])
                now = bad.state()[zone].wall_c
                apart = max(apart, min(abs(now - e.state()[zone].wall_c) for e in (good, same)))
            worst.append(apart)
        print(
            f"{kind:<24}{len(worst):8d}{np.median(worst):8.1f}{max(worst):8.1f}"
            f"{sum(w > 30 for w in worst):8d}"
        )


def cost() -> None:
    plan = Plan(
        probes=tuple(
            Probe(
                name=f"p{i}",
                channel=f"p{i}",
                reads=("air", "wall")[i % 2],
                zone=f"z{i // 2}",
                height_cm=5.0 * i,
            )
            for i in range(16)
        )
    )
    estimator = Estimator(plan)
    rng = np.random.default_rng(0)
    status = np.zeros(16, dtype=np.uint8)
    taken = []
    for t in range(1500):
        row = 20 + 0.4 * t + rng.normal(0, 3, 16)
        start = time.perf_counter()
        estimator.push(float(t), row, status)
        estimator.state()
        taken.append(time.perf_counter() - start)
    ms = np.sort(np.array(taken[100:]) * 1e3)
    print("\none second of 8 zones with 16 probes, reading in and estimate out [ms] (goal: below 2)")
    print(f"median {np.median(ms):.2f}, 99 of 100 below {ms[int(0.99 * len(ms))]:.2f}")
    print(f"snapshot {len(estimator.snapshot()) / 1024:.0f} KiB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--firings", type=int, default=24)
    parser.add_argument("--first-seed", type=int, default=5000)
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.firings)
    print(f"Simulated firings, seeds {seeds[0]} to {seeds[-1]}. Errors in °C.")
    cost()
    for mishaps in ("none", "any"):
        goals(seeds, mishaps)
    mismatch(seeds[: max(len(seeds) // 2, 1)])
    faults(seeds)


if __name__ == "__main__":
    main()
