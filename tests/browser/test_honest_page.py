"""What must hold on any screen: warnings in sight, single silent rigs, names as text, the keyboard, WCAG 2.2 AA."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from evening import COLLAPSE, Evening
from playwright.sync_api import Browser, Page
from tablets import Fire, PageServer, findings, shown, state, until

from logger.journal.writer import JournalWriter
from logger.plan import Plan, Probe
from logger.reading import Batch, Channel
from tests.processes import stays

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

HOSTILE = "<img src=x onerror=alert(1)>"
PLAN = Plan(
    title=f"Two rigs, invented {HOSTILE}",
    probes=(
        Probe("near", "k0", rig="a1", height_cm=5.0, side="front", reads="coals", zone="under"),
        Probe(f"far {HOSTILE}"[:64], "k0", rig="b2", height_cm=40.0, side="back", reads="wall", zone="upper"),
    ),
)
ALARM = {
    "key": "coal_collapse:upper",
    "rule": "coal_collapse",
    "message": f"Upper loses heat {HOSTILE}",
    "advice": "Coals back against it.",
    "state": "unacknowledged",
    "warning": True,
}


class TwoRigs:
    """Writes on command; times are the host's."""

    def __init__(self, home: Path, every_s: int = 1) -> None:
        self.writer = JournalWriter(home / "journal.sqlite")
        self.started_s = time.time() - 60
        self.id = self.writer.open_firing(
            PLAN.title, PLAN.dumps(), round(self.started_s * 1e6), invented=True
        ).id
        self.alarms: list[dict[str, Any]] = []
        for ago_s in range(60, 0, -every_s):
            self.send("a1", "b2", ago_s=ago_s)

    def send(self, *rigs: str, ago_s: float = 0.0) -> None:
        now_s = time.time() - ago_s
        value = np.full((1, 1), 300.0 + (now_s - self.started_s) / 6)
        none = np.full((1, 1), np.nan)
        zero = np.array([0])
        with self.writer.transaction():
            for rig in rigs:
                batch = Batch(
                    rig=rig,
                    channels=(Channel("k0", "celsius"),),
                    t_us=np.array([round(now_s * 1e6)]),
                    seq=zero,
                    ms=zero,
                    raw=value,
                    raw_cj=none,
                    temperature_c=value,
                    cold_junction_c=none,
                    status=np.zeros((1, 1), np.uint8),
                )
                self.writer.append(self.id, batch)
            self.writer.heartbeat(
                {
                    "at_us": round(now_s * 1e6),
                    "wall_s": now_s,
                    "time_scale": 1.0,
                    "sources": [],
                    "verdict": None,
                    "alarms": self.alarms,
                }
            )


@pytest.fixture
def rigs(home: Path, page_server: PageServer) -> Iterator[TwoRigs]:
    made = TwoRigs(home)
    page_server.start()
    yield made
    made.writer.close()


def in_sight(page: Page, selector: str) -> bool:
    return bool(
        page.evaluate(
            """(selector) => {
                const box = document.querySelector(selector).getBoundingClientRect();
                const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
                return box.height > 0 && box.top >= 0 && box.bottom <= innerHeight + 1
                    && top !== null && top.closest(selector) !== null;
            }""",
            selector,
        )
    )


def test_one_silent_rig_of_two_is_stale_and_the_other_is_not(
    rigs: TwoRigs, tablet: Page, page_server: PageServer
) -> None:
    shown(tablet, page_server.url)
    far, near = (tablet.locator("#values li").nth(n) for n in (0, 1))
    until(lambda: (rigs.send("a1"), " old" in far.inner_text())[1], "the far one is stale", 20, 0.2)
    until(lambda: (rigs.send("a1"), state(tablet) == "fresh")[1], "the page is not", 20, 0.2)
    stays(lambda: (rigs.send("a1"), " old" not in near.inner_text())[1], "the near one isn't", 1.0, 0.2)
    line = "e => getComputedStyle(e).textDecorationLine"
    assert "line-through" in far.locator(".reading").evaluate(line)
    assert "line-through" not in near.locator(".reading").evaluate(line)


def test_a_rig_that_speaks_seldom_is_not_called_silent(
    home: Path, tablet: Page, page_server: PageServer
) -> None:
    rigs = TwoRigs(home, every_s=4)
    page_server.start()
    shown(tablet, page_server.url)
    sent_s = 0.0

    def called() -> str:
        nonlocal sent_s
        due = time.monotonic() - sent_s >= 4
        sent_s = time.monotonic() if due else sent_s
        rigs.send(*(("a1", "b2") if due else ()))
        return state(tablet)

    # The logger's last word was already old when the page opened.
    stays(lambda: called() in ("fresh", "logger"), "it is called silent", 12, 0.2)
    rigs.writer.close()
    assert state(tablet) == "fresh"
    assert " old" not in tablet.inner_text("#values")


def test_warnings_and_caution_stay_in_sight_on_a_scrolled_phone(
    rigs: TwoRigs, take: Callable[[str], Page], page_server: PageServer
) -> None:
    rigs.alarms = [ALARM]
    rigs.send("a1", "b2")
    phone = take("phone")
    shown(phone, page_server.url)
    until(lambda: phone.is_visible("#stale"), "it says that the logger is silent", 15)
    for y in (0, 300, 100_000):
        phone.evaluate(f"scrollTo(0, {y})")
        for part in ("#caution", "#stale", "#alarms"):
            assert in_sight(phone, part), (part, y)
    # An alarm that nobody has judged since looks different from one that is raised now.
    before = phone.evaluate("getComputedStyle(document.querySelector('#alarms b'), '::before').content")
    assert "As of the last data" in before


def test_names_are_text_and_there_is_one_socket(rigs: TwoRigs, tablet: Page, page_server: PageServer) -> None:
    rigs.alarms = [ALARM]
    rigs.writer.add_event(rigs.id, round(time.time() * 1e6), "note", {"text": f"wood {HOSTILE}"}, HOSTILE)
    rigs.send("a1", "b2")
    sockets: list[str] = []
    said: list[str] = []
    tablet.on("websocket", lambda socket: sockets.append(socket.url))
    tablet.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    shown(tablet, page_server.url)
    until(lambda: tablet.locator("#alarms .alarm").count(), "the alarm is shown")
    tablet.locator("#fire-side label", has_text="Log").click()
    for selector in ("#firing-title", "#alarms", "#events"):
        assert HOSTILE in tablet.inner_text(selector), selector
    assert HOSTILE in str(tablet.locator("#values").text_content())
    assert HOSTILE in tablet.locator("#traces").evaluate(
        "e => JSON.stringify(e.querySelector('.js-plotly-plot').data.map((t) => t.name))"
    )
    assert tablet.locator("#glass img").count() == 0
    assert said == []
    assert [url.rsplit("/", 1)[1] for url in sockets] == ["live"]


def test_the_headline_is_read_out_once(rigs: TwoRigs, tablet: Page, page_server: PageServer) -> None:
    """The age that counts up beside it must not make a screen reader start over every second."""
    shown(tablet, page_server.url)
    tablet.wait_for_selector("#stale:visible")
    tablet.evaluate(
        "() => { window.said = 0; new MutationObserver(() => { window.said += 1; })"
        ".observe(document.querySelector('#stale [role=alert]'),"
        " { childList: true, characterData: true, subtree: true }); }"
    )
    first = tablet.inner_text("#stale")
    until(lambda: tablet.inner_text("#stale") != first, "the age runs on")
    assert tablet.evaluate("window.said") == 0
    assert tablet.locator("#stale [role=alert]").count() == 1


def test_two_tablets_and_a_reload_show_the_same(
    fire: Fire, page_server: PageServer, tablet: Page, browser: Browser
) -> None:
    fire.light(300)
    page_server.start()
    shown(tablet, page_server.url)
    phone = shown(browser.new_context(viewport={"width": 390, "height": 844}).new_page(), page_server.url)
    tablet.reload()
    rows = "() => [...document.querySelectorAll('#values .reading')].map((e) => e.textContent)"

    def same() -> bool:
        fire.go_on()
        here, there = tablet.evaluate(rows), phone.evaluate(rows)
        return len(here) > 3 and "" not in here and here == there

    until(same, "both show the same", 30, 0.4)
    phone.context.close()


# --- WCAG 2.2 AA, as far as a program can check ----------------------------------------------------------------------


def at_rest(page: Page) -> None:
    """Wait until nothing slides or fades any more."""
    moving = "document.getAnimations().filter((one) => one.playState === 'running').length"
    until(lambda: page.evaluate(moving) == 0, "the page is at rest")


GROUND = "(e) => getComputedStyle(e).backgroundColor"
# Controls in a dialog that a finger should hit but can't.
SMALL = """() => [...document.querySelectorAll("[role=dialog] :is(button, input, textarea)")]
    .map((e) => [e, e.getBoundingClientRect()])
    .filter(([e, r]) => r.height > 0 && Math.min(r.width, r.height) < 44)
    .map(([e, r]) => `small: ${e.id || e.textContent} ${r.width} x ${r.height}`)"""


@pytest.mark.parametrize(("size", "theme"), [("flat", "day"), ("phone", "night")])
def test_axe_finds_nothing_at_the_fire_in_any_state(
    fire: Fire, page_server: PageServer, take: Callable[[str], Page], size: str, theme: str
) -> None:
    page_server.start()
    page = take(size)
    page.add_init_script(f"localStorage.setItem('theme', '\"{theme}\"')")
    page.goto(page_server.url)
    until(lambda: page.is_visible("#waiting"), "it waits", 60)
    found = {"waiting": findings(page)}
    evening = Evening(fire, 420.0)
    evening.call(
        COLLAPSE,
        COLLAPSE | {"key": "a", "zone": "lower", "state": "acknowledged"},
        COLLAPSE | {"key": "b", "zone": "upper", "state": "returned-unacknowledged"},
        COLLAPSE | {"key": "c", "zone": "leeward", "warning": False},
    )
    until(lambda: (evening.tell(), page.locator("#alarms > .alarm").count() == 3)[1], "alarms", 40, 0.4)
    found["alarms"] = findings(page)
    evening.call()
    for tab in ("Zones", "Log", "Stack"):
        page.locator("#fire-side label", has_text=tab).click()
        evening.tell()
        at_rest(page)
        found[tab] = findings(page, "#side")
    page.locator("#fire-view label", has_text="Stack through time").click()
    there = "document.querySelector('#heat .js-plotly-plot')?.data?.length > 0"
    until(lambda: (evening.tell(), page.evaluate(there))[1], "the picture", 40, 0.4)
    found["stack through time"] = findings(page, "#chart")
    for name in ("glance", "note-dialog", "edit-dialog", "end-dialog", "pin-dialog"):
        evening.tell()
        page.evaluate("(name) => dash_clientside.set_props(name, { opened: true })", name)
        dialog = page.get_by_role("dialog")
        dialog.wait_for()
        at_rest(page)
        found[name] = findings(page, "[role=dialog]") + page.evaluate(SMALL)
        if name == "pin-dialog":
            inked = page.locator("body").evaluate("e => getComputedStyle(e).color")
            assert page.locator("#pin-enter").evaluate(GROUND) == inked, "the button is seen, by night too"
        page.keyboard.press("Escape")
        dialog.wait_for(state="hidden")
    until(lambda: state(page) == "logger", "a silent logger", 20)
    found["silent"] = findings(page, "#banners, #values")
    evening.fire.writer.finish_firing(fire.id, round(time.time() * 1e6))
    until(lambda: state(page) == "ended", "the end", 20)
    until(lambda: page.locator("#ended-summary li").count() > 2, "its summary", 120)
    found["ended"] = findings(page)
    assert {name: what for name, what in found.items() if what} == {}


def test_the_checker_finds_what_is_wrong(fire: Fire, page_server: PageServer, tablet: Page) -> None:
    fire.light(60)
    page_server.start()
    shown(tablet, page_server.url)
    tablet.evaluate(
        """() => { const bad = document.createElement('button'); bad.style.color = '#f0e8dc';
            bad.textContent = 'faint'; document.querySelector('#doors').after(bad, new Image()); }"""
    )
    assert {line.split(" ")[0] for line in findings(tablet)} >= {"color-contrast", "image-alt"}
