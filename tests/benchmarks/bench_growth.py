"""How costs grow: 1 to 64 channels, 1 to 100 Hz, 1 to 500 firings; each step beside a straight line.

python -m tests.benchmarks.bench_growth [--rounds 5] [--minutes 4]

Channels and rates: processor time from line bytes to the commit, every rule on and the pots estimated, one
second of fire per commit. Firings: time to list all, and to read the last one's history, with that many in
the journal. `step` is the growth of the cost over the step before, divided by the growth of the work: 1 is a
straight line, less is better.
"""

from __future__ import annotations

import argparse
import contextlib
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from tests.benchmarks.bench_commands import START_US, keep
from tests.benchmarks.bench_ingest import Ours, judging
from tests.benchmarks.live import heat, plan_of

CHANNELS = (1, 2, 4, 8, 16, 32, 64)
RATES_HZ = (1, 2, 5, 10, 20, 50, 100)
FIRINGS = (1, 10, 50, 100, 200, 500)


def table(title: str, work: tuple[int, ...], found: dict[int, list[float]], unit: str) -> None:
    print(f"\n{title}")
    print(f"{'':>8}{unit:>24}{'step':>8}")
    before: tuple[int, float] | None = None
    for n in work:
        middle = statistics.median(found[n])
        step = "" if before is None else f"{middle / before[1] / (n / before[0]):.2f}"
        print(f"{n:>8}{f'{middle:.3g} [{min(found[n]):.3g}–{max(found[n]):.3g}]':>24}{step:>8}")
        before = n, middle


def live_cost(folder: Path, name: str, channels: int, rate_hz: int, minutes: float) -> float:
    """Processor time for a second of fire. [ms]"""
    plan = plan_of(channels)
    ours = Ours(
        folder, name, judging(plan, estimating=True), max(rate_hz, 1), plan=plan, rate_hz=float(rate_hz)
    )
    values = heat(60 * minutes, rate_hz, channels, from_s=3600.0)
    ours(values[: 20 * rate_hz])
    taken = len(values) - 20 * rate_hz
    ours(values[20 * rate_hz :])
    ours.writer.close()
    return 1000 * ours.cpu_s / (taken / rate_hz)


def in_turn(work: tuple[int, ...], rounds: int, run: Callable[[int], float]) -> dict[int, list[float]]:
    found: dict[int, list[float]] = {n: [] for n in work}
    for _ in range(rounds):
        for n in work:
            found[n].append(run(n))
    return found


def by_firings(folder: Path, rounds: int) -> None:
    listed: dict[int, list[float]] = {}
    opened: dict[int, list[float]] = {}
    values = heat(600, 1.0)
    with contextlib.closing(JournalWriter(folder / "many.sqlite")) as writer:
        there = 0
        for n in FIRINGS:
            for _ in range(n - there):
                keep(writer, values, 1.0, 16, start_us=START_US + there * 1_000_000_000)
                there += 1
            listed[n], opened[n] = [], []
            for _ in range(rounds):
                with contextlib.closing(JournalReader(writer.path)) as reader:
                    begin = time.perf_counter()
                    assert len(reader.firings()) == n
                    listed[n].append(1000 * (time.perf_counter() - begin))
                    begin = time.perf_counter()
                    reader.history(reader.firing("last").id, 2000)
                    opened[n].append(1000 * (time.perf_counter() - begin))
    table("firings in the journal: the list of all", FIRINGS, listed, "ms")
    table("firings in the journal: history of the last", FIRINGS, opened, "ms")


def main(rounds: int, minutes: float) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        count = iter(range(10**6))
        cost = in_turn(CHANNELS, rounds, lambda n: live_cost(folder, f"c{next(count)}", n, 10, minutes))
        table("channels at 10 Hz: processor time a second of fire", CHANNELS, cost, "ms")
        cost = in_turn(RATES_HZ, rounds, lambda n: live_cost(folder, f"r{next(count)}", 16, n, minutes))
        table("rate of 16 channels [Hz]: processor time a second of fire", RATES_HZ, cost, "ms")
        by_firings(folder, rounds)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--minutes", type=float, default=4.0)
    given = parser.parse_args()
    main(given.rounds, given.minutes)
