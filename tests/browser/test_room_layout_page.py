"""Where what stands beside the fire: nothing over anything else, and what matters on the glass without scrolling."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

import pytest
from evening import COLLAPSE, SIZES, Evening, answer_acts, busiest
from playwright.sync_api import Browser, Page
from tablets import Fire, PageServer, wait_until

pytestmark = [pytest.mark.real, pytest.mark.timeout(240)]

PARTS = "header, #banners, #load, #zones > li, #values > li, #chart, #foot, #acts button, footer > *"

# Boxes of what is shown, cut by what scrolls within itself; one that holds another isn't over it.
BOXES = """(selector) => [...document.querySelectorAll(selector)].filter((e) => e.getClientRects().length)
    .map((e) => {
        let { left, top, right, bottom } = e.getBoundingClientRect();
        for (let p = e.parentElement; p; p = p.parentElement) {
            if (!/auto|scroll|hidden/.test(getComputedStyle(p).overflowY) || p === document.body) continue;
            const r = p.getBoundingClientRect();
            [top, bottom] = [Math.max(top, r.top), Math.min(bottom, r.bottom)];
        }
        const name = `${e.tagName.toLowerCase()}#${e.id}.${e.className} ${e.textContent.slice(0, 20)}`;
        const inside = [...document.querySelectorAll(selector)].filter((o) => o !== e && o.contains(e)).length > 0;
        return { name, left, top, right, bottom, inside };
    }).filter((b) => b.bottom - b.top > 1)"""

# Whether each is on the glass with nothing over its corners. A letter's own box is a little higher than its line.
IN_SIGHT = """(selector) => [...document.querySelectorAll(selector)].filter((e) => e.getClientRects().length).map((e) => {
    const r = e.getBoundingClientRect();
    return [[r.left + 2, r.top + 5], [r.right - 2, r.bottom - 5]].every(([x, y]) => {
        const there = document.elementFromPoint(x, y);
        return there !== null && (e.contains(there) || there.contains(e));
    });
})"""


def overlaps(page: Page) -> list[str]:
    boxes = page.evaluate(BOXES, PARTS)
    assert len(boxes) > 20, "hardly anything is shown"
    return [
        f"{a['name']} / {b['name']}"
        for a, b in combinations(boxes, 2)
        if not (a["inside"] or b["inside"]) or (a["inside"] and b["inside"])
        if min(a["right"], b["right"]) - max(a["left"], b["left"]) > 1
        and min(a["bottom"], b["bottom"]) - max(a["top"], b["top"]) > 1
    ]


def in_sight(page: Page, selector: str) -> list[bool]:
    return list(page.evaluate(IN_SIGHT, selector))


@pytest.fixture
def fire(home: Path) -> Iterator[Fire]:
    made = Fire(home, probes=8)
    yield made
    made.writer.close()


@pytest.fixture
def evening(fire: Fire, page_server: PageServer) -> Evening:
    """Seven minutes after the wood was lit: four zones and coals, eight probes, all with something to say."""
    made = Evening(fire, 420.0)
    page_server.start()
    return made


def opened(evening: Evening, browser: Browser, server: PageServer, size: str, theme: str) -> Page:
    width, height = SIZES[size]
    scheme = "dark" if theme == "night" else "light"
    page = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme).new_page()
    page.goto(server.url)
    page.wait_for_selector("#values li")
    page.wait_for_selector("#labels .end", state="attached")
    wait_until(lambda: (evening.tell(), page.is_visible("#zones li"))[1], "the zones", every_s=0.4)
    return page


@pytest.mark.parametrize("theme", ["day", "night"])
@pytest.mark.parametrize("size", ["flat", "upright"])
def test_on_a_tablet_all_that_matters_fits(
    evening: Evening, page_server: PageServer, browser: Browser, size: str, theme: str
) -> None:
    page = opened(evening, browser, page_server, size, theme)
    for alarm in (False, True):
        busiest(evening, page, alarm=alarm)
        wait_until(lambda: not overlaps(page), f"nothing over anything: {overlaps(page)}")
        assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")
        assert page.locator("#zones li").count() == 4
        assert page.locator("#values li").count() == 8
        for part in (
            "#zones li",
            "#values li",
            "#chart",
            "#acts button",
            "#done button",
            "#caution",
            "#verdict",
            "#come",
        ):
            assert all(in_sight(page, part)), part
        chart = page.locator("#chart").bounding_box()
        assert chart is not None
        assert chart["height"] >= 170
    assert all(in_sight(page, "#banners .alarm button"))
    # In a network there is one button more.
    page.evaluate(
        "() => { const o = document.getElementById('operator'); o.hidden = false; o.textContent = 'Watching: act …'; }"
    )
    wait_until(lambda: not overlaps(page), f"nothing over anything: {overlaps(page)}")
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")
    assert all(in_sight(page, "#foot button"))
    # What is further down is reached by scrolling, by keyboard too, and goes under nothing.
    page.locator("#watch").focus()
    page.keyboard.press("End")
    wait_until(lambda: page.evaluate("document.getElementById('watch').scrollTop > 50"), "it scrolls")
    wait_until(lambda: all(in_sight(page, "#awake")), "the last line comes into sight")
    assert overlaps(page) == []
    page.context.close()


@pytest.mark.parametrize("alarm", [False, True])
def test_on_a_phone_temperatures_come_first(
    evening: Evening, page_server: PageServer, browser: Browser, alarm: bool
) -> None:
    page = opened(evening, browser, page_server, "phone", "day")
    if alarm:
        evening.call(COLLAPSE)
        page.wait_for_selector("#alarms .alarm")
    wait_until(lambda: (evening.tell(), page.is_visible("#come"))[1], "a forecast", every_s=0.4)
    assert page.evaluate("scrollY") == 0
    for part in ("#verdict", "#come", "#acts button", "#caution"):
        assert all(in_sight(page, part)), part
    levels = in_sight(page, "#zones .level")
    assert len(levels) == 4
    assert all(levels[: 2 if alarm else 4])
    tops = [
        page.locator(part).bounding_box()["y"]
        for part in ("#banners", "#load", "#zones", "#stack", "#chart")
        if page.locator(part).is_visible()
    ]  # type: ignore[index]
    assert tops == sorted(tops)
    # Within the thumb's reach: the lower half of the glass.
    assert page.locator("#acts button", has_text="Armful").bounding_box()["y"] > 422  # type: ignore[index]
    # The rarer notes are a tap away, and so is how the page looks.
    assert not page.is_visible("text=Smothered")
    page.click("#more")
    assert all(in_sight(page, "#more-notes button"))
    page.click("#view")
    assert page.is_visible("[data-choice=theme][data-value=night]")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.context.close()


def test_alarms_that_are_over_are_folded_and_acknowledged_at_once(
    evening: Evening, page_server: PageServer, browser: Browser
) -> None:
    page = opened(evening, browser, page_server, "phone", "day")
    asked = answer_acts(page)
    over = [
        COLLAPSE | {"key": f"coal_collapse:{zone}", "zone": zone, "state": "returned-unacknowledged"}
        for zone in ("upper", "lower", "leeward")
    ]
    evening.call(*over)
    page.wait_for_selector("#alarms .over")
    assert page.locator("#alarms .alarm").count() == 1
    box = page.locator("#alarms").bounding_box()
    assert box is not None
    assert box["height"] < 200
    assert not page.is_visible("#alarms .over li >> nth=0")
    page.click("#alarms summary")
    assert page.locator("#alarms .over li").count() == 3
    page.click("#alarms >> text=Acknowledge all")
    wait_until(lambda: (page.wait_for_timeout(50), len(asked) == 3)[1], "each is acknowledged")
    assert [(a["kind"], a["data"]["key"]) for a in asked] == [("ack", o["key"]) for o in over]
    page.context.close()


@pytest.mark.parametrize("size", ["flat", "upright"])
def test_many_zones_scroll_within_themselves(
    evening: Evening, page_server: PageServer, browser: Browser, size: str
) -> None:
    page = opened(evening, browser, page_server, size, "day")
    told = evening.tell()
    pots = [z for z in told["zones"] if not z["coals"]]
    more = [z | {"zone": f"{z['zone']} {n}"} for n in range(4) for z in pots]
    evening.call(COLLAPSE)

    def shown() -> bool:
        evening.tell(zones=told["zones"] + more)
        return page.locator("#zones li").count() == 20

    wait_until(shown, "twenty zones", every_s=0.4)
    wait_until(lambda: not overlaps(page), f"nothing over anything: {overlaps(page)}")
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")
    assert page.evaluate(
        "(() => { const z = document.getElementById('zones'); return z.scrollHeight > z.clientHeight })()"
    )
    assert page.get_attribute("#zones", "tabindex") == "0"  # so that the keyboard can scroll it
    assert all(in_sight(page, "#chart")) or size == "upright"
    page.context.close()
