"""What a tablet shows between asking for the page and getting the live page."""

from __future__ import annotations

import re

import pytest
from evening import COLLAPSE, Evening
from playwright.sync_api import Page, Route
from tablets import Fire, PageServer, until

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

# Where the traces are once all is laid out, at a moment when no silent rig pushes them down.
PLACE = """() => { const still = document.querySelector('#first-look') || !document.querySelector('#stale').hidden;
    return !still && document.querySelector('#traces .js-line') && (window.place = document.querySelector('#chart').getBoundingClientRect().toJSON()); }"""
GONE = """new MutationObserver((_, seen) => document.querySelector('#traces .js-line') && (seen.disconnect(),
    requestAnimationFrame(() => { window.stillStands = Boolean(document.querySelector('#first-look, .at-traces')); })))
    .observe(document, {childList: true, subtree: true});"""
COVERED = """() => document.querySelector('#values [id^="value-"]') && document.querySelector('#chart > .at-traces .line')
    && !document.querySelector('#first-look')"""
FIRST = """() => { window.atFirst = "";
    const seen = new MutationObserver(() => document.querySelector('#traces .js-line') && (seen.disconnect(),
        window.atFirst = document.querySelector('#zones')?.textContent || "no zones"));
    seen.observe(document.body, {childList: true, subtree: true}); }"""


def test_the_fire_is_seen_before_any_script_and_gives_way_to_the_live_page(
    fire: Fire, page_server: PageServer, tablet: Page
) -> None:
    page_server.start()
    evening = Evening(fire, 420.0)
    evening.call(COLLAPSE)

    def without(route: Route) -> None:
        route.abort()

    asked: list[Route] = []
    tablet.add_init_script(GONE)
    tablet.route(re.compile("plotly"), lambda route: asked.append(route))
    tablet.goto(page_server.url)
    numbers = lambda: (evening.tell(), tablet.evaluate(COVERED) and asked)[1]  # noqa: E731
    until(numbers, "numbers while plotly is on its way", 60, 0.2)
    asked.pop().abort()  # a network that drops: it is asked for again
    tablet.unroute(re.compile("plotly"))
    live = "() => document.body.dataset.state === 'fresh' && document.querySelector('#zones .level')"
    until(lambda: (evening.tell(), tablet.evaluate(live))[1], "the live page", 60, 0.4)
    until(
        lambda: (evening.tell(), tablet.evaluate(PLACE))[1], "the first look has given way to traces", 60, 0.4
    )
    place, zones = tablet.evaluate("window.place"), tablet.locator("#zones > li").count()
    assert tablet.evaluate("window.stillStands") is False, "in the very frame that draws them"
    # Coming from another page there is no standing document: numbers must not wait for the traces to be drawn.
    tablet.locator("#door-firings").click()
    tablet.wait_for_selector("#traces", state="detached")
    tablet.evaluate(FIRST)
    tablet.locator("#door-fire").click()
    until(lambda: (evening.tell(), tablet.evaluate("window.atFirst"))[1], "the traces again", 60, 0.4)
    assert re.search(r"\d+°", tablet.evaluate("window.atFirst"))

    tablet.locator("#theme-choice").click()
    tablet.locator("#unit-choice label", has_text="°F").click()
    until(lambda: "Fnight" in str(tablet.context.cookies()), "the tablet keeps its look", 20)
    tablet.route(re.compile(r"\.js"), without)
    zone = "#first-look .zone"
    again = lambda: (evening.tell(), tablet.reload(wait_until="load"), tablet.locator(zone).count())[2]  # noqa: E731
    until(again, "a first look at fresh readings", 60, 0.1)
    seen = tablet.locator("#first-look")
    assert seen.is_visible()
    assert tablet.evaluate("document.documentElement.dataset.theme") == "night"
    assert "Coals have fallen away: windward" in seen.inner_text()
    assert tablet.locator("#first-look .line").count() == len(fire.made.plan.probes)
    stands = tablet.locator("#first-look .at-chart").bounding_box()
    assert stands is not None
    for side in ("x", "y", "width", "height"):  # a sentence of the verdict may have come or gone meanwhile
        assert abs(stands[side] - place[side]) <= 24, (side, stands, place)
    levels = tablet.locator("#first-look .zone .level").all_inner_texts()
    assert len(levels) == zones
    numbers = [int(text.split("°")[0]) for text in levels if text[0].isdigit()]
    assert numbers == sorted(numbers), "the coldest first"
    assert re.search(r"As it was at \d\d:\d\d:\d\d", seen.inner_text())
