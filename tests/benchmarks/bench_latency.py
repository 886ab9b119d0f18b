"""From a rig's sample to the number on the screen: rig, logger, page and browser, each in its own process.

python -m tests.benchmarks.bench_latency [--seconds 60] [--rate-hz 4] [--rounds 5]

16 probes over a pseudo-terminal; the first one's whole degrees identify the frame. The rig notes when it
hands a frame over; the page notes in each animation frame what the first probe's value reads. Both clocks are
this machine's. Frames that never show (two of the rig's in one update) are left out of the times and counted.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import Error, Page, sync_playwright

from tests.benchmarks.bench_page import ARGUMENTS, CHROMIUM, page_server
from tests.benchmarks.live import frame_lines, heat, plan_of, rig
from tests.processes import STOKEWATCH, process, until

LOWEST_C = 300
READING = "#values [data-probe='p0'] .reading"
LOOK = """
(place) => {
    window.looks = [];
    let was = null;
    const look = () => {
        const found = /(\\d+)°/.exec(document.querySelector(place)?.textContent || "");
        const shown = found ? Number(found[1]) : null;
        if (shown !== was) { was = shown; window.looks.push([shown, Date.now() / 1000]); }
        requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
}
"""


def opened(page: Page, url: str) -> bool:
    """Whether the page shows a value of the first probe; the server may still be starting."""
    try:
        page.goto(url)
        page.wait_for_selector(READING, timeout=15_000)
        return any(c.isdigit() for c in page.inner_text(READING))
    except Error:
        return False


def main(seconds: float, rate_hz: float, rounds: int) -> None:
    values = heat(seconds * rounds + 90, rate_hz, from_s=3600.0)
    values[:, 0] = LOWEST_C + np.arange(len(values)) % 500
    lines = frame_lines(values, rate_hz)
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        home, link, plan = Path(name) / "home", Path(name) / "rig", Path(name) / "plan.toml"
        plan.write_text(plan_of().dumps())
        log = [*STOKEWATCH, "log", "--serial", str(link), "--plan", str(plan)]
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS.split())
        with process(log, home), page_server(home) as (address, _), rig(link, lines, rate_hz) as sending:
            page = browser.new_page(viewport={"width": 1180, "height": 820})
            until(lambda: opened(page, f"http://{address}/"), "the page", 60)
            time.sleep(5)
            page.evaluate(LOOK, READING)
            whole: list[float] = []
            medians, worst = [], []
            for _ in range(rounds):
                page.evaluate("() => { window.looks.length = 0; }")
                first = len(sending.sent_s)
                time.sleep(seconds)
                last = len(sending.sent_s)
                time.sleep(1)
                by_value = {int(values[n, 0]): n for n in range(first, last)}
                looks = page.evaluate("() => window.looks")
                late = [1000 * (seen_s - sending.sent_s[by_value[c]]) for c, seen_s in looks if c in by_value]
                medians.append(statistics.median(late))
                worst.append(float(np.percentile(late, 99)))
                whole += late
                print(
                    f"  median {medians[-1]:.0f} ms, 99 % {worst[-1]:.0f} ms; {len(late)} of {last - first} seen"
                )
            print(
                f"{rate_hz:g} frames/s, {rounds} rounds of {seconds:g} s:"
                f" median {statistics.median(medians):.0f} [{min(medians):.0f}–{max(medians):.0f}] ms,"
                f" 99 % {statistics.median(worst):.0f} [{min(worst):.0f}–{max(worst):.0f}] ms,"
                f" most {max(whole):.0f} ms"
            )
        browser.close()


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rate-hz", type=float, default=4.0)
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    main(given.seconds, given.rate_hz, given.rounds)
