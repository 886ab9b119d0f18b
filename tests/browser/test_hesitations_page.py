"""Places where a newcomer hesitated: each is answered by the page, and stays answered."""

from __future__ import annotations

import re
import time
from typing import Any

import pytest
from evening import COLLAPSE, SIZES, Evening, answer_acts
from playwright.sync_api import Browser, Page
from tablets import Fire, PageServer, wait_until

pytestmark = [pytest.mark.real, pytest.mark.timeout(240)]


@pytest.fixture
def evening(fire: Fire, page_server: PageServer, tablet: Page) -> Evening:
    made = Evening(fire, 420.0, estimating=False)
    page_server.start()
    tablet.goto(page_server.url)
    tablet.wait_for_selector("#values li")
    wait_until(lambda: (made.tell(), tablet.is_visible("#zones li"))[1], "the zones", every_s=0.4)
    return made


def tap_in(page: Page, zone: str, digits: str) -> None:
    page.click("#spot")
    page.locator("dialog .places button", has_text=re.compile(f"^{zone}$")).click()
    for digit in digits:
        page.locator("dialog .pad button", has_text=digit).click()


def test_a_spot_far_from_its_zone_is_asked_about_once(evening: Evening, tablet: Page) -> None:
    asked = answer_acts(tablet)
    evening.tell()
    upper = [p for p in evening.fire.made.plan.probes if p.zone == "upper"]
    assert upper
    tap_in(tablet, "upper", "900")
    assert "0.90–0.95" in tablet.inner_text("dialog")
    tablet.click("dialog .last button.main")
    said = wait_until(lambda: tablet.inner_text("dialog .wrong"), "it asks")
    assert re.match(r"900 °C, but the probes here read \d+( to \d+)? °C\. ", said)
    assert asked == []
    # Another number is another question.
    tablet.keyboard.press("Backspace")
    assert tablet.inner_text("dialog .last button.main") == "Done"
    tablet.keyboard.press("9")
    tablet.click("dialog .last button.main")
    wait_until(lambda: "909 °C" in tablet.inner_text("dialog .wrong"), "it asks again")
    assert tablet.inner_text("dialog .last button.main") == "Keep it"
    tablet.click("dialog .last button.main")
    tablet.wait_for_selector("dialog", state="detached")
    assert [(a["kind"], a["data"]["zone"], a["data"]["temperature_c"]) for a in asked] == [
        ("spot", "upper", 909)
    ]


def test_a_spot_near_its_zone_is_kept_at_once(evening: Evening, tablet: Page) -> None:
    asked = answer_acts(tablet)
    evening.tell()
    level = next(z["level_c"] for z in evening.tell()["zones"] if z["zone"] == "upper")
    tap_in(tablet, "upper", str(round(level + 60)))
    tablet.click("dialog .last button.main")
    tablet.wait_for_selector("dialog", state="detached")
    assert len(asked) == 1


def test_the_shelf_says_until_when(evening: Evening, tablet: Page) -> None:
    fire = evening.fire
    until_s = (time.time() * 1e6 - fire.start_us) / 1e6 + 600
    shelved = {**COLLAPSE, "state": "shelved", "transition": "shelved", "shelved_until_s": until_s}
    fire.writer.add_event(fire.id, round(time.time() * 1e6), "alarm", shelved)
    evening.tell()
    tablet.wait_for_selector("#shelf >> text=until")
    clocks = [
        tablet.evaluate(
            "(s) => new Date(s * 1000).toLocaleTimeString('en-GB', { hour: '2-digit', minute: '2-digit' })", s
        )
        for s in (time.time() + 590, time.time() + 605)
    ]
    said = re.search(r"until (\d\d:\d\d):", tablet.inner_text("#shelf"))
    assert said is not None
    assert said[1] in clocks


@pytest.mark.parametrize("size", list(SIZES))
def test_what_one_does_at_the_fire_is_there_only(
    fire: Fire, page_server: PageServer, browser: Browser, size: str
) -> None:
    fire.light(60)
    page_server.start()
    width, height = SIZES[size]
    page = browser.new_context(viewport={"width": width, "height": height}).new_page()
    page.goto(page_server.url)
    page.wait_for_selector("#acts button:visible")
    for room in ("archive", "prepare"):
        page.evaluate("(room) => { location.hash = room; }", room)
        page.wait_for_selector(f"#room-{room}:visible")
        assert page.locator("#acts button:visible").count() == 0
        assert page.is_visible("#caution")
    page.context.close()


@pytest.mark.parametrize("target", [780, 660, 655, 590])
def test_names_of_rulers_cover_one_another_nowhere(evening: Evening, tablet: Page, target: int) -> None:
    tablet.wait_for_selector("#labels .ruler")
    tablet.evaluate("(c) => { Stokewatch.firing.target_c = c; Stokewatch.redrawTraces(); }", target)
    boxes: list[Any] = tablet.evaluate(
        """() => [...document.querySelectorAll('#labels .ruler')].map((e) => {
            const range = document.createRange(); range.selectNodeContents(e);
            const r = range.getBoundingClientRect(); return [e.textContent, r.left, r.right, r.top, r.bottom]; })"""
    )
    assert {b[0].split(" ")[0] for b in boxes} == {"target", "burn-out", "quartz"}
    for n, a in enumerate(boxes):
        for b in boxes[n + 1 :]:
            wide, high = min(a[2], b[2]) - max(a[1], b[1]), min(a[4], b[4]) - max(a[3], b[3])
            assert wide <= 0 or high <= 3, (a, b)  # a line's box is a little higher than its letters


def test_the_cold_check_says_once_that_a_fire_is_on(evening: Evening, tablet: Page) -> None:
    tablet.goto(f"{tablet.url.split('#')[0]}#prepare/check")
    wait_until(
        lambda: (evening.tell(), tablet.inner_text("#check-verdict") == "A fire is on.")[1],
        "it says that a fire is on",
        every_s=0.4,
    )
    rows = tablet.locator("#check-found li").all_inner_texts()
    assert "judges nothing that is hot" in rows[0]
    assert sum("°C" in row for row in rows) == 1
    assert "keep your hands off" in tablet.inner_text(
        "#check-hands"
    ) or "No thermocouple" in tablet.inner_text("#check-hands")
    assert "a fire is on" in tablet.inner_text("#prepare-steps a[data-step=check]")


@pytest.mark.parametrize("size", list(SIZES))
def test_the_button_that_arms_is_whole(
    fire: Fire, page_server: PageServer, browser: Browser, size: str
) -> None:
    fire.light(60)
    page_server.start()
    width, height = SIZES[size]
    page = browser.new_context(viewport={"width": width, "height": height}).new_page()
    page.goto(f"{page_server.url}/#prepare/light")
    page.wait_for_selector("#arm")
    wait_until(lambda: page.locator("#arm-facts dd").count() > 5, "what is armed")
    box, foot = page.locator("#arm").bounding_box(), page.locator("#foot").bounding_box()
    assert box is not None
    assert foot is not None
    assert box["y"] > 0
    assert box["y"] + box["height"] <= foot["y"]
    page.context.close()


def test_without_a_plan_it_says_that_none_is_armed(fire: Fire, page_server: PageServer, tablet: Page) -> None:
    fire.light(60, planned=False)
    page_server.start()
    tablet.goto(page_server.url)
    tablet.wait_for_selector("#values li")
    assert tablet.inner_text("#stage").startswith("No plan is armed; the rig has been recorded for 1 min")
    tablet.goto(f"{page_server.url}/#archive")
    wait_until(lambda: tablet.inner_text("#elsewhere").startswith("No plan is armed"), "elsewhere, too")


def test_files_to_save_are_named_together_and_marks_in_words(
    fire: Fire, page_server: PageServer, tablet: Page
) -> None:
    fire.light(300)
    page_server.start()
    tablet.goto(f"{page_server.url}/#report/{fire.id}")
    tablet.wait_for_selector("#report-doors [aria-label='Save as']")
    assert tablet.locator("#report-doors .save-as a").all_inner_texts() == [
        "HTML",
        "CSV",
        "Parquet",
        "Line protocol",
    ]
    tablet.goto(f"{page_server.url}/#replay/{fire.id}")
    tablet.wait_for_selector(".r-tools")
    cut = tablet.evaluate(
        """() => { const box = document.querySelector('.r-traces').getBoundingClientRect();
            return [...document.querySelectorAll('.r-end')].filter((e) => e.getBoundingClientRect().right > box.right)
                .map((e) => e.textContent); }"""
    )
    assert cut == [], "names at the lines' ends are whole"
    assert "Next note or alarm" in tablet.inner_text(".r-tools")
    assert "Note or alarm before" in tablet.inner_text(".r-tools")
    tablet.goto(f"{page_server.url}/#archive")
    tablet.click("#archive-bring")
    assert tablet.inner_text("#archive-bring") == "Close"
    assert tablet.locator("button", has_text="Leave it").count() == 0


def test_the_chart_comes_first_where_firings_are_compared(
    fire: Fire, page_server: PageServer, tablet: Page
) -> None:
    fire.light(1500)
    other = fire.writer.open_firing(
        "Another, invented", fire.made.plan.dumps(), 10**15, ended_us=10**15 + 10**9
    )
    page_server.start()
    tablet.goto(f"{page_server.url}/#compare/{fire.id},{other.id}")
    tablet.wait_for_selector("#compare-graph .main-svg", timeout=60_000)
    tablet.wait_for_selector("#compare-facts table", timeout=60_000)
    chart, facts = (
        tablet.locator("#compare-graph").bounding_box(),
        tablet.locator("#compare-facts").bounding_box(),
    )
    foot = tablet.locator("#foot").bounding_box()
    assert chart is not None
    assert facts is not None
    assert foot is not None
    assert chart["y"] + chart["height"] <= foot["y"], "all of it is seen at once"
    assert chart["y"] < facts["y"]
