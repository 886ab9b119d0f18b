"""Scores the alarms on families of fires, and prints a row of the table for each.

Run by hand: `python -m tests.benchmarks.bench_families --cache ~/fires --firings 40 --script …/make_case.py
--real …`. `--all` prints the whole table. Families that need `--script` or `--real` are left out without it.
`--only`, `--rates`, `--fewer` and `--set rule.key=value` look at one thing; `--plain` turns the early call
off.

A collapse is found if its alarm was raised between 30 s before it and the time allowed, or already stood. All
other collapse alarms are counted by the hour; those where the true wall fell by less than 30 °C around them
are plainly false. Nothing is fitted to any family, so the rules have seen none of them.
"""

from __future__ import annotations

import argparse
import pickle
import statistics
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from logger.judgement.judge import Judge
from logger.judgement.rules import collapse
from logger.plan import loads
from tests.benchmarks import families
from tests.benchmarks.ember_fires import ember_fire
from tests.benchmarks.fire import Fire, crowded, thinned, without

FIRST: Final = {"simulator": 60_000, "embers": 64_000, "second": 2000}
AFTER_S: Final = 400.0
FAULT_WITHIN_S: Final = 120.0


class Alarm(NamedTuple):
    """An alarm that was raised."""

    raised_s: float
    cleared_s: float
    rule: str
    zone: str | None
    probe: str | None
    message: str


def gathered(given: argparse.Namespace) -> Iterator[Fire]:
    """Make or read every fire that was asked for."""
    wanted = given.only.split(",") if given.only else [*FIRST, "real"]
    cache = Path(given.cache).expanduser()
    for family in wanted:
        if family == "real":
            yield from families.real(Path(given.real)) if given.real else ()
        elif family == "second":
            seeds = range(given.first or FIRST[family], (given.first or FIRST[family]) + given.firings)
            yield from families.seconds(Path(given.script), cache, seeds) if given.script else ()
        else:
            make: Callable[[int], Fire] = {"simulator": families.own, "embers": ember_fire}[family]
            for seed in range(given.first or FIRST[family], (given.first or FIRST[family]) + given.firings):
                yield cached(cache / family / f"{seed}.pickle", make, seed)


def cached(path: Path, make: Callable[[int], Fire], seed: int) -> Fire:
    """Make a fire, or take it from the cache."""
    if path.exists():
        with path.open("rb") as file:
            fire: Fire = pickle.load(file)
        return fire
    fire = make(seed)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        pickle.dump(fire, file)
    return fire


def judged(fire: Fire, settings: dict[str, dict[str, float]]) -> list[Alarm]:
    """Alarms of the judgement on one fire."""
    plan = fire.plan
    if settings:
        for rule, own in settings.items():
            plan.alarms[rule].update(own)
        plan = loads(plan.dumps(), "settings")
    judge = Judge(plan, stored=fire.stored, usual_s=fire.usual_s if fire.stored else None)
    events = judge.push(fire.t_s, fire.temperature_c, fire.status, fire.cold_junction_c)
    events += judge.advance(float(fire.t_s[-1]) + 3.0)
    found: list[Alarm] = []
    up: dict[str, int] = {}
    for event in events:
        if event.kind != "alarm":
            continue
        data = event.data
        if data["transition"] == "raised":
            up[data["key"]] = len(found)
            found.append(Alarm(event.t_s, np.inf, data["rule"], data["zone"], data["probe"], data["message"]))
        elif data["transition"] == "cleared":
            at = up.pop(data["key"])
            found[at] = found[at]._replace(cleared_s=event.t_s)
    return found


class Score:
    """What was found in one family."""

    def __init__(self) -> None:
        self.fires = 0
        self.hours = self.hot_hours = self.cpu_s = 0.0
        self.counts: Counter[str] = Counter()
        self.delays: list[float] = []
        self.told: list[str] = []

    def add(self, fire: Fire, alarms: list[Alarm]) -> None:
        """Score one fire."""
        self.fires += 1
        self.hours += fire.hours
        self.hot_hours += fire.hot_hours
        self._collapses(fire, [a for a in alarms if a.rule == "coal_collapse"])
        self._stalls(fire, [a for a in alarms if a.rule == "stalled_zone"])
        self._faults(fire, [a for a in alarms if a.rule == "probe_fault"])
        self.counts["silent"] += sum(a.rule == "rig_silent" for a in alarms)

    def _collapses(self, fire: Fire, alarms: list[Alarm]) -> None:
        explained: set[Alarm] = set()
        for case in fire.collapses:
            start_s = case["start_s"]
            here = [
                a
                for a in alarms
                if a.zone == case["zone"] and a.cleared_s >= start_s - 30 and a.raised_s <= start_s + AFTER_S
            ]
            if case["counts"] or case.get("labelled") or fire.family == "second":
                explained.update(here)
            if not case["counts"]:
                continue
            delay_s = max(min((a.raised_s for a in here), default=np.inf) - start_s, 0.0)
            self.counts["collapses"] += 1
            self.counts["in 90"] += delay_s <= 90.0
            self.counts["in 180"] += delay_s <= 180.0
            self.delays.append(delay_s)
            if delay_s > 90.0:
                self.told.append(
                    f"late {fire.family} {fire.name} {case['zone']} {start_s:.0f} s: {delay_s:.0f} s"
                )
        for alarm in set(alarms) - explained:
            self.counts["other"] += 1
            wall = fire.wall_c.get(alarm.zone or "")
            fell = np.nan
            if wall is not None:
                at = int(alarm.raised_s // 10)
                span = wall[max(0, at - 20) : at + 4]
                fell = float((np.maximum.accumulate(span) - span).max(initial=0.0)) if len(span) else 0.0
                self.counts["false"] += fell < 30.0
            self.told.append(
                f"other {fire.family} {fire.name} {alarm.raised_s:.0f} s, wall fell {fell:.0f}: {alarm.message}"
            )

    def _stalls(self, fire: Fire, alarms: list[Alarm]) -> None:
        explained: set[Alarm] = set()
        for case in fire.stalls:
            here = [
                a
                for a in alarms
                if a.zone == case["zone"]
                and a.cleared_s >= case["start_s"]
                and a.raised_s <= max(case["end_s"] + 60.0, case["start_s"] + 420.0)
            ]
            explained.update(here)
            self.counts["stalls"] += bool(case["counts"])
            self.counts["stalls found"] += bool(case["counts"]) and bool(here)
        self.counts["other stalls"] += len(set(alarms) - explained)
        self.told += [
            f"stall {fire.family} {fire.name} {a.raised_s:.0f} s: {a.message}"
            for a in set(alarms) - explained
        ]

    def _faults(self, fire: Fire, alarms: list[Alarm]) -> None:
        explained: set[Alarm] = set()
        for case in fire.faults:
            start_s, end_s = case["start_s"], case["end_s"]
            here = [
                a
                for a in alarms
                if a.probe == case["probe"] and a.cleared_s >= start_s and a.raised_s <= end_s + 180.0
            ]
            explained.update(here)
            if not case["counts"]:
                continue
            self.counts["faults"] += 1
            called = [a for a in here if a.raised_s <= start_s + FAULT_WITHIN_S]
            # Standing: for all but a hundredth of the time since it should have been called.
            begin = start_s + FAULT_WITHIN_S
            stood = sum(max(0.0, min(a.cleared_s, end_s) - max(a.raised_s, begin)) for a in here)
            stands = end_s <= begin or stood >= 0.99 * (end_s - begin)
            self.counts["faults called"] += bool(called) and stands
            if not called or not stands:
                share = stood / max(end_s - begin, 1.0)
                self.told.append(
                    f"fault {fire.family} {fire.name} {case['probe']} {case['kind']} {start_s:.0f}-{end_s:.0f}:"
                    f" called {bool(called)}, stood {share:.2f}"
                )
        for alarm in set(alarms) - explained:
            self.counts["other faults"] += 1
            self.told.append(f"probe {fire.family} {fire.name} {alarm.raised_s:.0f} s: {alarm.message}")

    def row(self) -> str:
        """A row of the table."""
        c, h, hot = self.counts, max(self.hours, 1e-9), max(self.hot_hours, 1e-9)
        n = max(c["collapses"], 1)
        known = [d for d in self.delays if np.isfinite(d)]
        middle = f"{statistics.median(known):.0f}" if known else "-"
        return (
            f"{self.fires} | {self.hours:.0f} ({self.hot_hours:.0f}) | {c['collapses']} | {c['in 90'] / n:.2f} |"
            f" {c['in 180'] / n:.2f} | {middle} | {c['other'] / h:.2f} | {c['false'] / h:.2f} |"
            f" {c['stalls found']}/{c['stalls']} | {c['other stalls'] / h:.2f} |"
            f" {c['faults called']}/{c['faults']} | {c['other faults'] / hot:.2f} | {c['silent']} |"
            f" {1e6 * self.cpu_s / 3600.0 / h:.0f}"
        )


HEAD: Final = (
    "family | fires | h (hot) | collapses | in 90 s | in 3 min | median s | other/h | false/h | stalls |"
    " other/h | faults called | other/hot h | silent | µs/s"
)


def variants(fire: Fire, given: argparse.Namespace) -> Iterator[tuple[str, Fire]]:
    """The fire, and how other rigs would have seen it."""
    yield fire.family, fire
    if fire.family == "real":
        return
    if given.rates:
        yield f"{fire.family}, 0.25 Hz", thinned(fire, 4.0)
        if fire.family == "simulator":
            yield f"{fire.family}, 10 Hz", families.own(int(fire.name), rate_hz=10.0)
    if given.fewer:
        probes = fire.plan.probes
        no_coals = [j for j, p in enumerate(probes) if p.reads != "coals"]
        air = [j for j, p in enumerate(probes) if p.reads in ("air", "coals")]
        zone = next((c["zone"] for c in fire.collapses), probes[no_coals[0]].zone)
        alone = [j for j, p in enumerate(probes) if p.reads == "coals" or p.zone == zone]
        yield f"{fire.family}, no coals", without(fire, no_coals, "no coals")
        if any(probes[j].reads == "air" for j in air):
            yield f"{fire.family}, air only", without(fire, air, "air only")
        yield f"{fire.family}, one zone", without(fire, alone, "one zone")
        one = next(j for j in no_coals if probes[j].zone == zone)
        yield f"{fire.family}, one probe", without(fire, [one], "one probe")
        yield f"{fire.family}, 16 probes", crowded(fire, 16)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cache", required=True, help="folder outside the repository that keeps made fires")
    parser.add_argument("--firings", type=int, default=40)
    parser.add_argument("--first", type=int, help="first seed, for all families")
    parser.add_argument("--only", help="families, with commas between")
    parser.add_argument("--script", help="the second model's make_case.py")
    parser.add_argument("--real", help="folder of measured fires")
    parser.add_argument("--rates", action="store_true", help="also at 0.25 Hz, our simulator at 10 Hz")
    parser.add_argument(
        "--fewer", action="store_true", help="also without coals, by air only, with one zone, 1 and 16 probes"
    )
    parser.add_argument("--all", action="store_true", help="the whole table: --rates and --fewer")
    parser.add_argument("--plain", action="store_true", help="the plain rule alone")
    parser.add_argument("--set", action="append", default=[], help="rule.key=value")
    parser.add_argument("--tell", action="store_true", help="say what went wrong where")
    given = parser.parse_args()
    if given.all:
        given.rates = given.fewer = True
    if given.plain:
        collapse.LEAST_SHARE = np.inf  # type: ignore[misc]
    settings: dict[str, dict[str, float]] = defaultdict(dict)
    for text in given.set:
        name, _, value = text.partition("=")
        rule, _, key = name.partition(".")
        settings[rule][key] = float(value)
    scores: dict[str, Score] = {}
    for made in gathered(given):
        for name, fire in variants(made, given):
            score = scores.setdefault(name, Score())
            begin = time.process_time()
            alarms = judged(fire, settings)
            score.cpu_s += time.process_time() - begin
            score.add(fire, alarms)
    print(HEAD)
    for name, score in scores.items():
        print(f"{name} | {score.row()}")
        if given.tell:
            print("\n".join(f"    {line}" for line in score.told))


if __name__ == "__main__":
    main()
