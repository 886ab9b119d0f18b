"""Scores the collapse rule on fires of other physics than the simulator's (`varied_fires`), seeds unused so far.

Run by hand: `python -m tests.benchmarks.bench_collapse --family crude --first 34000 --firings 100`. The weights
were found on firings of these kinds, but of other seeds. Counted as in `bench_judgement`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import statistics
from functools import partial
from typing import Any

from tests.benchmarks.bench_judgement import collapses, judged, matched
from tests.benchmarks.varied_fires import crude, plain, varied

KINDS: tuple[Any, ...] = ("any", {"coal_collapse"}, "any", "none")


def one(seed: int, family: str) -> dict[str, Any]:
    """Judge one firing."""
    if family == "varied":
        firing: Any = varied(seed, KINDS[seed % 4])
        cases = collapses(firing.truth)
    else:
        firing = crude(seed) if family == "crude" else plain(seed)
        cases = firing.collapses
    return {
        "hours": float(firing.t_s[-1]) / 3600.0,
        "truth": {"collapses": cases},
        "alarms": {"judgement": judged(firing)},
    }


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--family", choices=("varied", "crude", "plain"), required=True)
    parser.add_argument("--first", type=int, required=True)
    parser.add_argument("--firings", type=int, default=100)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    with multiprocessing.Pool(given.processes) as pool:
        seeds = range(given.first, given.first + given.firings)
        results = pool.map(partial(one, family=given.family), seeds, chunksize=4)
    hours = sum(result["hours"] for result in results)
    found, total, delays, false = matched(results, "judgement", "coal_collapse", "collapses", 90.0)
    middle = f"{statistics.median(delays):.0f} s" if delays else "-"
    print(
        f"{given.family}: {given.firings} firings, {hours:.0f} h; collapse in 90 s: {found}/{total},"
        f" median delay {middle}, false {false} = {false / hours:.3f} an hour"
    )


if __name__ == "__main__":
    main()
