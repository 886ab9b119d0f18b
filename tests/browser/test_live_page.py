"""The live page in a real browser, served by a real process, from a journal that grows."""

from __future__ import annotations

import re
import signal
import time

import pytest
from playwright.sync_api import Browser, Page
from tablets import Fire, PageServer, Writing, drawn_points, journal_points, wait_until

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

SAID_WITHIN_S = 3.0


@pytest.fixture
def lit(fire: Fire, page_server: PageServer, tablet: Page) -> Fire:
    """A firing of five minutes so far, shown on a tablet."""
    fire.light(300)
    page_server.start()
    tablet.goto(page_server.url)
    tablet.wait_for_selector("#values li")
    tablet.wait_for_selector("#traces canvas")
    return fire


def count(page: Page) -> int:
    return sum(len(points) for points in drawn_points(page).values())


def state(page: Page) -> str:
    return str(page.evaluate("document.body.dataset.state"))


def expect_all_drawn(page: Page, fire: Fire, within_s: float = 10.0) -> None:
    """The figure comes to hold what the journal holds: each reading, once, and nothing else."""
    end = time.monotonic() + within_s
    while (drawn := drawn_points(page)) != (journal := journal_points(fire.path, fire.id)):
        if time.monotonic() > end:
            assert drawn.keys() == journal.keys()
            name = next(name for name in drawn if drawn[name] != journal[name])
            missing = sorted(set(journal[name]) - set(drawn[name]))
            wrong = sorted(set(drawn[name]) - set(journal[name]))
            twice = len(drawn[name]) - len(set(drawn[name]))
            pytest.fail(f"{name}: missing {missing[:5]}, not in the journal {wrong[:5]}, {twice} twice")
        time.sleep(0.1)


NOTE_WHEN_STALE = """() => {
    const stale = document.getElementById('stale');
    new MutationObserver(() => { if (!stale.hidden) window.staleAt ??= Date.now() / 1000; })
        .observe(stale, { attributes: true });
}"""


def stale_since(page: Page) -> float:
    """When the page said so, by the browser's own clock: a busy machine may tell the test later. [s]"""
    return float(wait_until(lambda: page.evaluate("window.staleAt || 0"), "the page says that data stopped"))


def test_traces_grow_point_by_point(lit: Fire, tablet: Page) -> None:
    with Writing(lit):
        before = wait_until(lambda: count(tablet), "something is drawn")
        wait_until(lambda: count(tablet) >= before + 30, "thirty more points")
        assert state(tablet) == "fresh"
        assert not tablet.is_visible("#stale")
    expect_all_drawn(tablet, lit)


def test_says_so_within_three_seconds_when_the_logger_stops(lit: Fire, tablet: Page) -> None:
    with Writing(lit):
        wait_until(lambda: state(tablet) == "fresh", "values are fresh")
        tablet.evaluate(NOTE_WHEN_STALE)
        time.sleep(1)
    stopped = time.time()
    assert stale_since(tablet) - stopped < SAID_WITHIN_S
    assert "logger is silent" in tablet.inner_text("#stale")
    assert tablet.locator("#values li.silent").count() == len(lit.made.plan.probes)
    with Writing(lit):
        wait_until(lambda: state(tablet) == "fresh", "values are fresh again")
        assert not tablet.is_visible("#stale")
    expect_all_drawn(tablet, lit)


def test_says_so_when_the_rig_is_silent_though_the_logger_lives(lit: Fire, tablet: Page) -> None:
    with Writing(lit) as writing:
        wait_until(lambda: state(tablet) == "fresh", "values are fresh")
        tablet.evaluate(NOTE_WHEN_STALE)
        writing.silent_rig = True
        stopped = time.time()
        assert (
            stale_since(tablet) - stopped < SAID_WITHIN_S + 0.5
        )  # the last reading may be half a second old
        assert "rig is silent" in tablet.inner_text("#stale")


def test_server_killed_and_back(lit: Fire, tablet: Page, page_server: PageServer) -> None:
    with Writing(lit):
        wait_until(lambda: state(tablet) == "fresh", "values are fresh")
        tablet.evaluate(NOTE_WHEN_STALE)
        page_server.stop(signal.SIGKILL)
        killed = time.time()
        assert stale_since(tablet) - killed < SAID_WITHIN_S
        assert "No connection" in tablet.inner_text("#stale")
        time.sleep(2)
        page_server.start()
        wait_until(lambda: state(tablet) == "fresh", "values are fresh again")
    expect_all_drawn(tablet, lit)


def test_ends_quickly_and_in_peace_with_open_tablets(
    lit: Fire, tablet: Page, page_server: PageServer
) -> None:
    code, took_s = page_server.stop(signal.SIGTERM)
    assert code == 0
    assert took_s < 2.0
    assert page_server.log.read_text() == ""


def test_two_tablets_and_a_reload_show_the_same(lit: Fire, tablet: Page, browser: Browser) -> None:
    phone = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
    phone.goto(tablet.url)
    phone.wait_for_selector("#values li")
    with Writing(lit):
        wait_until(lambda: state(phone) == state(tablet) == "fresh", "both are fresh")
        time.sleep(2)
        tablet.reload()
        tablet.wait_for_selector("#values li")
        time.sleep(1)
    expect_all_drawn(tablet, lit)
    expect_all_drawn(phone, lit)
    phone.context.close()


def test_choices_are_kept_and_fahrenheit_is_right(lit: Fire, tablet: Page) -> None:
    with Writing(lit):
        tablet.click("[data-choice=unit][data-value=F]")
        tablet.click("[data-choice=theme][data-value=night]")
        tablet.reload()
        tablet.wait_for_selector("#values li")
        wait_until(lambda: state(tablet) == "fresh", "values are fresh")
        assert tablet.get_attribute("html", "data-theme") == "night"
        assert tablet.get_attribute("[data-choice=unit][data-value=F]", "aria-pressed") == "true"
    wait_until(
        lambda: count(tablet) == sum(map(len, journal_points(lit.path, lit.id).values())), "all is drawn"
    )
    in_journal = journal_points(lit.path, lit.id)
    for name, points in drawn_points(tablet).items():
        for (t, f), (t0, c) in zip(points, in_journal[name], strict=True):
            assert t == t0
            assert f == pytest.approx(c * 9 / 5 + 32, abs=1e-6)
    shown = tablet.inner_text("#values li .reading")
    name = tablet.inner_text("#values li .first b")
    assert shown == f"{round(in_journal[name][-1][1] * 1.8 + 32)}°"


def test_ten_minutes_are_ten_minutes(lit: Fire, tablet: Page) -> None:
    lit.go_on()
    tablet.click("[data-choice=window][data-value='600']")
    axis = "window.Stokewatch.drawnTraces().range.x"
    wait_until(
        lambda: tablet.evaluate(f"{axis}[1] - {axis}[0]") == pytest.approx(10.4), "the axis spans 10 min"
    )


def test_a_fault_is_named_and_is_no_number(lit: Fire, tablet: Page) -> None:
    lit.made.temperature_c[:, 1] = float("nan")
    lit.made.status[:, 1] = 1
    name = lit.made.plan.probes[1].name
    with Writing(lit):
        row = tablet.locator(f"#values li[data-probe='{name}']")
        wait_until(lambda: row.locator(".reading").inner_text() == "open", "the fault is named")
        assert "fault" in (row.get_attribute("class") or "")
        assert re.match(r"was -?\d+°", row.locator(".moves").inner_text())


def test_waits_for_the_first_firing(fire: Fire, page_server: PageServer, tablet: Page) -> None:
    page_server.start()
    tablet.goto(page_server.url)
    wait_until(lambda: tablet.is_visible("#waiting"), "it says that it waits")
    fire.light(20)
    with Writing(fire):
        tablet.wait_for_selector("#values li")
        wait_until(lambda: state(tablet) == "fresh", "values are fresh")
        assert tablet.is_visible("#invented")
        assert "keep watching the fire" in tablet.inner_text("#caution")


@pytest.mark.parametrize(("width", "height"), [(1180, 820), (820, 1180), (390, 844)])
def test_fits_and_asks_nothing_of_the_internet(
    fire: Fire, page_server: PageServer, browser: Browser, width: int, height: int
) -> None:
    fire.light(300)
    page_server.start()
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("websocket", lambda socket: asked.append(socket.url))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.goto(page_server.url)
    page.wait_for_selector("#values li")
    with Writing(fire):
        wait_until(lambda: count(page) > 0, "something is drawn")
    assert complaints == []
    assert any(url.startswith("ws://127.0.0.1") for url in asked)
    assert [url for url in asked if not re.match(r"(http|ws)://127\.0\.0\.1:|data:|blob:", url)] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    small = page.evaluate(
        """() => [...document.querySelectorAll('#page *')]
            .filter((e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim()))
            .filter((e) => e.getClientRects().length && parseFloat(getComputedStyle(e).fontSize) < 16)
            .map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert small == []
    touch = page.evaluate(
        "() => [...document.querySelectorAll('button')].filter((b) => b.getClientRects().length)"
        ".map((b) => b.getBoundingClientRect())"
        ".map((r) => Math.min(r.width, r.height))"
    )
    assert min(touch) >= 44
    context.close()
