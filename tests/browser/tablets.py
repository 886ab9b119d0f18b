"""For tests with a real browser: a page server in its own process, a fire to write, points to compare."""

from __future__ import annotations

import copy
import functools
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from importlib.resources import files
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, TypeVar

import forked
import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel
from logger.simulator import SimulatedFiring, simulate
from tests import processes

T = TypeVar("T")

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--process-per-site",  # without it `Shelf` would save nothing
]


SIZES = {"flat": (1180, 820), "upright": (820, 1180), "phone": (390, 844), "low": (1024, 600)}


def until(condition: Callable[[], T], what: str, seconds: float = 20.0, every_s: float = 0.1) -> T:
    """Wait as elsewhere, but look less often: each look costs the browser, its driver and this process."""
    return processes.until(condition, what, seconds, every_s)


class Shelf:
    """Tablets used one after another: each as new, except for the page's scripts.

    They share a renderer that has already compiled the scripts, which is half of a page's opening. What a page stores
    in a tablet is cleared in between. A second tablet beside one of these has a context of its own.
    """

    ANY = "http://127.0.0.1/"

    def __init__(self, browser: Browser) -> None:
        self.context = browser.new_context(color_scheme="light")
        self._origins: set[str] = set()
        self._kept = self.context.new_page()  # same site as the others, so the renderer stays
        self._kept.route(self.ANY, lambda route: route.fulfill(body="<title>Shelf</title>"))
        self._kept.goto(self.ANY)
        self._tools = self.context.new_cdp_session(self._kept)

    def take(self, width: int, height: int) -> Page:
        page = self.context.new_page()
        page.set_viewport_size({"width": width, "height": height})
        page.on("framenavigated", lambda frame: self._origins.add("/".join(frame.url.split("/")[:3])))
        return page

    def put_back(self) -> None:
        for page in self.context.pages:
            if page is not self._kept:
                page.close()
        self.context.clear_cookies()
        kept = "local_storage,indexeddb,cache_storage,service_workers,file_systems"
        while self._origins:
            self._tools.send(
                "Storage.clearDataForOrigin", {"origin": self._origins.pop(), "storageTypes": kept}
            )


class PageServer:
    """`stokewatch page` as a process."""

    def __init__(self, home: Path, port: int) -> None:
        self.home, self.port = home, port
        self.url = f"http://127.0.0.1:{port}"
        self.process: BaseProcess | None = None
        self.log = home / "page.log"

    def start(self) -> None:
        self.process = forked.page(
            ["--home", str(self.home), "--port", str(self.port), "--no-browser"], self.log
        )
        until(self.answers, "the page server answers", 60)

    def answers(self) -> bool:
        assert self.process is not None
        if not self.process.is_alive():
            pytest.fail(f"the page server ended at once: {self.log.read_text()}")
        try:
            with socket.create_connection(("127.0.0.1", self.port), 1):
                return True
        except OSError:
            return False

    def stop(self, how: signal.Signals = signal.SIGTERM) -> tuple[int, float]:
        """End it; return its exit status and how long that took. [s]"""
        assert self.process is not None
        assert self.process.pid is not None
        started = time.monotonic()
        os.kill(self.process.pid, how)
        self.process.join(10)
        code = self.process.exitcode
        assert code is not None, "it does not end"
        self.process = None
        return code, time.monotonic() - started


@functools.cache
def _simulated(seed: int, probes: int) -> SimulatedFiring:
    return simulate(seed, rate_hz=2, mishaps="none", probes=probes)


class Fire:
    """Writes an invented firing into a journal on command, as a logger would."""

    def __init__(self, home: Path, *, seed: int = 5, probes: int = 6) -> None:
        self.made: SimulatedFiring = copy.deepcopy(_simulated(seed, probes))
        self.path = home / "journal.sqlite"
        self.writer = JournalWriter(self.path)
        self.written = 0
        self.start_us = 0
        self.id = ""
        self.told: dict[str, Any] = {}  # what else each heartbeat says

    def light(self, seconds: float, *, planned: bool = True) -> None:
        """Open the firing as if lit this long ago, with all readings since."""
        plan = self.made.plan
        self.start_us = round((time.time() - seconds) * 1e6)
        self.id = self.writer.open_firing(
            plan.title, plan.dumps() if planned else None, self.start_us, invented=True
        ).id
        self.go_on()

    def go_on(self) -> None:
        """Write what is due by now, and a heartbeat."""
        now_us = round(time.time() * 1e6)
        end = int(np.searchsorted(self.made.t_s, (now_us - self.start_us) / 1e6))
        with self.writer.transaction():
            if end > self.written:
                self.writer.append(self.id, self._batch(self.written, end))
                self.written = end
            self.beat(now_us)

    def beat(self, now_us: int | None = None) -> None:
        """Write a heartbeat alone: the logger is alive, the rig silent."""
        now_us = now_us or round(time.time() * 1e6)
        self.writer.heartbeat(
            {
                "pid": os.getpid(),
                "at_us": now_us,
                "wall_s": now_us / 1e6,
                "time_scale": 1.0,
                "frames": self.written,
                "sources": [],
                "firing": self.id,
                "verdict": None,
                "alarms": None,
                **self.told,
            }
        )

    def _batch(self, a: int, b: int) -> Batch:
        values = self.made.temperature_c[a:b]
        nothing = np.full_like(values, np.nan)
        t_us = self.start_us + np.round(self.made.t_s[a:b] * 1e6).astype(np.int64)
        return Batch(
            rig="a1",
            channels=tuple(Channel(p.channel, "celsius") for p in self.made.plan.probes),
            t_us=t_us,
            seq=np.arange(a, b),
            ms=np.round(self.made.t_s[a:b] * 1000).astype(np.int64),
            raw=values,
            raw_cj=nothing,
            temperature_c=values,
            cold_junction_c=nothing,
            status=self.made.status[a:b],
        )


class Writing:
    """Keeps writing a fire in a thread until told to stop."""

    def __init__(self, fire: Fire) -> None:
        self.fire = fire
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._turn = threading.Lock()  # the journal has one writer
        self.silent_rig = False

    def _run(self) -> None:
        while True:
            with self._turn:
                if self.silent_rig:
                    self.fire.beat()
                else:
                    self.fire.go_on()
            if self._stop.wait(0.2):
                return

    def note(self, text: str) -> None:
        """Note something now, in words."""
        with self._turn:
            data = {"kind": "text", "text": text, "amount": ""}
            self.fire.writer.add_event(self.fire.id, round(time.time() * 1e6), "note", data)

    def __enter__(self) -> Writing:
        self._thread.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._stop.set()
        self._thread.join()


def drawn_points(page: Page) -> dict[str, list[tuple[float, float]]]:
    """What the page has drawn, by probe: (seconds since the first reading, °C as shown), without breaks."""
    lines = [trace for trace in drawn(page) if "probe" in trace["meta"]]
    return {
        line["meta"]["probe"]: [
            (round(x * 60, 1), y) for x, y in zip(line["x"], line["y"], strict=True) if y is not None
        ]
        for line in lines
    }


def drawn(page: Page, graph: str = "traces") -> list[dict[str, Any]]:
    """Name, meta, opacity and points of each trace of a graph."""
    return list(page.evaluate(DRAWN, graph))


DRAWN = """(id) => (document.querySelector(`#${id} .js-plotly-plot`)?.data || []).map((trace) => ({
    name: trace.name, meta: trace.meta || {}, opacity: trace.opacity ?? 1, text: Array.from(trace.text || []),
    x: Array.from(trace.x || []), y: Array.from(trace.y || []) }))"""


def ranges(page: Page) -> dict[str, Any]:
    """What the traces' axes show, and what they would show if nobody had zoomed."""
    made = """() => { const { xaxis, yaxis } = document.querySelector('#traces .js-plotly-plot').layout;
        return { x: xaxis.range.map(Number), y: yaxis.range.map(Number), follows: window.stokewatch.follows() }; }"""
    return dict(page.evaluate(made))


def state(page: Page) -> str:
    """What the page says can be trusted."""
    return str(page.evaluate("document.body.dataset.state"))


def shown(page: Page, url: str) -> Page:
    """Open the Fire page and wait until it shows."""
    page.goto(url)
    page.wait_for_selector("#values li", state="attached", timeout=60_000)
    until(lambda: drawn(page), "the traces", 30)
    page.wait_for_selector("#first-look", state="detached")
    return page


def journal_points(path: Path, firing: str) -> dict[str, list[tuple[float, float]]]:
    """The same from the journal, at full resolution."""
    reader = JournalReader(path)
    try:
        start = reader.firing(firing).started_us
        traces = reader.readings(firing)
        return {
            column.probe.name: [
                # Points are drawn in thousandths of a minute.
                (round(round((t - start) / 60e6, 3) * 60, 1), round(c, 1))
                for t, c in zip(t_us.tolist(), values.tolist(), strict=True)
                if c == c
            ]
            for column, t_us, values in zip(traces.columns, traces.t_us, traces.temperature_c, strict=True)
        }
    finally:
        reader.close()


def wrongly_drawn(page: Page, path: Path, firing: str) -> str:
    """List what is wrong with the drawing: it should be the journal's readings, none twice, up to each probe's newest.

    Not every reading is sent: of those that share a pixel, the lowest, the highest and the last.
    """
    there, here = journal_points(path, firing), drawn_points(page)
    if there.keys() != here.keys():
        return f"probes: {sorted(here)} for {sorted(there)}"
    for name, points in here.items():
        if len(points) != len(set(points)):
            return f"{name}: a point twice"
        if wrong := set(points) - set(there[name]):
            return f"{name}: not in the journal: {sorted(wrong)[:3]}"
        if there[name] and (not points or points[-1] != there[name][-1]):
            return f"{name}: ends at {points[-1:]}, the journal at {there[name][-1]}"
    return ""


def by_day_and_night(page: Page) -> Iterator[str]:
    """The page in one theme, then in the other, and back as it was."""
    for theme, then in (("day", "dark"), ("night", "light")):
        yield theme
        page.click("#theme-choice")
        page.wait_for_selector(f"[data-mantine-color-scheme={then}]", timeout=30_000)


# --- WCAG 2.2 AA, as far as a program can tell ---

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


# Colours on their way to others have too little contrast. Count what passes instead of listing it: with its
# HTML that is megabytes.
LOOKED_AT = """async ([tags, part]) => {
    const ending = (one) => Number.isFinite(one.effect?.getComputedTiming().endTime);
    await Promise.all(document.getAnimations().filter(ending).map((one) => one.finished.catch(() => 0)));
    const { violations, passes } = await axe.run(part ?? document, { runOnly: tags, resultTypes: ["violations"] });
    return { violations, passes: passes.length };
}"""


def findings(page: Page, part: str | None = None) -> list[str]:
    """All that axe-core finds on the page, or in its changed part, one line each."""
    if not page.evaluate("Boolean(window.axe)"):  # half a megabyte
        page.evaluate(AXE)
    found: Any = page.evaluate(LOOKED_AT, [RULES, part])
    assert found["passes"] > (10 if part is None else 2), "axe-core looked at nothing"
    return [
        f"{v['id']} ({v['impact']}): {n['target']} {n['html'][:120]} {n['failureSummary'][:200]}"
        for v in found["violations"]
        for n in v["nodes"]
    ]
