"""How good estimate and forecast are, family by family, each family left out of what was fitted.

Run by hand: ``python -m tests.benchmarks.bench_pots --fires 12 --second FOLDER…``. Each folder has one fire
that another program's script wrote. ``--fit`` prints new numbers for `logger.judgement.forecast.calibration`.

Nothing in the estimate is fitted but a few bounded numbers (`estimate.model`); it is scored as it is, against
the zone's nearest sound probe: one on a wall if there is one, else infrared, else air. The forecast's chance
is fitted with each family left out and scored on that family, beside a straight line through two minutes.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from logger.judgement.estimate.zones import EstimateRow
from logger.judgement.forecast import outlook
from logger.judgement.forecast.arrivals import (
    DRAWN_S,
    HOUR_S,
    Rates,
    can_tell,
    chance_told,
    comes_by_line,
    rates,
    signs,
)
from logger.judgement.forecast.calibration import CHANCE, SLOWEST_C_PER_MIN
from logger.judgement.judge import Judge
from logger.reading import Floats, Status
from tests.benchmarks import families
from tests.benchmarks.ember_fires import ember_fire
from tests.benchmarks.fire import Fire, without
from tests.benchmarks.made_fires import EVERY_S, crude, kilnless, lumps

ORDER = ("wall", "surface", "air")
AHEAD_S = DRAWN_S[1:]


@dataclass(frozen=True, slots=True)
class Moment:
    """One zone at one moment with a goal ahead: what it showed, and when the goal was reached."""

    family: str
    stage: str
    now: Rates
    signs: Floats
    goal_c: float
    came_s: float
    ahead_c: Floats  # how the level had changed by `AHEAD_S`


def judged(fire: Fire) -> tuple[list[EstimateRow], list[Moment]]:
    """Judge a fire minute by minute, as if live; return its estimates and the questions put to the
    forecast."""
    asked: list[tuple[float, str, Floats, dict[str, Any]]] = []
    level: dict[str, dict[int, float]] = {}
    zone_now = ""

    def record(at_s: float, past: Floats, **given: Any) -> None:
        for back, value in enumerate(past[:-14:-1]):
            level.setdefault(zone_now, {})[round(at_s) - 5 * back] = float(value)
        asked.append((at_s, zone_now, past.copy(), given))

    judge = Judge(fire.plan, estimating=True)
    value_c = fire.value_c
    status = np.where(np.isfinite(value_c), Status.OK, Status.ABSENT).astype(np.uint8)
    told = outlook.Outlook._forecast

    def of_zone(self: Any, z: int, *rest: Any) -> Any:
        nonlocal zone_now
        zone_now = self._places.zones[z]
        return told(self, z, *rest)

    with patch.object(outlook, "forecast", record), patch.object(outlook.Outlook, "_forecast", of_zone):
        for t in np.arange(60.0, fire.t_s[-1] + 60, 60.0):
            part = slice(*np.searchsorted(fire.t_s, (t - 60, t)))
            judge.push(fire.t_s[part], value_c[part], status[part])
            judge.advance(t)
            judge.verdict()
    rows = judge.take_estimates()
    return rows, list(_moments(fire, asked, level))


def _moments(fire: Fire, asked: list[Any], levels: dict[str, dict[int, float]]) -> Iterator[Moment]:
    for at_s, zone, past, given in asked:
        now = rates(past)
        line = levels[zone]
        if now is None:
            continue
        after = {t - at_s: c for t, c in line.items() if 0 < t - at_s <= HOUR_S}
        changed = np.array([after.get(float(s), np.nan) for s in AHEAD_S]) - now.level_c
        for goal_c in (given["burnout_c"], given["target_c"]):
            if goal_c is None or now.level_c >= goal_c:
                continue
            there = [s for s, c in after.items() if c >= goal_c]
            found = signs(now, goal_c, given["peak_c"], given["stage"])
            came_s = min(there, default=np.inf)
            yield Moment(fire.family, given["stage"], now, found, goal_c, came_s, changed)


# --- the estimate -------------------------------------------------------------------------------------------


def estimate_scores(fire: Fire, rows: list[EstimateRow]) -> Iterator[tuple[str, Floats]]:
    """By zone: its best probe, and every ten seconds a row of error, nearest probe's error, held, far,
    beyond."""
    value_c, sound = fire.value_c, fire.sound(0.0 if fire.family == "simulator" else 60.0)
    for zone, wall in fire.wall_c.items():
        kept = [(r.t_s, r.zones[zone]) for r in rows if zone in r.zones and r.t_s / EVERY_S < len(wall)]
        mine = [j for j, p in enumerate(fire.plan.probes) if p.zone == zone and p.reads in ORDER]
        if not kept or not mine:
            continue
        mine.sort(key=lambda j: (ORDER.index(fire.plan.probes[j].reads), j))
        t = np.array([t for t, _ in kept])
        at = np.searchsorted(fire.t_s, t, "right") - 1
        near = np.full(len(t), np.nan)
        for j in reversed(mine):
            near = np.where(sound[at, j] & (t - fire.t_s[at] < 10), value_c[at, j], near)
        true = wall[(t / EVERY_S).astype(int)]
        said = np.array([(e.wall_c, e.lo_c, e.hi_c) for _, e in kept])
        held = (said[:, 1] <= true) & (true <= said[:, 2])
        yield fire.plan.probes[mine[0]].reads, np.stack([said[:, 0] - true, near - true, held], axis=1)


def estimate_line(name: str, zones: list[Floats]) -> str:
    """A row of the table."""
    rows = np.concatenate(zones)
    known = np.isfinite(rows[:, 1])
    rms, near = (float(np.sqrt(np.mean(rows[known, i] ** 2))) for i in (0, 1))
    far = sum(bool((np.abs(zone[:, 0]) > 150).any()) for zone in zones)
    return (
        f"| {name} | {len(zones)} | {rms:.1f} | {near:.1f} | {rms / near:.2f} |"
        f" {100 * rows[:, 2].mean():.0f} | {far} |"
    )


# --- the forecast -------------------------------------------------------------------------------------------


def weights(moments: list[Moment]) -> Floats:
    """Each family counts the same."""
    of = [m.family for m in moments]
    each = np.array([1 / of.count(f) for f in of])
    return each * len(moments) / each.sum()


def fit(moments: list[Moment]) -> Floats:
    """Mean of two logistic lines: with what ten minutes make good, and with what an hour does."""
    x, y, w = np.array([m.signs for m in moments]), _came(moments), weights(moments)
    mean = np.zeros(x.shape[1])
    for left_out in ([4, 5], [2, 3]):
        kept = [i for i in range(x.shape[1]) if i not in left_out]
        mean[kept] += _logistic(x[:, kept], y, w) / 2
    return mean


def _logistic(x: Floats, y: Floats, w: Floats) -> Floats:
    """A logistic line with a little ridge, by Newton's method."""
    found, ridge = np.zeros(x.shape[1]), np.diag([0.01, *[3.0] * (x.shape[1] - 1)])
    for _ in range(30):
        p = 1 / (1 + np.exp(-x @ found))
        slope = x.T @ (w * (p - y)) + ridge @ found
        found = found - np.linalg.solve((x * (w * p * (1 - p))[:, None]).T @ x + ridge, slope)
    return found


def _came(moments: list[Moment]) -> Floats:
    return np.array([float(np.isfinite(m.came_s)) for m in moments])


def forecast_lines(family: str, moments: list[Moment], line: Floats) -> Iterator[str]:
    """Rows of the table: all, then each stage; both shares of right answers are of the moments told."""
    came = _came(moments) > 0
    straight = np.array([comes_by_line(m.now, m.goal_c) for m in moments])
    stages = np.array([m.stage for m in moments])
    by_signs = 1 / (1 + np.exp(-np.array([m.signs for m in moments]) @ line))
    chance = np.array([chance_told(*one) for one in zip(by_signs, straight, stages, strict=True)])
    told = np.array([can_tell(c) for c in chance])
    for stage in ("all", "climb", "peak", "burn_down"):
        here = np.ones(len(moments), bool) if stage == "all" else stages == stage
        if here.sum() < 20:
            continue
        said = here & told
        right, by_line = ((chance > 0.5) == came)[said].mean(), (straight == came)[said].mean()
        bins = []
        for low, high in ((0.0, 0.3), (0.7, 0.9), (0.9, 1.01)):
            mine = here & told & (chance >= low) & (chance < high)
            if mine.sum() >= 20:
                bins.append(f"{100 * chance[mine].mean():.0f}→{100 * came[mine].mean():.0f}")
        yield (
            f"| {family}, {stage} | {here.sum()} | {100 * right:.0f} | {100 * by_line:.0f} |"
            f" {100 * (~told)[here].mean():.0f} | {', '.join(bins)} |"
        )


def quantiles(values: Floats, weight: Floats) -> Floats:
    """Weighted quantiles: 10, 50 and 90 %."""
    order = np.argsort(values)
    share = np.cumsum(weight[order]) / weight.sum()
    return np.round(values[order][np.searchsorted(share, (0.1, 0.5, 0.9))], 3)


def print_fit(moments: list[Moment]) -> None:
    """Print the calibration."""
    print("CHANCE", np.round(fit(moments), 3).tolist())
    came = [m for m in moments if np.isfinite(m.came_s)]
    w = weights(came)
    pace = np.array([max(m.now.steady_c_per_min, SLOWEST_C_PER_MIN) for m in came])
    line_s = 60 * np.maximum(np.array([m.goal_c - m.now.level_c for m in came]), 1) / pace
    took = np.log(np.maximum([m.came_s for m in came], 5.0))
    x = np.stack([np.ones(len(came)), np.log(line_s)], axis=1)
    found = np.linalg.solve(x.T @ (x * w[:, None]), x.T @ (w * took))
    print("TIME", np.round(found, 3).tolist(), quantiles(took - x @ found, w).tolist())
    two, five = (np.clip([getattr(m.now, n) for m in moments], -60, 120) for n in ("two", "five"))
    x = np.stack([two, five, [m.now.level_c - 450 for m in moments], np.ones(len(moments))], axis=1)
    w = weights(moments)
    for j, ahead_s in enumerate(AHEAD_S):
        y = np.array([m.ahead_c[j] for m in moments])
        ok = np.isfinite(y)
        found = np.linalg.solve(x[ok].T @ (x[ok] * w[ok, None]), x[ok].T @ (w[ok] * y[ok]))
        unit = 8 + 0.6 * np.abs(five[ok]) * min(ahead_s / 60, 5) + 0.2 * np.abs(two[ok])
        spread = quantiles((y[ok] - x[ok] @ found) / unit, w[ok])
        print("CHANGE, SPREAD", ahead_s, np.round(found, 4).tolist(), spread.tolist())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fires", type=int, default=12, help="of each family that is made here")
    parser.add_argument("--first", type=int, default=7000, help="seed of the first")
    parser.add_argument(
        "--second", type=Path, nargs="*", default=[], help="folders of another program's fires"
    )
    parser.add_argument("--fit", action="store_true", help="print the calibration that these fires give")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.fires)
    made: list[Iterable[Fire]] = [
        (families.second(folder, folder.name) for folder in sorted(given.second)),
        (families.own(seed, mishaps="any", mean=True) for seed in seeds),
        *(map(make, seeds) for make in (ember_fire, kilnless, crude, lumps)),
    ]
    zones: dict[str, list[Floats]] = {}
    moments: list[Moment] = []
    for fire in chain.from_iterable(made):
        rows, asked = judged(fire)
        moments += asked
        air = [j for j, p in enumerate(fire.plan.probes) if p.reads in ("air", "coals")]
        thinned = without(fire, air, "air only") if fire.wall_c and len(air) > 1 else None
        for one, kept in ((fire, rows), *([(thinned, judged(thinned)[0])] if thinned else ())):
            mark = "" if one is fire else ", told by air alone"
            for reads, scored in estimate_scores(one, kept):
                zones.setdefault(f"{one.family}, {reads}{mark}", []).append(scored)
    print("\n| estimate: family, best probe | zones | RMS °C | nearest | ratio | held % | ever 150 °C off |")
    print("|---|---|---|---|---|---|---|")
    for name, scored_zones in sorted(zones.items()):
        print(estimate_line(name, scored_zones))
    print("\n| forecast: family left out | asked | right % | line % | can't tell % | chance told→came % |")
    print("|---|---|---|---|---|---|")
    for family in sorted({m.family for m in moments}):
        mine = [m for m in moments if m.family == family]
        rest = [m for m in moments if m.family != family]
        if rest:
            print(*forecast_lines(f"{family}, left out", mine, fit(rest)), sep="\n")
        print(*list(forecast_lines(f"{family}, as shipped", mine, CHANCE))[:1], sep="\n")
    if given.fit:
        print_fit(moments)


if __name__ == "__main__":
    main()
