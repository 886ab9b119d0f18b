"""What the short commands take beyond starting Python, and a rehearsal of three hours.

python -m tests.benchmarks.bench_commands [--rounds 9] [--hours 3] [--rate-hz 4] [--no-rehearsal]

Each round runs them all in turn. `firings` and `status` read a journal that has firings in it. The rehearsal
is all of `stokewatch rehearse`, including reading the journal, measured in one process after its start.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel, Floats
from logger.replay.judging import rehearse
from tests.benchmarks.live import PROBES, heat, plan_of

START_US = 1_795_600_800_000_000
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "stokewatch --help": ["-m", "logger.cli", "--help"],
    "stokewatch firings": ["-m", "logger.cli", "firings"],
    "stokewatch status": ["-m", "logger.cli", "status"],
}


def keep(
    writer: JournalWriter, values: Floats, rate_hz: float, probes: int, *, start_us: int = START_US
) -> None:
    """A stored, finished firing of plain °C."""
    plan = plan_of(probes)
    key = writer.open_firing(plan.title, plan.dumps(), start_us, invented=True).id
    layout = tuple(Channel(f"k{j}", "celsius") for j in range(probes))
    for first in range(0, len(values), 6000):
        part = values[first : first + 6000]
        n = np.arange(first, first + len(part))
        none = np.full(part.shape, np.nan)
        t_us = start_us + np.round(n * 1e6 / rate_hz).astype(np.int64)
        ms = (n * round(1000 / rate_hz)) % 2**32
        writer.append(
            key, Batch("a1", layout, t_us, n, ms, part, none, part, none, np.zeros(part.shape, np.uint8))
        )
    writer.finish_firing(key, int(t_us[-1]))


def commands(home: Path, rounds: int) -> None:
    """Medians of wall and processor time, minus Python's own in the same round. [ms]"""
    environment = {**os.environ, "STOKEWATCH_HOME": str(home)}
    wall: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(rounds):
        for name, arguments in COMMANDS.items():
            begin = time.perf_counter()
            subprocess.run(
                [sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env=environment
            )
            wall[name].append(1000 * (time.perf_counter() - begin))
    base = wall["python -c pass"]
    print(f"ms beyond python -c pass ({statistics.median(base):.0f} ms), {rounds} rounds in turn")
    for name, took in wall.items():
        more = [a - b for a, b in zip(took, base, strict=True)]
        if took is not base:
            print(f"  {name:<20}{statistics.median(more):>5.0f} [{min(more):.0f}–{max(more):.0f}]")


def rehearsal(reader: JournalReader, rounds: int) -> None:
    """How many times faster than real time."""
    firing = reader.firing("last")
    seconds = ((firing.last_us or 0) - firing.started_us) / 1e6
    faster, told = [], 0
    for _ in range(rounds):
        begin = time.perf_counter()
        told = len(rehearse(reader, firing)["alarms"])
        faster.append(seconds / (time.perf_counter() - begin))
    print(
        f"rehearsal of {seconds / 3600:.1f} h, {firing.readings:,} readings: {statistics.median(faster):,.0f}"
        f" [{min(faster):,.0f}–{max(faster):,.0f}] × real time; {told} alarms"
    )


def main(rounds: int, hours: float, rate_hz: float, also_rehearse: bool) -> None:
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        with contextlib.closing(JournalWriter(home / "journal.sqlite")) as writer:
            keep(writer, heat(hours * 3600, rate_hz), rate_hz, PROBES)
        commands(home, rounds)
        if also_rehearse:
            with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
                rehearsal(reader, 5)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--hours", type=float, default=3.0)
    parser.add_argument("--rate-hz", type=float, default=4.0)
    parser.add_argument("--no-rehearsal", action="store_true")
    given = parser.parse_args()
    main(given.rounds, given.hours, given.rate_hz, not given.no_rehearsal)
