"""Scores the forecast beside a straight line through the last minutes, and beside 'it stays as it is'.

Run by hand: `python -m tests.benchmarks.bench_forecast --first 1000 --firings 40`. Seeds below 1000 are for
tuning. Every fire is left alone from the moment of the forecast on, so that what came is what would have come
with nothing added. Three kinds of fire: simulated firings; a fire of two heat capacities a zone, with other
physics (`left_alone`); and this one as a CSV file that is read in by the importer and judged by the judgement.
"""

from __future__ import annotations

import argparse
import csv
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from logger.exchange.csv_in import read_csv
from logger.judgement.forecast import DRAWN_S, LEAST_ROWS, Arrival, Forecast, cooling, forecast
from logger.judgement.judge import Judge
from logger.plan import Plan, Probe
from logger.reading import Floats
from tests.benchmarks.left_alone import (
    EVERY_S,
    Case,
    lumped,
    lumped_cooling,
    lumps,
    simulated,
    simulated_cooling,
    smoothed,
)

HOUR_S: Final = 3600.0
CAP_S: Final = 1800.0
LEVELS_S: Final = (60, 120, 300, 600, 1200)
Method = Callable[[Case], Forecast | None]


@dataclass(slots=True)
class Score:
    """What one method said of many cases, and what came."""

    level: dict[int, list[tuple[float, bool]]]
    arrivals: list[tuple[Arrival, float]]

    @classmethod
    def empty(cls) -> Score:
        return cls({s: [] for s in LEVELS_S}, [])

    def take(self, case: Case, told: Forecast) -> None:
        """Compare a forecast with what came."""
        for s in LEVELS_S:
            if s // EVERY_S < len(case.after_c):
                i = told.ahead_s.index(s)
                came = float(case.after_c[s // EVERY_S])
                self.level[s].append((told.middle_c[i] - came, told.low_c[i] <= came <= told.high_c[i]))
        for arrival in (told.burnout, told.target):
            if arrival is not None:
                there = np.flatnonzero(case.after_c >= arrival.temperature_c)
                self.arrivals.append((arrival, there[0] * float(EVERY_S) if len(there) else np.inf))

    def line(self, name: str, banded: bool) -> str:
        """A row of the table."""
        cells = [name]
        for s in LEVELS_S:
            errors = [abs(e) for e, _ in self.level[s]]
            inside = f" ({100 * np.mean([i for _, i in self.level[s]]):.0f} %)" if banded else ""
            cells.append(f"{np.mean(errors):.0f}{inside}")
        came = np.array([t for _, t in self.arrivals])
        said = np.array([a.middle_s if a.middle_s and a.chance >= 0.5 else np.inf for a, _ in self.arrivals])
        will, says = np.isfinite(came), np.isfinite(said)
        both = will & says
        cells.append(f"{100 * np.mean(will == says):.0f} %")
        error = np.abs(said[both] - came[both]) / 60.0
        cells.append(f"{np.median(error):.1f} / {error.mean():.1f} ({both.sum()})" if both.any() else "–")
        capped = np.abs(np.minimum(said, CAP_S) - np.minimum(came, CAP_S)) / 60.0
        cells.append(f"{capped.mean():.1f}")
        if banded:
            held = [
                a.early_s - EVERY_S <= t <= a.late_s + EVERY_S
                for a, t in self.arrivals
                if np.isfinite(t) and a.early_s is not None and a.late_s is not None
            ]
            cells.append(f"{100 * np.mean(held):.0f} %" if held else "–")
        else:
            cells.append("–")
        return "| " + " | ".join(cells) + " |"

    def calibration(self) -> str:
        """How often it got there, by the chance that was told."""
        parts = []
        for low, high in ((0.0, 0.1), (0.1, 0.5), (0.5, 0.9), (0.9, 1.01)):
            came = [np.isfinite(t) for a, t in self.arrivals if low <= a.chance < high]
            if came:
                parts.append(f"told {low:.0%}–{min(high, 1):.0%}: {np.mean(came):.0%} of {len(came)}")
        return "; ".join(parts)


HEAD: Final = (
    "| method | "
    + " | ".join(f"°C off after {s // 60} min" for s in LEVELS_S)
    + " | will or won't: right | min off, median / mean (n) | min off, all, 30 at most | arrivals in the band |\n"
    + "|---" * (len(LEVELS_S) + 5)
    + "|"
)


def limits(case: Case) -> dict[str, float | None]:
    """What the zone hasn't reached yet."""
    peak = float(case.before_c.max())
    return {
        "burnout_c": case.burnout_c if peak < case.burnout_c else None,
        "target_c": case.target_c if peak < case.target_c else None,
        "cool_c": None,
    }


def by_forecast(case: Case) -> Forecast | None:
    """Ours."""
    return forecast(0.0, case.before_c, **limits(case))


def _plain(case: Case, level_c: float, c_per_s: float) -> Forecast:
    def arrival(temperature_c: float | None) -> Arrival | None:
        if temperature_c is None:
            return None
        seconds = max((temperature_c - level_c) / c_per_s, 0.0) if c_per_s > 0 else np.inf
        if seconds > HOUR_S:
            return Arrival(temperature_c, 0.0, None, None, None)
        return Arrival(temperature_c, 1.0, None, seconds + 1e-9, None)

    what = limits(case)
    line = tuple(level_c + c_per_s * s for s in DRAWN_S)
    ahead = tuple(map(float, DRAWN_S))
    return Forecast(
        0.0, "", arrival(what["burnout_c"]), arrival(what["target_c"]), None, ahead, line, line, line
    )


def by_line(seconds: int) -> Method:
    """A straight line through the last so many seconds."""
    n = seconds // EVERY_S

    def told(case: Case) -> Forecast:
        slope = float(np.polyfit(np.arange(n) * float(EVERY_S), case.before_c[-n:], 1)[0])
        return _plain(case, float(case.before_c[-1]), slope)

    return told


def by_staying(case: Case) -> Forecast:
    """It stays as it is."""
    return _plain(case, float(case.before_c[-1]), 0.0)


METHODS: Final[dict[str, Method]] = {
    "forecast": by_forecast,
    "line, last 2 min": by_line(120),
    "line, last 5 min": by_line(300),
    "stays as it is": by_staying,
}


def heating(name: str, cases: Iterable[Case]) -> None:
    """Print the table for fires that are left alone while they should get hotter."""
    scores = {method: Score.empty() for method in METHODS}
    count, spent = 0, 0.0
    for case in cases:
        if len(case.before_c) < 60:
            continue
        count += 1
        for method, tell in METHODS.items():
            start = time.process_time()
            told = tell(case)
            spent += time.process_time() - start if method == "forecast" else 0.0
            if told is not None:
                scores[method].take(case, told)
    print(f"\n{name}: {count} forecasts, {len(scores['forecast'].arrivals)} arrivals asked for\n\n{HEAD}")
    for method, score in scores.items():
        print(score.line(method, method == "forecast"))
    print(f"\nGot there, {scores['forecast'].calibration()}. {1e6 * spent / count:.0f} µs a forecast.")


def cooling_down(name: str, cases: Sequence[Case]) -> None:
    """Print the table for fires that cool."""
    print(f"\n{name}: when will it be down to … ?\n")
    print("| °C | cases | min it took, median | forecast: min off, median | in the band | line | Newton |")
    print("|---|---|---|---|---|---|---|")
    for limit in (573.0, 400.0, 300.0, 200.0, 100.0):
        rows = []
        for case in cases:
            there = np.flatnonzero(case.after_c <= limit)
            past = case.before_c[-24:]
            told = cooling(case.before_c, limit) if past[-1] > limit + 10 and len(there) else None
            if told is None or told.middle_s is None or told.early_s is None or told.late_s is None:
                continue
            t = np.arange(len(past)) * float(EVERY_S)
            slope = float(np.polyfit(t, past, 1)[0])
            k = float(np.polyfit(t, np.log(np.maximum(past - 15.0, 1.0)), 1)[0])
            line = (limit - past[-1]) / slope if slope < 0 else np.inf
            newton = np.log((limit - 15.0) / (past[-1] - 15.0)) / k if k < 0 else np.inf
            came = there[0] * float(EVERY_S)
            rows.append((came, told.middle_s, told.early_s <= came <= told.late_s, line, newton))
        if len(rows) < 10:
            continue
        table = np.array(rows, float)
        off = [np.median(np.abs(np.minimum(table[:, i], 43_200.0) - table[:, 0])) / 60 for i in (1, 3, 4)]
        inside = 100 * table[:, 2].mean()
        took = np.median(table[:, 0]) / 60
        print(
            f"| {limit:.0f} | {len(rows)} | {took:.0f} | {off[0]:.1f} | {inside:.0f} % | {off[1]:.1f} | {off[2]:.1f} |"
        )


def imported(seeds: Iterable[int]) -> Iterable[tuple[Case, Forecast]]:
    """The fire of two lumps, written as CSV, read in by the importer, and judged as any firing is."""
    names = ("low", "middle", "top")
    for seed in seeds:
        gone = int(np.random.default_rng([seed, 24]).integers(900, 2600))
        values, _, target_c = lumps(seed, gone, gone + 3900)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "invented.csv"
            with path.open("w", newline="", encoding="utf-8") as file:
                rows = csv.writer(file)
                rows.writerow(["time_s", *names])
                rows.writerows([t, *(f"{v:.2f}" for v in values[t])] for t in range(len(values)))
            firing = read_csv(path)
        probes = tuple(Probe(n, n, height_cm=10.0 + 15 * i, zone=n) for i, n in enumerate(firing.names))
        judge = Judge(Plan(title="Invented", target_c=target_c, probes=probes))
        now = firing.t_s <= gone
        judge.push(firing.t_s[now], firing.temperature_c[now], firing.status[now])
        told = {v.zone: v.forecast for v in judge.verdict().zones}
        levels: Floats = smoothed(firing.temperature_c)
        for j, zone in enumerate(firing.names):
            made = told[zone]
            if made is not None:
                i = int(made.at_s) // EVERY_S
                yield Case(f"csv {seed}, {zone}", levels[: i + 1, j], levels[i:, j], 650.0, target_c), made


def csv_firings(seeds: Iterable[int]) -> None:
    """Print the table for imported firings."""
    scores = {method: Score.empty() for method in METHODS}
    for case, made in imported(seeds):
        for method, tell in METHODS.items():
            told = made if method == "forecast" else tell(case)
            if told is not None:
                scores[method].take(case, told)
    print(
        f"\nImported CSV, two lumps a zone: {len(scores['forecast'].arrivals)} arrivals asked for\n\n{HEAD}"
    )
    for method, score in scores.items():
        print(score.line(method, method == "forecast"))
    print(f"\nGot there, {scores['forecast'].calibration()}.")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--firings", type=int, default=40)
    parser.add_argument("--cooling", action="store_true", help="only that")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.firings)
    few = range(given.first, given.first + max(given.firings // 2, 2))
    if not given.cooling:
        by_forecast(Case("", np.full(LEAST_ROWS, 20.0), np.empty(0), 650.0, 780.0))  # the ensemble, once
        heating("Simulated firings", (c for s in seeds for c in simulated(s)))
        heating("Two lumps a zone", (c for s in few for c in lumped(s)))
        csv_firings(few)
    cooling_down("Simulated firings", [c for s in few for c in simulated_cooling(s)])
    cooling_down("Two lumps a zone", [c for s in few for c in lumped_cooling(s)])


if __name__ == "__main__":
    main()
