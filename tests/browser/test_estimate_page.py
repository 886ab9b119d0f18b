"""The pots' own temperature on the live page: bands among the traces, a line of words a zone, ± at each reading."""

from __future__ import annotations

import json
import time
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page
from tablets import Fire, PageServer, wait_until

from logger.replay.judging import Judging

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

LIT_S = 900.0


class Estimated:
    """A fire that is written with its estimate, as the logger does it."""

    def __init__(self, fire: Fire) -> None:
        self.fire = fire
        fire.light(LIT_S)
        plan = fire.made.plan
        self.judging = Judging(plan, fire.start_us, estimating=True)
        self.judging.rebuild([("a1", p.channel) for p in plan.probes])
        self.taken = 0
        self.go_on()

    def go_on(self) -> dict[str, Any]:
        """Judge what has been written, keep the rows and tell the verdict."""
        fire = self.fire
        if fire.written > self.taken:
            self.judging.take([fire._batch(self.taken, fire.written)])
            self.taken = fire.written
        data = self.judging.verdict_data()["load"]
        now_us = round(time.time() * 1e6)
        with fire.writer.transaction():
            for t_us, zones in self.judging.take_estimates():
                fire.writer.add_estimate(fire.id, t_us, zones)
            beat = {
                "at_us": now_us,
                "wall_s": now_us / 1e6,
                "time_scale": 1.0,
                "sources": [],
                "firing": fire.id,
            }
            fire.writer.heartbeat({**beat, "verdict": data, "alarms": []})
        return dict(data["estimates"])


def bands(page: Page) -> dict[str, Any]:
    drawn = page.evaluate(
        """() => (window.Stokewatch.drawnTraces()?.under || [])
            .filter((d) => d.name.startsWith('pots, ')).map((d) => [d.name, d.x, d.low, d.high])"""
    )
    return {name: tuple(np.array(values, float) for values in line) for name, *line in drawn}


@pytest.fixture
def shown(fire: Fire, page_server: PageServer, tablet: Page) -> Estimated:
    made = Estimated(fire)
    page_server.start()
    tablet.goto(page_server.url)
    tablet.wait_for_selector("#pots-zones li")
    tablet.wait_for_selector("#traces canvas")
    return made


def test_bands_among_the_traces_are_the_journals_rows(shown: Estimated, tablet: Page) -> None:
    drawn = wait_until(lambda: bands(tablet), "bands are drawn")
    zones = shown.judging.judge.verdict().estimates
    assert set(drawn) == {f"pots, {zone}" for zone in zones}
    for zone in zones:
        x, low, high = (values[np.isfinite(values)] for values in drawn[f"pots, {zone}"])
        assert 0 <= x.min() * 60 <= 30
        assert x.max() * 60 == pytest.approx(LIT_S, abs=30)
        assert (high >= low).all()
        last = zones[zone]
        assert high[-1] == pytest.approx(last.hi_c, abs=8)
        assert low[-1] == pytest.approx(last.lo_c, abs=8)


def test_a_choice_takes_them_away_and_is_kept(shown: Estimated, tablet: Page) -> None:
    wait_until(lambda: bands(tablet), "bands are drawn")
    off = tablet.locator('[data-choice="bands"][data-value="off"]')
    off.focus()
    tablet.keyboard.press("Enter")
    wait_until(lambda: not bands(tablet), "bands are gone")
    assert off.get_attribute("aria-pressed") == "true"
    shown.fire.go_on()
    shown.go_on()
    tablet.reload()
    tablet.wait_for_selector("#traces canvas")
    tablet.wait_for_selector("#pots-zones li")
    assert not bands(tablet)
    tablet.locator('[data-choice="bands"][data-value="on"]').click()
    wait_until(lambda: bands(tablet), "bands are drawn again")


def test_each_zone_is_told_in_words_that_say_it_is_estimated(shown: Estimated, tablet: Page) -> None:
    told = shown.go_on()

    def words() -> dict[str, str]:
        return {
            row.locator(".zone").inner_text(): row.inner_text().replace("\n", " ")
            for row in tablet.locator("#pots-zones li").all()
        }

    def right() -> bool:
        return all(
            f"{round(e['estimate_c'])}° ± " in words().get(zone, "")
            and ("not yet sure" in words()[zone]) == (not e["consistent"])
            for zone, e in told.items()
        )

    wait_until(right, "the newest estimates in words")
    assert "estimated" in tablet.locator("#pots h2").inner_text()
    # Where each zone's verdict stands, too.
    cards = {c.locator(".line b").inner_text(): c.inner_text() for c in tablet.locator("#zones li").all()}
    for zone in told:
        if zone in cards:
            assert f"pots {tablet.evaluate('z => Stokewatch.potsOf(z)', zone)}" in cards[zone]
    tablet.locator('[data-choice="unit"][data-value="F"]').click()
    zone, e = next(iter(told.items()))
    wait_until(lambda: f"{round(round(e['estimate_c']) * 1.8 + 32)}°" in words()[zone], "°F in words")


def test_each_reading_has_its_own_uncertainty(shown: Estimated, tablet: Page) -> None:
    rows = tablet.locator("#values li").all()
    for row in rows:
        if row.evaluate("e => !e.matches('.fault, .silent')"):
            said = row.locator(".sure").inner_text()
            assert said.startswith("± ")
            assert 2 <= int(said[2:-1]) <= 60
    # A silent probe's is not shown: nothing is known of now.
    wait_until(lambda: tablet.evaluate("document.body.dataset.state") != "fresh", "silence is said", 20)
    for row in rows:
        assert row.locator(".sure").evaluate("e => getComputedStyle(e).visibility") == "hidden"


@pytest.mark.parametrize("width", [390, 820, 1180])
def test_it_fits_any_glass(shown: Estimated, tablet: Page, width: int) -> None:
    tablet.set_viewport_size({"width": width, "height": 844})
    wait_until(lambda: bands(tablet), "bands are drawn")
    fits = "document.documentElement.scrollWidth <= window.innerWidth"
    wait_until(lambda: tablet.evaluate(fits), "nothing sticks out")
    for box in [b.bounding_box() for b in tablet.locator("#choose-bands button").all()]:
        assert box is not None
        assert box["height"] >= 44
        assert box["width"] >= 44
    sizes = json.loads(
        tablet.evaluate(
            """() => JSON.stringify([...document.querySelectorAll('#pots *, .sure')]
                .filter((e) => e.textContent.trim()).map((e) => parseFloat(getComputedStyle(e).fontSize)))"""
        )
    )
    assert min(sizes) >= 16
