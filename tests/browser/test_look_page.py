"""What is where on the Fire page: nothing over anything else, what matters in sight, and numbers that don't mix."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from evening import COLLAPSE, Evening, asked, busiest
from playwright.sync_api import Page
from tablets import SIZES, Fire, PageServer, drawn, ranges, shown, until

from tests.processes import stays

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

Take = Callable[[str], Page]

PARTS = "#top, #banners, #verdict-row, #zones > li, #values > li, #chart, #foot > p"

# Boxes of what is shown, cut by whatever scrolls within itself, and by the opaque bar that the page scrolls beneath.
BOXES = """(selector) => [...document.querySelectorAll(selector)].filter((e) => e.getClientRects().length && e.textContent)
    .map((e) => {
        let { left, top, right, bottom } = e.getBoundingClientRect();
        for (let p = e.parentElement; p; p = p.parentElement) {
            if (!/auto|scroll|hidden/.test(getComputedStyle(p).overflowY) || p === document.body) continue;
            const r = p.getBoundingClientRect();
            [top, bottom] = [Math.max(top, r.top), Math.min(bottom, r.bottom)];
        }
        const foot = document.querySelector("#foot");
        const scrolls = document.documentElement.scrollHeight > innerHeight;
        if (scrolls && !foot.contains(e) && foot.getClientRects().length) bottom = Math.min(bottom, foot.getBoundingClientRect().top);
        const name = `${e.tagName.toLowerCase()}#${e.id}.${e.className} ${e.textContent.slice(0, 20)}`;
        return { name, left, top, right, bottom };
    }).filter((b) => b.bottom - b.top > 1)"""

# Whether each is on screen with nothing over its corners. A letter's own box is a little higher than its line.
IN_SIGHT = """(selector) => [...document.querySelectorAll(selector)].filter((e) => e.getClientRects().length).map((e) => {
    const r = e.getBoundingClientRect();
    return [[r.left + 2, r.top + 5], [r.right - 2, r.bottom - 5]].every(([x, y]) => {
        const there = document.elementFromPoint(x, y);
        return there !== null && (e.contains(there) || there.contains(e));
    });
})"""


def overlaps(page: Page) -> list[str]:
    boxes = page.evaluate(BOXES, PARTS)
    assert len(boxes) > 10, "hardly anything is shown"
    return [
        f"{a['name']} / {b['name']}"
        for a, b in combinations(boxes, 2)
        if min(a["right"], b["right"]) - max(a["left"], b["left"]) > 1
        and min(a["bottom"], b["bottom"]) - max(a["top"], b["top"]) > 1
    ]


def in_sight(page: Page, selector: str) -> list[bool]:
    found = list(page.evaluate(IN_SIGHT, selector))
    assert found, f"{selector}: nothing of it"
    return found


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


def opened(evening: Evening, take: Take, server: PageServer, size: str, theme: str = "day") -> Page:
    page = take(size)
    page.add_init_script(f"localStorage.setItem('theme', '\"{theme}\"')")
    shown(page, server.url)
    until(lambda: (evening.tell(), page.locator("#zones li").count() == 4)[1], "the zones", 30, 0.4)
    return page


def told(evening: Evening, true: Any, what: str) -> Any:
    """Keep writing the fire until a condition holds."""
    return until(lambda: (evening.tell(), true())[1], what, 40, 0.4)


SEVERAL = [
    COLLAPSE,
    COLLAPSE
    | {"key": "stalled_zone:lower", "rule": "stalled_zone", "zone": "lower", "title": "A zone has stalled"},
    COLLAPSE | {"key": "over_temperature:upper", "zone": "upper", "state": "returned-unacknowledged"},
]


@pytest.mark.parametrize(("size", "theme"), [("flat", "day"), ("upright", "night"), ("low", "day")])
def test_on_a_tablet_the_traces_hold_the_glass_whatever_stands(
    evening: Evening, page_server: PageServer, take: Take, size: str, theme: str
) -> None:
    page = opened(evening, take, page_server, size, theme)
    width, height = SIZES[size]
    for alarms in ([], [COLLAPSE], SEVERAL):
        evening.call(*alarms)
        shown_now = min(len(alarms), 3)
        told(evening, lambda n=shown_now: page.locator("#alarms > .alarm").count() == n, "the alarms")
        told(evening, lambda: not overlaps(page), f"nothing over anything: {overlaps(page)}")
        told(evening, lambda: page.inner_text("#verdict"), "the verdict")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for part in ("#verdict", "#zones li", "#caution", "#sound", "#glance-open"):
            told(evening, lambda part=part: all(in_sight(page, part)), f"{part} in sight")
        if alarms:
            assert all(in_sight(page, "#alarms > .alarm"))
        chart = page.locator("#chart").bounding_box()
        assert chart is not None
        share = chart["width"] * chart["height"] / (width * height)
        assert share >= (0.5 if size != "low" else 0.34), (
            f"{share:.2f} of the glass with {len(alarms)} alarms"
        )
        if size != "upright" or not alarms:
            assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")


def test_a_tablet_that_is_turned_has_numbers_as_near_as_its_glass_allows(
    evening: Evening, page_server: PageServer, take: Take
) -> None:
    page = opened(evening, take, page_server, "low")

    def nearest() -> float:
        [y] = [trace["y"][1::3] for trace in drawn(page) if trace["name"] == "numbers"]
        return float(np.diff(sorted(c for c in y if c is not None)).min())

    told(evening, lambda: drawn(page) and nearest() > 45, "on a low glass a number needs a fifteenth of it")
    width, height = SIZES["upright"]
    page.set_viewport_size({"width": width, "height": height})
    told(evening, lambda: nearest() < 40, "upright it needs less")


@pytest.mark.parametrize("alarm", [False, True])
def test_on_a_phone_what_is_wrong_and_the_coldest_come_first(
    evening: Evening, page_server: PageServer, take: Take, alarm: bool
) -> None:
    page = opened(evening, take, page_server, "phone")
    busiest(evening, page, alarm=False)
    if alarm:
        evening.call(COLLAPSE)
        page.wait_for_selector("#alarms .alarm")
    head = page.locator("#head").bounding_box()
    assert head is not None
    assert head["height"] <= 120
    assert page.evaluate("scrollY") == 0
    for part in ("#verdict", "#caution", "#note-open", "#zones li:first-child .level"):
        told(evening, lambda part=part: all(in_sight(page, part)), f"{part} in sight")
    tops = [
        box["y"]
        for part in ("#banners", "#verdict-row", "#zones", "#chart", "#side")
        if (box := page.locator(part).bounding_box()) is not None and box["height"] > 1
    ]
    assert tops == sorted(tops)
    chart = page.locator("#chart").bounding_box()
    assert chart is not None
    assert 844 - 52 - chart["y"] >= (240 if not alarm else 120), "of the traces, above the caution"
    assert chart["height"] >= 240
    note = page.locator("#note-open").bounding_box()
    assert note is not None
    assert note["y"] > 422, "within the thumb's reach: the lower half of the glass"
    page.evaluate("scrollTo(0, 100000)")
    assert all(in_sight(page, "#theme-choice")), "how the page looks is further down"
    page.locator("#fire-side label", has_text="Log").click()
    page.wait_for_selector("#side-log:not([hidden])")
    assert all(in_sight(page, "#note-open")), "a note can be made beside the log, too"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_alarms_that_are_over_are_folded_and_acknowledged_at_once(
    evening: Evening, page_server: PageServer, take: Take
) -> None:
    page = opened(evening, take, page_server, "phone")
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
    assert not page.is_visible("#alarms .over p >> nth=0")
    page.click("#alarms summary")
    assert page.locator("#alarms .over p").count() == 3
    page.locator("#alarms").get_by_role("button", name="Acknowledge all").click()

    # Nobody answers here, so the page waits for the logger each time.
    until(lambda: len(asked(evening.fire)) == 3, "each is acknowledged", 30)
    assert asked(evening.fire) == [("ack", {"key": each["key"]}) for each in over]


def test_many_zones_scroll_within_themselves(evening: Evening, page_server: PageServer, take: Take) -> None:
    page = opened(evening, take, page_server, "flat")
    zones = evening.tell()["zones"]
    pots = [z for z in zones if not z["coals"]]
    more = [z | {"zone": f"{z['zone']} {n}"} for n in range(4) for z in pots]

    def there() -> bool:
        evening.tell(zones=zones + more)
        return page.locator("#zones li").count() == 20

    until(there, "twenty zones", 30, 0.4)
    fits = "document.documentElement.scrollHeight <= innerHeight"
    until(lambda: there() and page.evaluate(fits), "the traces make room", 30, 0.4)
    assert not overlaps(page)
    assert page.evaluate(
        "(() => { const z = document.getElementById('zones'); return z.scrollWidth > z.clientWidth })()"
    )


# --- forecast and estimate ---------------------------------------------------------------------------------------------


def test_what_is_to_come_is_the_verdicts_band_and_sentence(
    evening: Evening, page_server: PageServer, take: Take
) -> None:
    page = opened(evening, take, page_server, "flat")

    def lines() -> dict[str, Any]:
        return {t["name"]: t for t in drawn(page) if t["name"].startswith("to come")}

    told(evening, lambda: set(lines()) == {"to come", "to come, least", "to come, most"}, "what is to come")
    x, low, middle, high = (
        np.array(lines()[name][axis], float)
        for name, axis in (
            ("to come", "x"),
            ("to come, least", "y"),
            ("to come", "y"),
            ("to come, most", "y"),
        )
    )
    assert (low <= middle).all()
    assert (middle <= high).all()
    # The newest forecast is what the judgement said within the last half minute.
    said = evening.tell()
    come = next(z for z in said["zones"] if z["zone"] == said["coldest"])["forecast"]
    assert x[0] == pytest.approx(come["at_s"] / 60, abs=1.0)
    assert middle[0] == pytest.approx(come["middle_c"][0], abs=60)
    assert ranges(page)["x"][1] >= x[-1] - 1e-6, "it has room"

    def agrees() -> bool:  # the last message may be another minute's
        return "" != page.inner_text("#come").rstrip(".").casefold() == evening.tell()["coming"].casefold()

    until(agrees, "the judgement's sentence", 40, 0.4)
    [whose] = [t for t in drawn(page) if t["name"] == "whose forecast"]
    assert whose["text"] == [said["coldest"]]
    # Without one nothing is drawn or said.
    nothing = {"zones": [z | {"forecast": None} for z in said["zones"]], "coming": "", "coming_parts": []}
    until(lambda: (evening.tell(**nothing), not page.inner_text("#come"))[1], "no sentence", 20, 0.4)
    page.reload()
    until(lambda: (evening.tell(**nothing), bool(drawn(page)))[1], "the traces", 30, 0.4)
    assert not lines()


def bands(page: Page) -> dict[str, Any]:
    return {t["meta"]["estimate"]: t for t in drawn(page) if t["meta"].get("estimate")}


def test_the_pots_are_told_as_an_estimate_and_can_be_taken_away(
    evening: Evening, page_server: PageServer, take: Take
) -> None:
    page = opened(evening, take, page_server, "flat")
    until(lambda: bands(page), "bands are drawn")
    zones = evening.judging.judge.verdict().estimates
    assert set(bands(page)) == set(zones)
    for zone, last in zones.items():
        band = bands(page)[zone]
        half = len(band["x"]) // 2
        high, low = np.array(band["y"][:half]), np.array(band["y"][half:])[::-1]
        assert (high >= low).all()
        assert high[-1] == pytest.approx(last.hi_c, abs=30)
        assert low[-1] == pytest.approx(last.lo_c, abs=30)
        assert "estimate" in band["name"]
    page.locator("#fire-side label", has_text="Zones").click()

    def words() -> dict[str, str]:
        rows = page.locator("#zone-details li").all()
        return {
            row.locator("b").first.inner_text(): row.inner_text() for row in rows if row.locator("b").count()
        }

    def right(unit: str) -> bool:
        estimates = evening.tell()["estimates"]
        now = words()
        turned = {
            z: e["estimate_c"] * 1.8 + 32 if unit == "F" else e["estimate_c"] for z, e in estimates.items()
        }
        numbers = {z: re.search(r"pots (−?\d+)° ± \d+° \(estimated", text) for z, text in now.items()}
        return bool(now) and all(
            found is not None and abs(int(found[1]) - turned[zone]) < 8
            for zone, found in numbers.items()
            if zone in turned
        )

    until(lambda: right("C"), "the estimates in words", 30, 0.4)
    page.click("#unit-choice label >> text=°F")
    until(lambda: right("F"), "and in °F", 40, 0.4)
    page.locator("#fire-side label", has_text="Zones").click()
    page.locator("label", has_text="Show estimates of the pots").click()
    told(evening, lambda: drawn(page) and not bands(page), "bands are gone")
    page.reload()
    told(evening, lambda: drawn(page), "the traces")
    stays(lambda: not bands(page), "the choice is kept", 1.5)


def test_each_reading_has_its_own_uncertainty(evening: Evening, page_server: PageServer, take: Take) -> None:
    page = opened(evening, take, page_server, "flat")
    told(evening, lambda: "±" in page.inner_text("#values"), "how sure readings are")
    said = re.findall(r"± (\d+)°", page.inner_text("#values"))
    assert len(said) >= 6
    assert all(2 <= int(number) <= 60 for number in said)
    # A silent probe's isn't shown: nothing is known about now.
    until(lambda: page.evaluate("document.body.dataset.state") != "fresh", "silence is said", 20)
    until(lambda: "±" not in page.inner_text("#values"), "nothing is as sure as that any more")


# --- details that made people hesitate -------------------------------------------------------------------------------


def test_silenced_says_until_when(evening: Evening, page_server: PageServer, take: Take) -> None:
    page = opened(evening, take, page_server, "flat")
    until_s = (time.time() * 1e6 - evening.fire.start_us) / 1e6 + 600
    shelved = {**COLLAPSE, "state": "shelved", "transition": "shelved", "shelved_until_s": until_s}
    evening.fire.writer.add_event(evening.fire.id, round(time.time() * 1e6), "alarm", shelved)
    when = lambda: re.search(r"until (\d\d:\d\d): ", page.inner_text("#silenced"))  # noqa: E731
    said = told(evening, when, "until when")
    clock = "(s) => new Date(s * 1000).toLocaleTimeString('en-GB', { hour: '2-digit', minute: '2-digit' })"
    clocks = [page.evaluate(clock, time.time() + s) for s in (540, 570, 600, 630)]
    assert said[1] in clocks


def test_a_gun_reading_far_from_its_zone_is_asked_about_once(
    evening: Evening, page_server: PageServer, take: Take
) -> None:
    page = opened(evening, take, page_server, "flat")
    page.get_by_role("button", name="Note …").click()
    said = page.get_by_role("dialog")
    assert "0.90–0.95" in said.inner_text()
    said.get_by_role("textbox", name="Where").click()
    page.get_by_role("option", name="upper", exact=True).click()
    said.get_by_label("Gun reading").fill("900")
    keep = said.locator("#spot-keep")
    keep.click()
    question = until(lambda: page.inner_text("#spot-wrong"), "it asks")
    assert re.match(r"900 °C, but the probes here read \d+( to \d+)? °C\. ", question)
    # Another number is another question.
    said.get_by_label("Gun reading").fill("909")
    keep.click()
    until(lambda: "909 °C" in page.inner_text("#spot-wrong"), "it asks again")
    assert asked(evening.fire) == []
    until(lambda: keep.inner_text() == "Save it anyway", "it can be kept")
    keep.click()
    [(kind, data)] = until(lambda: asked(evening.fire), "it is kept")
    assert (kind, data["zone"], data["temperature_c"]) == ("spot", "upper", 909)


def test_a_touch_on_the_stack_opens_a_note_at_that_place(
    evening: Evening, page_server: PageServer, take: Take
) -> None:
    page = opened(evening, take, page_server, "flat")
    ring = """() => { const gd = document.querySelector('#stack .js-plotly-plot');
        const n = gd.data.findIndex((t) => t.name === 'places'), t = gd.data[n], box = gd.getBoundingClientRect();
        const { xaxis, yaxis } = gd._fullLayout;
        return [t.customdata[0], box.x + xaxis._offset + xaxis.d2p(t.x[0]), box.y + yaxis._offset + yaxis.d2p(t.y[0])]; }"""
    zone, x, y = page.evaluate(ring)
    page.mouse.click(x, y)
    page.get_by_role("dialog").wait_for()
    zone = zone[0] if isinstance(zone, list) else zone
    assert page.get_by_role("textbox", name="Where").input_value() == zone
    assert re.search(rf"Note: {zone}, \d+ cm", page.get_by_role("dialog").inner_text())


def test_without_a_plan_it_says_that_none_is_armed(fire: Fire, page_server: PageServer, tablet: Page) -> None:
    fire.light(60, planned=False)
    page_server.start()
    shown(tablet, page_server.url)
    until(
        lambda: tablet.inner_text("#stage-line").startswith("No plan is armed; recorded for 1 min"),
        "no plan",
    )
