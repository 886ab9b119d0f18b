"""A stored firing burns again, in a real browser: each moment, its forecast, and other settings."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tablets
from playwright.sync_api import Page
from tablets import PageServer, findings, until

from dashboard.parts.moment import clock
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.replay.moments import judged
from logger.simulator import simulate
from tests.invented_firings import batch_of
from tests.processes import free_port

pytestmark = [pytest.mark.real, pytest.mark.timeout(400)]

START_US = 1_795_000_000_000_000
ZONE_POINTS = 200
NASTY = "<img src=x onerror=window.hurt=1> flames"


class Burnt:
    """An invented firing, served, with estimates no model would make: they can't be taken for others."""

    def __init__(self, home: Path) -> None:
        self.home = home
        fire = simulate(11, rate_hz=0.1, mishaps="none", probes=4)
        self.zone = next(p.zone for p in fire.plan.probes if p.reads != "coals")
        self.lit_s = float(fire.truth["lit_s"])
        with contextlib.closing(JournalWriter(home / "journal.sqlite")) as writer:
            end_us = START_US + round(fire.t_s[-1] * 1e6)
            self.id = writer.open_firing(
                "Invented", fire.plan.dumps(), START_US, ended_us=end_us, invented=True
            ).id
            writer.append(
                self.id,
                batch_of(fire, START_US),
            )
            for n in range(ZONE_POINTS):
                c = 100.0 + 2 * n
                writer.add_estimate(
                    self.id, START_US + n * 10_000_000, {self.zone: (c, c - 30, c + 30, "probes")}
                )
            note = {"kind": "text", "text": NASTY, "zone": self.zone}
            writer.add_event(self.id, START_US + 1_500_000_000, "note", note, "page")
            writer.pack(self.id)
        with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
            info = reader.firing(self.id)
            self.told, self.estimates = judged(reader, info), reader.estimates(self.id)
        self.server = PageServer(home, free_port())

    def open(self, page: Page, at_s: float) -> None:
        page.goto(f"{self.server.url}/replay/{self.id}?at={at_s:g}")
        page.wait_for_selector("#replay-zones td", timeout=240_000)
        until(lambda: "°" in page.inner_text("#replay-values .probe >> nth=0"), "the values", 60)
        begin = "() => document.querySelector('#replay-traces .js-plotly-plot').layout.xaxis.range[0]"
        until(lambda: cursor(page) > page.evaluate(begin) + 0.01, "the pictures are at that moment", 120)


@pytest.fixture(scope="module")
def burnt(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Burnt]:
    made = Burnt(tmp_path_factory.mktemp("home"))
    made.server.start()
    yield made
    if made.server.process is not None:
        made.server.stop(signal.SIGKILL)


def drawn(page: Page, name: str) -> dict[str, Any]:
    found = tablets.drawn(page, "replay-traces")
    return next((d for d in found if d["name"].startswith(name)), {"x": [], "y": []})


def cursor(page: Page) -> float:
    return float(
        page.evaluate("() => Number(document.querySelector('#replay-traces .js-plotly-plot').dataset.moment)")
    )


def zero_min(page: Page, at_s: float) -> float:
    return at_s / 60.0 - cursor(page)


def seek(page: Page, at_s: float) -> None:
    """Do what a finger on the bar does: set Dash's own property."""
    before = cursor(page)
    page.evaluate("(t) => window.dash_clientside.set_props('replay-scrub', { value: t })", at_s)
    there = f"{clock(at_s)} of"
    until(lambda: there in page.inner_text("#replay-clock"), "it is there", 30)
    until(lambda: cursor(page) != before, "the picture too")


def test_each_moment_is_what_was_read_judged_and_forecast(burnt: Burnt, tablet: Page) -> None:
    made = [f for f in burnt.told["moments"]["forecasts"] if f["zone"]]
    one = made[len(made) // 2]
    burnt.open(tablet, one["t_s"] + 1)
    until(lambda: drawn(tablet, "forecast")["x"], "what was to come is drawn", 60)
    zero = zero_min(tablet, one["t_s"] + 1)
    middle = next(d for d in tablets.drawn(tablet, "replay-traces") if d["name"] == "forecast")
    at_s = (np.array(middle["x"]) + zero) * 60
    assert at_s[0] == pytest.approx(one["at_s"] + one["ahead_s"][0], abs=2)
    expected = np.interp(at_s, one["at_s"] + np.array(one["ahead_s"]), one["middle_c"])
    np.testing.assert_allclose(middle["y"], expected, atol=1)
    assert middle["meta"]["forecast"] == one["zone"]
    # The words beside it are the judgement's at that moment.
    times = burnt.told["moments"]["t_s"]
    k = max(n for n, t in enumerate(times) if t <= one["t_s"] + 1.01)
    for zone in burnt.told["moments"]["zones"]:
        row = tablet.inner_text(f'#replay-zones [data-zone="{zone["zone"]}"]')
        assert f"{zone['peak_c'][k]:.0f}°" in row
    # Before the first forecast there is nothing to draw.
    first = burnt.told["moments"]["forecasts"][0]
    assert first["zone"] is None
    seek(tablet, first["t_s"] + 1)
    until(lambda: drawn(tablet, "forecast")["x"] == [], "none is drawn")


def test_moving_the_moment_moves_all_that_is_seen(burnt: Burnt, tablet: Page) -> None:
    burnt.open(tablet, 300)
    before = tablet.inner_text("#replay-values")
    stack = "() => JSON.stringify(document.querySelector('#replay-stack .js-plotly-plot').data[0].z)"
    heat, at = tablet.evaluate(stack), cursor(tablet)
    seek(tablet, 3300)
    assert tablet.inner_text("#replay-values") != before
    assert cursor(tablet) == pytest.approx(at + 50.0, abs=0.1)
    until(lambda: tablet.evaluate(stack) != heat, "the stack too")
    with contextlib.closing(JournalReader(burnt.home / "journal.sqlite")) as reader:
        traces = reader.readings(burnt.id, START_US, START_US + 3_300_500_000)
        names = [c.probe.name for c in traces.columns]
        last = [c[np.isfinite(c)][-1] for c in traces.temperature_c]
    for name, c in zip(names, last, strict=True):
        row = tablet.locator("#replay-values .probe", has_text=name).first
        assert f"{c:.0f}°" in row.inner_text()
    # By keys, by notes and alarms, and by playing.
    tablet.locator("h1").click()
    tablet.keyboard.press("ArrowRight")
    until(lambda: "55:10 of" in tablet.inner_text("#replay-clock"), "ten seconds on")
    tablet.keyboard.press("Home")
    until(lambda: tablet.inner_text("#replay-clock").startswith("0:00 of"), "the beginning")
    tablet.click("#replay-on")
    until(lambda: tablet.inner_text("#replay-jumped"), "it says where it went")
    tablet.click('#replay-happened [data-seek="1500"]')
    until(lambda: "25:00 of" in tablet.inner_text("#replay-clock"), "the note")
    assert NASTY in tablet.inner_text("#replay-happened")
    assert tablet.evaluate("window.hurt === undefined")
    tablet.click("#replay-play")
    until(lambda: "25:00 of" not in tablet.inner_text("#replay-clock"), "it plays")
    tablet.click("#replay-play")
    # A tap singles out one line.
    tablet.locator("#replay-values .probe").first.click()
    until(
        lambda: (
            sorted({d["opacity"] for d in tablets.drawn(tablet, "replay-traces") if d["meta"].get("probe")})
            == [0.12, 1]
        ),
        "the others are pale",
    )


def test_the_pots_band_is_what_was_kept_and_can_be_taken_away(burnt: Burnt, tablet: Page) -> None:
    [(zone, line)] = burnt.estimates.items()
    at_s = 10.0 * (ZONE_POINTS // 2)
    there_s = at_s + 6  # each reading is a moment: at 5 s, 15 s, …
    burnt.open(tablet, there_s)
    band = drawn(tablet, f"pots, {zone}")
    half = len(band["x"]) // 2
    zero = zero_min(tablet, there_s)
    t_s = (line.t_us - START_US) / 1e6
    for part, kept in ((slice(half), line.high_c), (slice(half, None), line.low_c)):
        at = (np.array(band["x"][part]) + zero) * 60
        np.testing.assert_allclose(band["y"][part], np.interp(at, t_s, kept), atol=0.2)
    told = tablet.inner_text(f'#replay-zones [data-zone="{zone}"]')
    assert f"Pots (estimated): {round(line.estimate_c[ZONE_POINTS // 2])}° ± 30°" in told
    tablet.locator("label", has_text="Estimates of the pots").click()
    until(lambda: not drawn(tablet, "pots")["x"], "it is taken away", 60)


@pytest.mark.parametrize("size", [(1180, 820), (390, 844)])
def test_it_fits_the_glass_and_axe_finds_nothing(burnt: Burnt, tablet: Page, size: tuple[int, int]) -> None:
    tablet.set_viewport_size({"width": size[0], "height": size[1]})
    burnt.open(tablet, 600)
    assert tablet.evaluate("document.documentElement.scrollWidth") <= size[0]
    # The moment and the replay controls are in sight and cover nothing that is looked at; no words are broken.
    bar = tablet.locator("#replay-bar").bounding_box()
    assert bar is not None
    assert bar["y"] + bar["height"] <= size[1]
    if size[0] == 1180:
        heat = tablet.locator("#replay-heat").bounding_box()
        assert heat is not None
        assert heat["y"] + heat["height"] <= bar["y"] + 1
    for name in ("play", "back", "on"):
        button = tablet.locator(f"#replay-{name}").bounding_box()
        assert button is not None
        assert bar["y"] <= button["y"] < button["y"] + button["height"] <= size[1]
    tablet.click("summary:has-text('Alarm settings')")
    low = tablet.evaluate(
        """() => [...document.querySelectorAll('#replay :is(a, button, input:not([type=checkbox], [type=radio]))')]
            .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 43.5).map((e) => e.id || e.textContent)"""
    )
    assert low == []
    assert findings(tablet) == []
