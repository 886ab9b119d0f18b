"""What the running program costs at a fire: logger and page as processes of their own, and ten tablets.

python -m tests.benchmarks.bench_evening [--seconds 60] [--starts 5] [--tablets 10]

16 probes at 10 Hz over a pseudo-terminal, every rule on, the pots estimated, an hour into an invented firing.
The first commit is timed from the start of the process, with the rig already sending.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import statistics
import tempfile
import time
from pathlib import Path

import psutil

from logger.journal.reader import JournalReader
from tests.benchmarks.bench_page import be_tablets, page_server, spread
from tests.benchmarks.live import frame_lines, heat, plan_of, rig
from tests.processes import STOKEWATCH, process, until

RATE_HZ = 10.0
SETTLE_S = 15.0


def readings(home: Path) -> int:
    """How many readings are committed."""
    path = home / "journal.sqlite"
    if not path.exists():
        return 0
    with contextlib.suppress(Exception), contextlib.closing(JournalReader(path)) as reader:
        return sum(firing.readings for firing in reader.firings())
    return 0


def first_commit(folder: Path, plan: Path, lines: list[bytes]) -> tuple[float, float]:
    """From the start of the logger's process to its first committed reading, and the processor time by then.
    [s]"""
    folder.mkdir()
    link = folder / "rig"
    with rig(link, lines, RATE_HZ):
        time.sleep(1.0)
        begun_s = time.perf_counter()
        with process(
            [*STOKEWATCH, "log", "--serial", str(link), "--plan", str(plan)], folder / "home"
        ) as own:
            until(lambda: readings(folder / "home"), "the first commit", 60)
            took_s = time.perf_counter() - begun_s
            cpu_s = sum(psutil.Process(own.pid).cpu_times()[:2])
    return took_s, cpu_s


def main(seconds: float, starts: int, tablets: int) -> None:
    values = heat(seconds + 60.0 + SETTLE_S, RATE_HZ, from_s=3600.0)
    lines = frame_lines(values, RATE_HZ)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = folder / "plan.toml"
        plan.write_text(plan_of().dumps())
        print(f"load of the machine: {psutil.getloadavg()[0]:.1f}; {psutil.cpu_count()} cores")
        begun = [first_commit(folder / f"start{n}", plan, lines) for n in range(starts)]
        if begun:
            print(f"first commit after start: {spread([b[0] for b in begun])} s")
            print(f"  processor time by then: {spread([b[1] for b in begun])} s")
        home, link = folder / "home", folder / "rig"
        log = [*STOKEWATCH, "log", "--serial", str(link), "--plan", str(plan)]
        with rig(link, lines, RATE_HZ), process(log, home) as logger, page_server(home) as (address, page):
            until(lambda: readings(home), "the first commit", 60)
            parts = {"logger": psutil.Process(logger.pid), "page": page}
            time.sleep(SETTLE_S)
            for n in (0, tablets):
                before = {k: sum(p.cpu_times()[:2]) for k, p in parts.items()}
                begun_s = time.monotonic()
                if n:
                    got = asyncio.run(be_tablets(address, n, seconds))
                else:
                    time.sleep(seconds / 3)
                took_s = time.monotonic() - begun_s
                print(f"{n} tablets, {took_s:.0f} s of 16 probes at 10 Hz")
                for k, p in parts.items():
                    cpu = 100 * (sum(p.cpu_times()[:2]) - before[k]) / took_s
                    memory = p.memory_full_info()
                    print(
                        f"  {k}: {cpu:.1f} % of a core, {memory.rss / 2**20:.0f} MB resident"
                        f" ({memory.uss / 2**20:.0f} MB of them its own)"
                    )
            if tablets:
                print(f"  {statistics.median(got) / seconds:,.0f} bytes/s to each tablet")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--starts", type=int, default=5)
    parser.add_argument("--tablets", type=int, default=10)
    given = parser.parse_args()
    main(given.seconds, given.starts, given.tablets)
