"""In the replay: what was to come at a moment, and what the pots were estimated at, as beside the fire."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page
from tablets import PageServer, wait_until

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel
from logger.replaying import judged
from logger.sources.simulated import simulate

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

START_US = 1_795_000_000_000_000
ZONE_POINTS = 200


@pytest.fixture
def burnt(home: Path, page_server: PageServer) -> str:
    """An invented firing with estimates that are none of the model's, so that they can't be taken for anything else."""
    fire = simulate(11, rate_hz=0.5, mishaps="none", probes=4)
    none = np.full_like(fire.temperature_c, np.nan)
    with contextlib.closing(JournalWriter(home / "journal.sqlite")) as writer:
        end_us = START_US + round(fire.t_s[-1] * 1e6)
        firing = writer.open_firing(
            "Invented", fire.plan.dumps(), START_US, ended_us=end_us, invented=True
        ).id
        writer.append(
            firing,
            Batch(
                rig="a1",
                channels=tuple(Channel(p.channel, "celsius") for p in fire.plan.probes),
                t_us=START_US + np.round(fire.t_s * 1e6).astype(np.int64),
                seq=np.arange(len(fire.t_s)),
                ms=np.round(fire.t_s * 1000).astype(np.int64),
                raw=fire.temperature_c,
                raw_cj=none,
                temperature_c=fire.temperature_c,
                cold_junction_c=none,
                status=fire.status,
            ),
        )
        zone = next(p.zone for p in fire.plan.probes if p.reads != "coals")
        for n in range(ZONE_POINTS):
            c = 100.0 + 2 * n
            writer.add_estimate(firing, START_US + n * 10_000_000, {zone: (c, c - 30, c + 30, "probes")})
        writer.pack(firing)
    page_server.start()
    return firing


def told_of(home: Path, firing: str) -> tuple[Any, Any]:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        info = reader.firing(firing)
        return judged(reader, info), reader.estimates(firing)


def open_at(page: Page, server: PageServer, firing: str, at_s: float) -> None:
    page.goto("about:blank")
    page.goto(f"{server.url}/#replay/{firing}/{at_s:g}")
    page.wait_for_selector(".r-zones td", timeout=120_000)


def corners(page: Page, selector: str) -> np.ndarray:
    """A path's points in seconds and °C, read back from where they are drawn."""
    d = page.locator(selector).first.get_attribute("d") or ""
    px = np.array(re.findall(r"([\d.]+),([\d.]+)", d), float)
    s = page.evaluate("(px) => px.map((x) => window.Stokewatch.replay.timeAt(x))", px[:, 0].tolist())
    grid = page.evaluate(
        """() => [...document.querySelectorAll('#replay .r-traces text.height')]
            .filter((t) => /^\\d+$/.test(t.textContent) && !t.classList.contains('middle'))
            .map((t) => [Number(t.getAttribute('y')) - 5.5, Number(t.textContent)])"""
    )
    (y0, c0), (y1, c1) = grid[0], grid[-1]
    c = c0 + (px[:, 1] - y0) / (y1 - y0) * (c1 - c0)
    return np.column_stack((s, c))


def test_the_forecast_of_a_moment_is_the_judgements(
    home: Path, burnt: str, tablet: Page, page_server: PageServer
) -> None:
    told, _ = told_of(home, burnt)
    made = [f for f in told["moments"]["forecasts"] if f["zone"]]
    one = made[len(made) // 2]
    open_at(tablet, page_server, burnt, one["t_s"] + 1)
    wait_until(lambda: tablet.locator(".r-come .r-middle").count(), "what was to come is drawn")
    assert tablet.locator(".r-come").get_attribute("data-zone") == one["zone"]
    drawn = corners(tablet, ".r-come .r-middle")
    ahead = min(20.0, max(2.0, 0.25 * (one["t_s"] + 1) / 60)) * 60
    assert drawn[0, 0] == pytest.approx(one["at_s"] + one["ahead_s"][0], abs=15)
    assert drawn[-1, 0] <= one["at_s"] + ahead + 15
    expected = np.interp(drawn[:, 0], one["at_s"] + np.array(one["ahead_s"]), one["middle_c"])
    np.testing.assert_allclose(drawn[:, 1], expected, atol=5)
    assert "as it is going" in tablet.locator(".r-come text").text_content()
    # Before the first forecast there is nothing to draw.
    first = told["moments"]["forecasts"][0]
    assert first["zone"] is None
    open_at(tablet, page_server, burnt, first["t_s"] + 1)
    assert tablet.locator(".r-come path").count() == 0


def test_the_pots_band_is_what_was_kept_and_can_be_taken_away(
    home: Path, burnt: str, tablet: Page, page_server: PageServer
) -> None:
    _, estimates = told_of(home, burnt)
    [(zone, line)] = estimates.items()
    at_s = 10.0 * (ZONE_POINTS // 2)
    open_at(tablet, page_server, burnt, at_s + 1)
    assert tablet.locator(".r-pots path").get_attribute("data-zone") == zone
    drawn = corners(tablet, ".r-pots path")
    half = len(drawn) // 2
    t_s = (line.t_us - START_US) / 1e6
    for part, kept in ((drawn[:half], line.high_c), (drawn[half:][::-1], line.low_c)):
        np.testing.assert_allclose(part[:, 1], np.interp(part[:, 0], t_s, kept), atol=5)
    said = tablet.locator(".r-potswords")
    assert said.count() == 1
    assert f"{round(line.estimate_c[ZONE_POINTS // 2])}° ± 30°" in said.inner_text()
    tablet.evaluate("localStorage.setItem('stokewatch.bands', 'off')")
    open_at(tablet, page_server, burnt, at_s + 1)
    assert tablet.locator(".r-pots path").count() == 0


@pytest.mark.parametrize("size", [(1180, 820), (390, 844)])
def test_no_rulers_words_stand_over_anothers(
    size: tuple[int, int], burnt: str, tablet: Page, page_server: PageServer
) -> None:
    tablet.set_viewport_size({"width": size[0], "height": size[1]})
    open_at(tablet, page_server, burnt, 600)
    boxes = tablet.evaluate(
        "() => [...document.querySelectorAll('.r-rulerword')].map((e) => e.getBBox()).map((b) => [b.x, b.y, b.width, b.height])"
    )
    assert len(boxes) == 3
    for n, (x, y, width, height) in enumerate(boxes):
        for left, top, wide, high in boxes[n + 1 :]:
            apart = x + width <= left or left + wide <= x
            assert apart or y + height <= top + 2 or top + high <= y + 2
