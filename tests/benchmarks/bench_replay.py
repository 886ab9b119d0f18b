"""What moving a replay's bar costs, from the bar's new moment to the picture of it; run by hand.

    nice -n 15 python -m tests.benchmarks.bench_replay [--probes 12] [--moves 60]

Real parts: a page server in its own process, Debian's chromium, one judged invented firing of two hours. Each
move waits for the frame after the one in which values, traces and the stack through time show the moment, so
it includes one or two of the browser's frames (17 ms each). The drawn stack and the forecast follow once the
bar has rested for 0.12 s.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import tempfile
from pathlib import Path
from typing import Final

import numpy as np
from playwright.sync_api import sync_playwright

from tests.benchmarks.bench_page import ARGUMENTS, CHROMIUM, page_server
from tests.invented_firings import invented_firing, open_journal

GOAL_MS: Final = 100.0
MOVE: Final = """async (t) => {
    const plot = (id) => document.querySelector(`#${id} .js-plotly-plot`);
    const frame = () => new Promise((done) => requestAnimationFrame(done));
    const at = () => `${plot("replay-traces").dataset.moment} ${plot("replay-heat").dataset.moment}`;
    const [was, began] = [at(), performance.now()];
    window.dash_clientside.set_props("replay-scrub", { value: t });
    while (at() === was) await frame();
    await frame();
    return performance.now() - began;
}"""


def main() -> None:
    """Print the times of the moves beside the goal."""
    options = argparse.ArgumentParser()
    options.add_argument("--probes", type=int, default=12)
    options.add_argument("--moves", type=int, default=60)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        with contextlib.closing(open_journal(Path(folder))) as writer:
            firing, made = invented_firing(writer, 5, probes=given.probes, rate_hz=1.0)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS.split())
        with page_server(Path(folder)) as (address, _):
            page = browser.new_page(viewport={"width": 1180, "height": 820})
            page.goto(f"http://{address}/replay/{firing}?at=600")
            page.wait_for_selector("#replay-zones td", timeout=600_000)
            page.wait_for_timeout(3000)
            ends_s = float(made.t_s[-1])
            moments_s = np.random.default_rng(1).permutation(np.linspace(10.0, ends_s - 10.0, given.moves))
            took = [float(page.evaluate(MOVE, round(t))) for t in moments_s.tolist()]
        browser.close()
    median, most = np.percentile(took, [50, 95])
    print(f"{given.probes} probes, {ends_s / 60:.0f} min, {given.moves} moves, load {os.getloadavg()[0]:.1f}")
    print(
        f"from bar to picture: {median:.0f} ms in the median, {most:.0f} ms in 95 % (goal {GOAL_MS:.0f} ms)"
    )


if __name__ == "__main__":
    main()
