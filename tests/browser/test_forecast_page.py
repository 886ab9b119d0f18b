"""What is to come, on the live page: a band from now on among the traces, and a sentence."""

from __future__ import annotations

import time
from typing import Any

import pytest
from playwright.sync_api import Page
from tablets import Fire, PageServer, wait_until

from logger.replay.judging import Judging

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]


class Foretold:
    """A fire that is written with its verdict, as the logger does it, some minutes after the wood was lit."""

    def __init__(self, fire: Fire) -> None:
        self.fire = fire
        fire.light(float(fire.made.truth["lit_s"]) + 420.0)
        self.judging = Judging(fire.made.plan, fire.start_us)
        self.judging.rebuild([("a1", p.channel) for p in fire.made.plan.probes])
        self.judging.take([fire._batch(0, fire.written)])
        self.tell()

    def tell(self, **changes: Any) -> dict[str, Any]:
        """Write a heartbeat with the verdict."""
        data = self.judging.verdict_data()["load"] | changes
        now_us = round(time.time() * 1e6)
        beat = {
            "at_us": now_us,
            "wall_s": now_us / 1e6,
            "time_scale": 1.0,
            "sources": [],
            "firing": self.fire.id,
        }
        with self.fire.writer.transaction():
            self.fire.writer.heartbeat({**beat, "verdict": data, "alarms": []})
        return data


def to_come(page: Page) -> dict[str, list[list[float]]]:
    drawn = page.evaluate(
        """() => (window.Stokewatch.drawnTraces()?.under || [])
            .filter((d) => d.name.startsWith('to come') && !d.fill).map((d) => [d.name, d.x, d.y])"""
    )
    return {name: [x, y] for name, x, y in drawn}


@pytest.fixture
def foretold(fire: Fire, page_server: PageServer, tablet: Page) -> Foretold:
    made = Foretold(fire)
    page_server.start()
    tablet.goto(page_server.url)
    tablet.wait_for_selector("#traces canvas")
    return made


def test_band_and_sentence_are_those_of_the_verdict(foretold: Foretold, tablet: Page) -> None:
    told = foretold.tell()
    zone = next(z for z in told["zones"] if z["zone"] == told["coldest"])
    come = zone["forecast"]
    drawn = wait_until(lambda: to_come(tablet), "what is to come is drawn")
    assert set(drawn) == {"to come", "to come, least", "to come, most"}
    x, y = drawn["to come"]
    assert x[0] == pytest.approx(come["at_s"] / 60)
    assert y[: len(y) - 1] == pytest.approx(come["middle_c"][: len(y) - 1])
    low, high = drawn["to come, least"][1], drawn["to come, most"][1]
    assert all(a <= b <= c for a, b, c in zip(low, y, high, strict=True))
    # It has room: the axis goes on beyond now, to its end.
    end = tablet.evaluate("window.Stokewatch.drawnTraces().range.x[1]")
    assert end >= x[-1] - 1e-6
    line = wait_until(lambda: tablet.locator("#come").inner_text(), "a sentence")
    assert line.rstrip(".").casefold() == told["coming"].casefold()
    label = tablet.locator("#labels .come")
    assert zone["zone"] in label.inner_text()
    assert "as it is going" in label.inner_text()
    assert label.evaluate("e => parseFloat(getComputedStyle(e).fontSize)") >= 16


def test_without_a_forecast_nothing_is_drawn_or_said(foretold: Foretold, tablet: Page) -> None:
    wait_until(lambda: to_come(tablet), "what is to come is drawn")
    zones = [z | {"forecast": None} for z in foretold.tell()["zones"]]
    foretold.tell(zones=zones, coming="")
    wait_until(lambda: not to_come(tablet), "it is gone")
    assert not tablet.locator("#come").is_visible()


@pytest.mark.parametrize("width", [390, 820, 1180])
def test_it_fits_any_glass(foretold: Foretold, tablet: Page, width: int) -> None:
    tablet.set_viewport_size({"width": width, "height": 844})
    wait_until(lambda: to_come(tablet), "what is to come is drawn")
    fits = "document.documentElement.scrollWidth <= window.innerWidth"
    wait_until(lambda: tablet.evaluate(fits), "nothing sticks out")
    box = tablet.locator("#labels .come").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= width
