"""What must hold on any glass: warnings in sight, single silent rigs, names as text, the keyboard."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page
from tablets import PageServer, wait_until

from logger.journal.writer import JournalWriter
from logger.plan import Plan, Probe
from logger.reading import Batch, Channel

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]

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
    """Writes when it is told to; times are the host's."""

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
        with self.writer.transaction():
            for rig in rigs:
                self.writer.append(
                    self.id,
                    Batch(
                        rig=rig,
                        channels=(Channel("k0", "celsius"),),
                        t_us=np.array([round(now_s * 1e6)]),
                        seq=np.array([0]),
                        ms=np.array([0]),
                        raw=value,
                        raw_cj=np.full((1, 1), np.nan),
                        temperature_c=value,
                        cold_junction_c=np.full((1, 1), np.nan),
                        status=np.zeros((1, 1), np.uint8),
                    ),
                )
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


def open_page(page: Page, server: PageServer) -> None:
    page.goto(server.url)
    page.wait_for_selector("#values li")
    page.wait_for_selector("#traces canvas")


def state(page: Page) -> str:
    return str(page.evaluate("document.body.dataset.state"))


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
    open_page(tablet, page_server)
    far, near = (tablet.locator("#values li").nth(n) for n in (0, 1))
    for _ in range(35):
        rigs.send("a1")
        time.sleep(0.2)
    assert state(tablet) == "fresh"
    assert "stale" in far.inner_text()
    assert "silent" in (far.get_attribute("class") or "")
    assert "line-through" in far.locator(".reading").evaluate("e => getComputedStyle(e).textDecorationLine")
    assert "stale" not in near.inner_text()
    # Nor does the drawing show it as hot.
    assert tablet.locator("#section .probe.none").count() == 1


def test_a_rig_that_speaks_seldom_is_not_called_silent(
    home: Path, tablet: Page, page_server: PageServer
) -> None:
    rigs = TwoRigs(home, every_s=4)
    page_server.start()
    open_page(tablet, page_server)
    wait_until(lambda: state(tablet) != "opening", "the page has heard something")
    states = set()
    for n in range(40):
        rigs.send(*(("a1", "b2") if n % 20 == 0 else ()))
        states.add(state(tablet))
        time.sleep(0.2)
    rigs.writer.close()
    assert states <= {"fresh", "logger"}  # the logger's word was old when the page opened
    assert state(tablet) == "fresh"
    assert "stale" not in tablet.inner_text("#values")


def test_warnings_and_caution_stay_in_sight_on_a_scrolled_phone(
    rigs: TwoRigs, browser: Browser, page_server: PageServer
) -> None:
    rigs.alarms = [ALARM]
    rigs.send("a1", "b2")
    context = browser.new_context(viewport={"width": 390, "height": 844})
    phone = context.new_page()
    open_page(phone, page_server)
    wait_until(lambda: phone.is_visible("#stale"), "it says that the logger is silent", 6)
    for y in (0, 300, 100_000):
        phone.evaluate(f"scrollTo(0, {y})")
        assert in_sight(phone, "#caution")
        assert in_sight(phone, "#stale")
        assert in_sight(phone, "#alarms")
    # An alarm that nobody has judged since is told apart from one that stands now.
    before = phone.evaluate("getComputedStyle(document.querySelector('#alarms b'), '::before').content")
    assert "When data last came" in before
    context.close()


def test_names_are_text_and_there_is_one_socket(
    rigs: TwoRigs, browser: Browser, page_server: PageServer
) -> None:
    rigs.alarms = [ALARM]
    rigs.writer.add_event(rigs.id, round(time.time() * 1e6), "note", {"text": f"wood {HOSTILE}"}, HOSTILE)
    rigs.send("a1", "b2")
    context = browser.new_context(viewport={"width": 1180, "height": 820})
    page = context.new_page()
    sockets: list[str] = []
    said: list[str] = []
    page.on("websocket", lambda socket: sockets.append(socket.url))
    page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    open_page(page, page_server)
    wait_until(lambda: page.is_visible("#alarms"), "the alarm is shown")
    for selector in ("#title", "#values", "#alarms", "#events"):
        assert HOSTILE in page.inner_text(selector)
    assert page.locator("#page img").count() == 0
    assert said == []
    assert [url.rsplit("/", 1)[1] for url in sockets] == ["feed"]
    context.close()


def test_by_keyboard_alone(rigs: TwoRigs, tablet: Page, page_server: PageServer) -> None:
    open_page(tablet, page_server)
    for _ in range(20):
        tablet.keyboard.press("Tab")
        if tablet.evaluate("document.activeElement.dataset.value") == "F":
            break
    focus = tablet.evaluate(
        "(() => { const c = getComputedStyle(document.activeElement); return [c.outlineStyle, c.outlineWidth] })()"
    )
    assert focus == ["solid", "3px"]
    tablet.keyboard.press("Space")
    assert tablet.get_attribute("[data-value=F]", "aria-pressed") == "true"
    assert tablet.inner_text("#labels .axis") == "°F"


def test_the_headline_is_read_out_once(rigs: TwoRigs, tablet: Page, page_server: PageServer) -> None:
    """The age that runs on beside it must not make a screen reader begin again every second."""
    open_page(tablet, page_server)
    tablet.wait_for_selector("#stale:visible")
    tablet.evaluate(
        "() => { window.said = 0; new MutationObserver(() => { window.said += 1; })"
        ".observe(document.querySelector('#stale [role=alert]'),"
        " { childList: true, characterData: true, subtree: true }); }"
    )
    first = tablet.inner_text("#stale")
    wait_until(lambda: tablet.inner_text("#stale") != first, "the age runs on")
    assert tablet.evaluate("window.said") == 0
    assert tablet.locator("#stale [role=alert]").count() == 1
