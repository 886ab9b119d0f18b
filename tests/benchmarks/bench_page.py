"""What the live page costs; run by hand, prints each figure with its goal and the previous page's.

nice -n 15 python -m tests.benchmarks.bench_page [--rounds 5] [--open-hours 12] [--seconds 60] [--commits 2]

Real parts: a page server in its own process, Debian's chromium, and this process writing 16 channels at 10
Hz, with that many commits, and so updates, a second. `BEFORE` is the page at commit 680ba92 (its own canvas
painter instead of Dash's graphs), as the contributor's guide had it then; measured on the same machine, but
not in the same hour.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any, Final

import numpy as np
import psutil
import websockets
from playwright.sync_api import Browser, Page, sync_playwright

from dashboard.live.board import Board
from dashboard.live.hub import POINTS_S, Glass
from dashboard.live.messages import Wish, write
from dashboard.live.watch import Watcher
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel
from tests.processes import STOKEWATCH, free_port, process, until

CHANNELS = 16
HZ = 10
NAMES = tuple(Channel(f"k{j}", "celsius") for j in range(CHANNELS))
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = "--headless --no-sandbox --disable-gpu --disable-background-networking --disable-component-update"

GOALS: Final = {
    "update bytes": ("≤ 4,000", "1,000"),
    "update server ms": ("≤ 2", "0.79"),
    "cold first look s": ("≤ 1.2", "none"),
    "cold still traces s": ("≤ 2.0", "none"),
    "cold painted s": ("", "none"),
    "cold values s": ("≤ 1.2", "0.87 at load 8"),
    "cold traces s": ("≤ 2.0", "0.96 at load 8"),
    "warm first look s": ("≤ 1.0", "none"),
    "warm still traces s": ("≤ 1.5", "none"),
    "warm painted s": ("", "none"),
    "warm values s": ("≤ 1.0", "not measured"),
    "warm traces s": ("≤ 1.5", "not measured"),
    "main thread %": ("≤ 8", "6.0"),
    "ten opening s": ("", "not measured"),
    "ten tablets %": ("≤ 6", "2.0"),
    "ten tablets MB": ("≤ 150", "91"),
}
"""By figure: the goal, and the previous page."""


def told(what: str, values: list[float]) -> None:
    goal, before = GOALS[what]
    print(f"  {what:18} {spread(values):28} goal {goal:8} before {before}", flush=True)


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
    """A firing that has already run this long; return the writer, the firing, its start and the next
    frame."""
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


def updates(path: Path, key: str, start_us: int, n: int, writer: JournalWriter, rounds: int) -> int:
    """Bytes and processor time of an update of the Fire page with a long firing behind it; return the next
    frame."""
    watcher = Watcher(path)
    watcher.look(time.time(), Board())
    board, glass = watcher.board(), Glass(Wish("fire"))
    begin = time.process_time()
    screen = glass.screen(board, 0.1, whole=True)
    assert screen is not None
    print(f"  whole screen: {(time.process_time() - begin) * 1e3:.0f} ms, {len(write(screen)):,} bytes")
    took, size = [], []
    for k in range(20 * rounds):
        with writer.transaction():
            writer.append(key, frames(start_us, n, HZ // 2))
            n += HZ // 2
            beat(writer, key, n)
        begin = time.process_time()
        assert watcher.look(time.time(), board) == "update"
        held: list[Any] = []
        if k % round(POINTS_S[0] * 2):  # like the hub with two updates a second
            held, board.points = board.points, []
        changed = glass.screen(board, 0.1, whole=False)
        text = "" if changed is None else write(changed)
        board.points = held or [([], []) for _ in board.places]
        took.append((time.process_time() - begin) * 1e3)
        size.append(float(len(text.encode())))
    told("update bytes", size)
    told("update server ms", took)
    watcher.close()
    return n


@contextmanager
def page_server(home: Path) -> Iterator[tuple[str, psutil.Process]]:
    """A page server in its own process: its address, once it answers, and the process."""
    port = free_port()

    def answers() -> bool:
        with socket.socket() as s:
            return s.connect_ex(("127.0.0.1", port)) == 0

    with process([*STOKEWATCH, "page", "--port", str(port), "--no-browser"], home) as own:
        until(answers, "the page", 120, 0.1)
        yield f"127.0.0.1:{port}", psutil.Process(own.pid)


class Writing:
    """Writes 16 channels at 10 Hz like a logger, with this many commits a second."""

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
    """Tablets that only listen; return the bytes each got after its whole screen."""

    async def one() -> int:
        origin = f"http://{address}"
        async with websockets.connect(f"ws://{address}/live", origin=origin, max_size=None) as made:  # type: ignore[arg-type]
            await made.send(json.dumps({"page": "fire"}))
            got, until = 0, time.monotonic() + seconds
            while (left := until - time.monotonic()) > 0:
                try:
                    text = await asyncio.wait_for(made.recv(), left)
                except TimeoutError:
                    break
                if '"whole":true' not in str(text[:60]):
                    got += len(text)
            return got

    return await asyncio.gather(*(one() for _ in range(n)))


def tablets(address: str, server: psutil.Process, seconds: float) -> None:
    """What ten tablets cost the server: while they open and for ten seconds after, and then steadily."""

    def spent() -> float:
        times = server.cpu_times()
        return float(times.user + times.system)

    async def all_of_it() -> tuple[list[float], list[int]]:
        marks = [spent()]
        watching = asyncio.create_task(be_tablets(address, 10, 10.0 + seconds))
        for wait_s in (10.0, seconds - 1.0):
            await asyncio.sleep(wait_s)
            marks.append(spent())
        return marks, await watching

    (begin, opened, end), got = asyncio.run(all_of_it())
    told("ten opening s", [opened - begin])
    told("ten tablets %", [(end - opened) / (seconds - 1.0) * 100])
    told("ten tablets MB", [server.memory_info().rss / 2**20])
    print(f"  {median(got) / (10.0 + seconds):,.0f} bytes/s to each, besides whole screens")


OPENED = """
    window.opened = {};
    const look = () => {
        if (document.querySelector('#first-look .at-zones')) window.opened.first ??= performance.now();
        if (document.querySelector('#first-look .line')) window.opened.still ??= performance.now();
        const reading = document.querySelector('#values [id^="value-"]');
        if (reading && /\\d/.test(reading.textContent)) window.opened.values ??= performance.now();
        if (document.querySelector('#traces .js-line')) window.opened.traces ??= performance.now();
        if (!window.opened.values || !window.opened.traces) requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
"""


def in_the_browser(address: str, seconds: float, rounds: int) -> None:
    """From navigation to values and traces, and what the open page costs."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS.split())
        times: dict[str, list[float]] = {}
        for _ in range(rounds):
            page = tablet(browser)
            for how in ("cold", "warm"):
                for what, s in opening_times(page, address).items():
                    times.setdefault(f"{how} {what} s", []).append(s)
            page.context.close()
        for what, values in times.items():
            told(what, values)
        page = tablet(browser)
        opening_times(page, address)
        time.sleep(3)
        told("main thread %", [cost(page, max(seconds, 10) / rounds) for _ in range(rounds)])
        browser.close()


def tablet(browser: Browser) -> Page:
    page = browser.new_context(viewport={"width": 1180, "height": 820}).new_page()
    page.add_init_script(OPENED)
    return page


def opening_times(page: Page, address: str) -> dict[str, float]:
    """Times since navigation began, by the page's own clock. [s]"""
    page.goto(f"http://{address}/")
    page.wait_for_selector("#traces .js-line", state="attached", timeout=120_000)
    page.wait_for_function("() => window.opened.values && window.opened.traces")
    opened = page.evaluate("() => window.opened")
    opened["painted"] = page.evaluate(
        "() => performance.getEntriesByName('first-contentful-paint')[0].startTime"
    )
    names = {
        "first": "first look",
        "still": "still traces",
        "painted": "painted",
        "values": "values",
        "traces": "traces",
    }
    return {said: opened[name] / 1e3 for name, said in names.items() if name in opened}


def cost(page: Page, seconds: float) -> float:
    """The share of a core that the open page's main thread takes. [%]"""
    session = page.context.new_cdp_session(page)
    session.send("Performance.setTimeDomain", {"timeDomain": "threadTicks"})
    session.send("Performance.enable")

    def so_far() -> float:
        return float(
            {m["name"]: m["value"] for m in session.send("Performance.getMetrics")["metrics"]}["TaskDuration"]
        )

    begin = so_far()
    time.sleep(seconds)
    end = so_far()
    session.detach()
    return (end - begin) / seconds * 100


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--open-hours", type=float, default=12.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--commits", type=float, default=2.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        writer, key, start_us, n = fill(folder / "journal.sqlite", given.open_hours, round(time.time() * 1e6))
        print(
            f"{given.open_hours:g} h × {CHANNELS} channels × {HZ} Hz behind it, and going on; load {os.getloadavg()[0]:.1f}"
        )
        n = updates(writer.path, key, start_us, n, writer, given.rounds)
        with page_server(folder) as (address, server), Writing(writer, key, start_us, n, given.commits):
            tablets(address, server, given.seconds)
            in_the_browser(address, given.seconds, given.rounds)
        writer.close()


if __name__ == "__main__":
    main()
