"""Every room in both themes against the automated part of WCAG 2.2 AA, by axe-core."""

from __future__ import annotations

import time
from importlib.resources import files
from typing import Any

import pytest
from playwright.sync_api import Browser, Page
from tablets import Fire, PageServer

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
ROOMS = ("fire", "prepare", "archive", "replay", "compare", "report")


def findings(page: Page) -> list[str]:
    """What axe-core calls serious or critical, one line each."""
    page.evaluate(AXE)
    found: Any = page.evaluate("(tags) => axe.run(document, { runOnly: tags })", RULES)
    assert len(found["passes"]) > 10, "axe-core looked at nothing"
    return [
        f"{v['id']} ({v['impact']}): {n['target']} {n['html'][:120]} {n['failureSummary'][:200]}"
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
        for n in v["nodes"]
    ]


@pytest.mark.parametrize("theme", ["day", "night"])
@pytest.mark.parametrize("room", ROOMS)
def test_no_serious_finding(
    fire: Fire, page_server: PageServer, browser: Browser, room: str, theme: str
) -> None:
    fire.light(300)
    fire.writer.add_event(
        fire.id, fire.start_us + 60_000_000, "note", {"kind": "wood", "amount": "an armful"}
    )
    spot = {"zone": "upper", "temperature_c": 642.0, "emissivity": 0.9}
    fire.writer.add_event(fire.id, fire.start_us + 90_000_000, "spot", spot)
    fire.beat()
    page_server.start()
    context = browser.new_context(color_scheme="dark" if theme == "night" else "light")
    page = context.new_page()
    where = {"replay": f"replay/{fire.id}", "compare": f"compare/{fire.id}", "report": f"report/{fire.id}"}
    page.goto(f"{page_server.url}/#{where.get(room, room)}")
    page.wait_for_selector(f"#room-{room}:visible")
    time.sleep(2)
    assert findings(page) == []
    context.close()


@pytest.mark.parametrize("button", ["#spot", "#write"])
def test_nor_in_a_dialog(fire: Fire, page_server: PageServer, tablet: Page, button: str) -> None:
    fire.light(60)
    page_server.start()
    tablet.goto(page_server.url)
    tablet.click(button)
    tablet.wait_for_selector("dialog")
    assert findings(tablet) == []


def test_nor_in_an_alarm(fire: Fire, page_server: PageServer, tablet: Page) -> None:
    from logger.judgement.alarms import Alarm, alarm_data

    fire.light(60)
    page_server.start()
    tablet.goto(page_server.url)
    tablet.wait_for_selector("#values li")
    alarms = [
        alarm_data(Alarm(f"{rule}:upper", rule, "upper", None, state, True, "upper is at 642 °C"))
        for rule, state in (
            ("coal_collapse", "unacknowledged"),
            ("stalled_zone", "acknowledged"),
            ("over_temperature", "returned-unacknowledged"),
            ("target_reached", "unacknowledged"),
        )
    ]
    now_us = round(time.time() * 1e6)
    fire.writer.heartbeat({"at_us": now_us, "wall_s": now_us / 1e6, "time_scale": 1.0, "alarms": alarms})
    tablet.wait_for_selector("#alarms .alarm >> nth=3")
    for theme in ("day", "night"):
        tablet.click(f"[data-choice=theme][data-value={theme}]")
        assert findings(tablet) == []


def test_the_checker_finds_what_is_wrong(fire: Fire, page_server: PageServer, tablet: Page) -> None:
    fire.light(60)
    page_server.start()
    tablet.goto(page_server.url)
    tablet.wait_for_selector("#values li")
    tablet.evaluate(
        """() => { const bad = document.createElement('button'); bad.style.color = '#f0e8dc';
            bad.textContent = 'faint'; document.querySelector('#doors').after(bad, new Image()); }"""
    )
    assert {line.split(" ")[0] for line in findings(tablet)} >= {"color-contrast", "image-alt"}
