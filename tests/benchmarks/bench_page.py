"""What the live page costs; run by hand, prints tables.

    python -m tests.benchmarks.bench_page [--rounds 5] [--behind-hours 3] [--open-hours 12] [--seconds 60]
        [--commits 2]

Peer of an update: the documented way, a whole figure sent each second, built with Plotly and serialised as Dash
does. Of the opening: bench_journal.py has the peer. Real parts: a page server of its own process, Debian's
chromium, and this process writing 16 channels at 10 Hz, with so many commits, and so updates, a second.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

import numpy as np
import plotly.graph_objects as go
import psutil
import websockets
from dash._utils import to_json
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from dashboard.app import VERSION
from dashboard.live.hub import Hub, Tablet
from dashboard.live.messages import Wish
from dashboard.live.screens import draw
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel

CHANNELS = 16
HZ = 10
NAMES = tuple(Channel(f"k{j}", "celsius") for j in range(CHANNELS))
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = "--headless --no-sandbox --disable-gpu --disable-background-networking --disable-component-update"


def frames(start_us: int, first: int, n: int) -> Batch:
    """Frames of an invented firing: a rise to 800 °C with flicker."""
    rng = np.random.default_rng(first)
    frame = np.arange(first, first + n)
    s = frame / HZ
    rise = 800 * (1 - np.exp(-((s / 2500) ** 2)))
    values = 20 + rise[:, None] * (0.7 + 0.02 * np.arange(CHANNELS)) + rng.normal(0, 2, (n, CHANNELS))
    none = np.full_like(values, np.nan)
    t_us = start_us + frame * (1_000_000 // HZ)
    return Batch(
        "a1", NAMES, t_us, frame, frame * 100, values, none, values, none, np.zeros(values.shape, np.uint8)
    )


def fill(path: Path, hours: float, ends_us: int) -> tuple[JournalWriter, str, int, int]:
    """A firing that has been going for so long; gives the writer, the firing, its start and the next frame."""
    writer = JournalWriter(path)
    n = round(hours * 3600 * HZ)
    start_us = ends_us - n * (1_000_000 // HZ)
    key = writer.open_firing("Benchmark, invented", None, start_us, invented=True).id
    for first in range(0, n, 6000):
        writer.append(key, frames(start_us, first, min(6000, n - first)))
    return writer, key, start_us, n


def beat(writer: JournalWriter, key: str, n: int) -> None:
    now = time.time()
    writer.heartbeat(
        {"pid": os.getpid(), "at_us": round(now * 1e6), "wall_s": now, "time_scale": 1.0, "frames": n,
         "readings": n * CHANNELS, "sources": [{"name": "/dev/rig", "state": "online", "detail": ""}],
         "firing": key, "verdict": None, "alarms": []}
    )  # fmt: skip


def spread(values: list[float]) -> str:
    middle, least, most = (
        f"{value:,.0f}" if value >= 100 else f"{value:.3g}"
        for value in (median(values), min(values), max(values))
    )
    return f"{middle} [{least}–{most}]"


FIRE = Wish(page="fire")


class Alone:
    """A hub with one tablet that shows the fire, moved by hand."""

    def __init__(self, path: Path) -> None:
        self.hub = Hub(path, draw, VERSION)
        self.tablet = Tablet()
        self.tablet.wish = FIRE
        self.hub.tablets.add(self.tablet)

    async def open(self) -> tuple[float, int]:
        """Make a whole screen; give its time [ms] and size [bytes]."""
        await self.hub._look()
        self.tablet.clear()
        begin = time.perf_counter()
        await self.hub._whole([self.tablet])
        took = (time.perf_counter() - begin) * 1e3
        return took, self.size()

    async def tell(self) -> tuple[float, int]:
        """Look and tell; give its time [ms] and size [bytes]."""
        begin = time.perf_counter()
        await self.hub._look()
        await self.hub._tell()
        return (time.perf_counter() - begin) * 1e3, self.size()

    def size(self) -> int:
        total = 0
        while not self.tablet.queue.empty():
            total += len(self.tablet.queue.get_nowait().encode())
        return total


def one_update(folder: Path, rounds: int, hours: float) -> None:
    """Bytes and time of an update with so much behind it, against a whole figure."""
    writer, key, start_us, n = fill(folder / "update.sqlite", hours, round(time.time() * 1e6))
    # One point a second, 16 traces.
    seconds = np.datetime64("2026-01-01T00:00:00") + np.arange(round(hours * 3600)).astype("timedelta64[s]")
    history = frames(start_us, 0, n).temperature_c[::HZ]
    bytes_ours, bytes_theirs, ours, theirs = [], [], [], []

    async def some(n: int) -> int:
        alone = Alone(writer.path)
        await alone.open()
        for _ in range(rounds):
            few = []
            for _ in range(20):
                with writer.transaction():
                    writer.append(key, frames(start_us, n, 5))
                    n += 5
                    beat(writer, key, n)
                few.append(await alone.tell())
            ours.append(median(took for took, _ in few))
            bytes_ours.append(median(size for _, size in few))
            begin = time.perf_counter()
            figure = go.Figure(
                [go.Scatter(x=seconds, y=history[:, j], name=f"k{j}") for j in range(CHANNELS)]
            )
            whole = to_json({"response": {"graph": {"figure": figure}}})
            theirs.append((time.perf_counter() - begin) * 1e3)
            bytes_theirs.append(float(len(whole.encode())))
        await alone.hub.stop()
        return n

    asyncio.run(some(n))
    print(f"\none update, {CHANNELS} traces, {hours:g} h behind it, 5 frames in it (2 updates/s at {HZ} Hz)")
    print(f"  bytes: {spread(bytes_ours)}; whole figure {median(bytes_theirs):,.0f}; "
          f"ratio 1/{median(b / a for a, b in zip(bytes_ours, bytes_theirs, strict=True)):,.0f}")  # fmt: skip
    print(f"  server, look to text: {spread(ours)} ms; whole figure {spread(theirs)} ms; "
          f"ratio 1/{median(b / a for a, b in zip(ours, theirs, strict=True)):.0f}")  # fmt: skip
    writer.close()


def opening(path: Path, rounds: int) -> None:
    """The whole screen of a long firing: what a tablet gets when it opens the page."""

    async def some() -> list[tuple[float, int]]:
        alone = Alone(path)
        made = [await alone.open() for _ in range(rounds)]
        await alone.hub.stop()
        return made

    made = asyncio.run(some())
    print(f"  whole screen: {spread([took for took, _ in made])} ms, {made[-1][1]:,} bytes")


@contextmanager
def page_server(home: Path) -> Iterator[tuple[str, psutil.Process]]:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    command = [
        sys.executable,
        "-m",
        "logger.cli",
        "page",
        "--home",
        str(home),
        "--port",
        str(port),
        "--no-browser",
    ]
    process = subprocess.Popen(command)
    try:
        for _ in range(200):
            with socket.socket() as s:
                if s.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        yield f"127.0.0.1:{port}", psutil.Process(process.pid)
    finally:
        process.terminate()
        process.wait(10)


class Writing:
    """Writes 16 channels at 10 Hz as a logger would, so many commits a second."""

    def __init__(self, writer: JournalWriter, key: str, start_us: int, n: int, commits: float) -> None:
        self.writer, self.key, self.start_us, self.n = writer, key, start_us, n
        self.every_s = 1 / commits
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self.stop.is_set():
            due = int((time.time() * 1e6 - self.start_us) * HZ / 1e6)
            with self.writer.transaction():
                if due > self.n:
                    self.writer.append(self.key, frames(self.start_us, self.n, due - self.n))
                    self.n = due
                beat(self.writer, self.key, self.n)
            self.stop.wait(self.every_s)

    def __enter__(self) -> Writing:
        self.thread.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop.set()
        self.thread.join()


async def be_tablets(address: str, n: int, seconds: float) -> list[int]:
    """So many tablets that only listen; gives the bytes each got, whole screens too."""

    async def one() -> int:
        origin = f"http://{address}"
        async with websockets.connect(f"ws://{address}/live", origin=origin, max_size=None) as socket_:  # type: ignore[arg-type]
            await socket_.send(json.dumps({"page": "fire"}))
            got, until = 0, time.monotonic() + seconds
            while (left := until - time.monotonic()) > 0:
                try:
                    text = await asyncio.wait_for(socket_.recv(), left)
                except TimeoutError:
                    break
                got += len(text)
            return got

    return await asyncio.gather(*(one() for _ in range(n)))


def tablets(address: str, server: psutil.Process, seconds: float) -> None:
    for n in (1, 10):
        before = server.cpu_times()
        got = asyncio.run(be_tablets(address, n, seconds))
        after = server.cpu_times()
        cpu = (after.user + after.system - before.user - before.system) / seconds * 100
        print(f"  {n} tablets: {cpu:.1f} % of a core, {server.memory_info().rss / 2**20:.0f} MB; "
              f"{median(got) / seconds:,.0f} bytes/s to each")  # fmt: skip


OPENED = """
    window.opened = {};
    new MutationObserver(() => {
        const reading = document.querySelector('#values .reading');
        if (reading && /\\d/.test(reading.textContent)) window.opened.values ??= performance.now();
        if (document.querySelector('#traces .scatterlayer .trace path.js-line'))
            requestAnimationFrame(() => { window.opened.traces ??= performance.now(); });
    }).observe(document, { childList: true, subtree: true, characterData: true });
"""
TOLD = """
() => {
    window.told = 0;
    new MutationObserver(() => { window.told += 1; })
        .observe(document.querySelector('#values'), { childList: true, subtree: true, characterData: true });
}
"""


def in_the_browser(address: str, seconds: float, rounds: int) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS.split())
        cold, warm = [], []
        for _ in range(rounds):
            context = tablet(browser)
            cold.append(opening_times(context.new_page(), address))
            warm.append(opening_times(context.new_page(), address))
            context.close()
        for name, opened in (("nothing cached", cold), ("opened before", warm)):
            print(f"  from navigation, {name} [ms]:")
            for what in opened[0]:
                print(f"    {what}: {spread([times[what] for times in opened])}")
        context = tablet(browser)
        page = context.new_page()
        opening_times(page, address)
        page.evaluate(TOLD)
        time.sleep(3)
        before = page.evaluate("() => window.told")
        costs = [cost(page, max(seconds, 10) / rounds) for _ in range(rounds)]
        told = page.evaluate("() => window.told") - before
        print(f"  at {told / max(seconds, 10):.1f} updates/s, of a core [%]:")
        for what in costs[0]:
            print(f"    {what}: {spread([one[what] for one in costs])}")
        browser.close()


def tablet(browser: Browser) -> BrowserContext:
    return browser.new_context(viewport={"width": 1180, "height": 820})


def opening_times(page: Page, address: str) -> dict[str, float]:
    """Times since navigation began, by the page's own clock. [ms]"""
    page.add_init_script(OPENED)
    page.goto(f"http://{address}/")
    page.wait_for_function("() => window.opened.traces", polling=20)
    first = "() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0"
    opened = page.evaluate("() => window.opened")
    return {
        "first contentful paint": page.evaluate(first),
        "values shown": opened["values"],
        "traces drawn": opened["traces"],
    }


def cost(page: Page, seconds: float) -> dict[str, float]:
    """What the open page costs of a core: its main thread's tasks, and all of the browser. [%]"""
    session = page.context.new_cdp_session(page)
    session.send("Performance.setTimeDomain", {"timeDomain": "threadTicks"})
    session.send("Performance.enable")

    def so_far() -> tuple[float, float]:
        metrics = {m["name"]: m["value"] for m in session.send("Performance.getMetrics")["metrics"]}
        return metrics["TaskDuration"], used(chromium)

    chromium = [p for p in psutil.Process().children(recursive=True) if p.name().startswith("chrom")]
    tasks, browser = so_far()
    time.sleep(seconds)
    tasks_after, browser_after = so_far()
    session.detach()
    return {
        "the page's main thread": (tasks_after - tasks) / seconds * 100,
        "the browser, all its processes": (browser_after - browser) / seconds * 100,
    }


def used(processes: list[psutil.Process]) -> float:
    total = 0.0
    for process in processes:
        if process.is_running():
            times = process.cpu_times()
            total += times.user + times.system
    return total


def main() -> None:
    """Run it all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--behind-hours", type=float, default=3.0)
    parser.add_argument("--open-hours", type=float, default=12.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--commits", type=float, default=2.0)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one_update(folder, arguments.rounds, arguments.behind_hours)
        writer, key, start_us, n = fill(
            folder / "journal.sqlite", arguments.open_hours, round(time.time() * 1e6)
        )
        print(f"\n{arguments.open_hours:g} h × {CHANNELS} channels × {HZ} Hz behind it, and going on")
        opening(writer.path, arguments.rounds)
        with page_server(folder) as (address, server), Writing(writer, key, start_us, n, arguments.commits):
            print(f"  page server at rest: {server.memory_info().rss / 2**20:.0f} MB")
            tablets(address, server, arguments.seconds)
            in_the_browser(address, arguments.seconds, arguments.rounds)
        writer.close()


if __name__ == "__main__":
    main()
