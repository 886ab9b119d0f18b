"""What a tablet shows between asking for the page and the live page's being there."""

from __future__ import annotations

import re

import pytest
from evening import COLLAPSE, Evening
from playwright.sync_api import Page, Route
from tablets import Fire, PageServer

from tests.processes import until

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]


def test_the_fire_is_seen_before_any_script_and_gives_way_to_the_live_page(
    fire: Fire, page_server: PageServer, tablet: Page
) -> None:
    page_server.start()
    evening = Evening(fire, 420.0)
    evening.call(COLLAPSE)

    def without(route: Route) -> None:
        route.abort()

    tablet.goto(page_server.url)
    live = "() => document.body.dataset.state === 'fresh' && document.querySelector('#zones .level')"
    until(lambda: (evening.tell(), tablet.evaluate(live))[1], "the live page", 60, 0.4)
    assert tablet.locator("#first-look").is_hidden()
    assert tablet.locator("#first-look .level").count() == tablet.locator("#zones > li").count()

    tablet.locator("#theme-choice").click()
    tablet.locator("#unit-choice label", has_text="°F").click()
    until(lambda: "Fnight" in str(tablet.context.cookies()), "the tablet keeps its look", 20)
    evening.tell()
    tablet.route(re.compile(r"\.js"), without)
    tablet.reload(wait_until="load")
    seen = tablet.locator("#first-look")
    assert seen.is_visible()
    assert tablet.evaluate("document.documentElement.dataset.theme") == "night"
    assert "Coals have fallen away: windward" in seen.inner_text()
    levels = tablet.locator("#first-look .level").all_inner_texts()
    assert levels, "no zone"
    numbers = [int(text.removesuffix("°F")) for text in levels if text != "–"]
    assert numbers == sorted(numbers), "the coldest first"
    assert re.search(r"As it was at \d\d:\d\d:\d\d", seen.inner_text())
