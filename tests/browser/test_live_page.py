"""The live page in a real browser, served by a real process from a growing journal."""

from __future__ import annotations

import re
import signal
import time
from collections.abc import Callable
from contextlib import suppress

import pytest
from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import Page
from tablets import (
    SIZES,
    Fire,
    PageServer,
    Writing,
    drawn,
    drawn_points,
    journal_points,
    ranges,
    shown,
    state,
    until,
    wrongly_drawn,
)

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

SAID_WITHIN_S = 3.0


@pytest.fixture
def lit(fire: Fire, page_server: PageServer, tablet: Page) -> Fire:
    """A firing, five minutes old, shown on a tablet."""
    fire.light(300)
    page_server.start()
    shown(tablet, page_server.url)
    return fire


def count(page: Page) -> int:
    return sum(len(points) for points in drawn_points(page).values())


def expect_drawn(page: Page, fire: Fire, within_s: float = 20.0) -> None:
    def right() -> bool:
        return not wrongly_drawn(page, fire.path, fire.id)

    until(right, "the readings are drawn, each once", within_s)


WHEN_LOUD = """() => {
    window.loudAt = 0;
    const look = () => {
        if (['lost', 'stale'].some((id) => !document.getElementById(id).hidden)) window.loudAt ||= Date.now() / 1000;
        setTimeout(look, 20);
    };
    look();
}"""


def loud_since(page: Page) -> float:
    """When the page said so, by the browser's clock: a busy machine may tell the test later. [s]"""
    return float(until(lambda: page.evaluate("window.loudAt"), "the page says that nothing comes", 20))


def age_said(page: Page) -> int:
    found = re.search(r"What you see is (\d+) s old", page.inner_text("#lost"))
    assert found is not None
    return int(found[1])


def test_traces_grow(lit: Fire, tablet: Page) -> None:
    with Writing(lit):
        before = until(lambda: count(tablet), "something is drawn")
        until(lambda: count(tablet) >= before + 30, "thirty more points", 40)
        assert state(tablet) == "fresh"
        assert not tablet.is_visible(".stale")
    expect_drawn(tablet, lit)


def test_says_so_within_three_seconds_when_the_logger_stops(lit: Fire, tablet: Page) -> None:
    with Writing(lit):
        until(lambda: state(tablet) == "fresh", "values are fresh")
        tablet.evaluate(WHEN_LOUD)
        before = count(tablet)
        until(lambda: count(tablet) > before, "it hears more")
    stopped = time.time()
    assert loud_since(tablet) - stopped < SAID_WITHIN_S + 1.0  # its last word may be a look and a message old
    assert "logger is silent" in tablet.inner_text("#stale")
    rows = tablet.locator("#values .reading")
    until(lambda: "stale" in (rows.first.get_attribute("class") or ""), "values are marked")
    line = rows.first.evaluate("e => getComputedStyle(e).textDecorationLine")
    assert line == "line-through"
    with Writing(lit):
        until(lambda: state(tablet) == "fresh", "values are fresh again")
        assert not tablet.is_visible(".stale")


def test_says_so_when_the_rig_is_silent_though_the_logger_lives(lit: Fire, tablet: Page) -> None:
    with Writing(lit) as writing:
        until(lambda: state(tablet) == "fresh", "values are fresh")
        tablet.evaluate(WHEN_LOUD)
        writing.silent_rig = True
        stopped = time.time()
        assert loud_since(tablet) - stopped < SAID_WITHIN_S + 1.0
        assert "rig is silent" in tablet.inner_text("#stale")


def test_server_killed_and_back(lit: Fire, tablet: Page, page_server: PageServer) -> None:
    with Writing(lit):
        until(lambda: state(tablet) == "fresh", "values are fresh")
        tablet.evaluate("window.sameDocument = true")
        tablet.evaluate(WHEN_LOUD)
        page_server.stop(signal.SIGKILL)
        killed = time.time()
        assert loud_since(tablet) - killed < SAID_WITHIN_S
        assert "No connection" in tablet.inner_text("#lost")
        said = age_said(tablet)
        tablet.evaluate(
            "document.getElementById('stale').hidden = false"
        )  # the logger had been silent before
        assert tablet.is_hidden("#stale"), "of the logger nothing is known now"
        until(lambda: age_said(tablet) > said, "its age is counted on")
        page_server.start()
        until(lambda: state(tablet) == "fresh", "values are fresh again", 30)
        assert tablet.evaluate("window.sameDocument"), "the same version needs no new document"
    expect_drawn(tablet, lit)


OLDER = """if (!sessionStorage.older) new MutationObserver((_, watching) => {
    const version = document.querySelector('meta[name=stokewatch-version]');
    if (!version) return;
    version.content = 'older';
    sessionStorage.older = 'was here';
    watching.disconnect();
}).observe(document, { childList: true, subtree: true });"""


def test_another_version_loads_itself(lit: Fire, tablet: Page) -> None:
    tablet.add_init_script(OLDER)
    tablet.goto(tablet.url)
    now = "document.querySelector('meta[name=stokewatch-version]')?.content"

    def again() -> bool:
        with suppress(PlaywrightError):  # asked in the moment in which the page loads itself
            return bool(tablet.evaluate(f"sessionStorage.older && {now} && {now} !== 'older'"))
        return False

    until(again, "the document is the server's own version", 30)


def test_a_tab_that_was_frozen_goes_on(lit: Fire, tablet: Page) -> None:
    cdp = tablet.context.new_cdp_session(tablet)
    with Writing(lit):
        until(lambda: state(tablet) == "fresh", "values are fresh")
        cdp.send("Page.setWebLifecycleState", {"state": "frozen"})
        missed = lit.written + 12  # six seconds of readings: twice the time until it is called silent
        until(lambda: lit.written >= missed, "readings that it doesn't see")
        cdp.send("Page.setWebLifecycleState", {"state": "active"})
        until(lambda: state(tablet) == "fresh", "values are fresh again", 30)
    expect_drawn(tablet, lit)


def test_ends_quickly_and_in_peace_with_open_tablets(
    lit: Fire, tablet: Page, page_server: PageServer
) -> None:
    code, took_s = page_server.stop(signal.SIGTERM)
    assert code == 0
    assert took_s < 4.0
    assert page_server.log.read_text() == ""


def test_choices_are_kept_and_fahrenheit_is_right(lit: Fire, tablet: Page) -> None:
    with Writing(lit):
        tablet.click("#unit-choice label >> text=°F")
        tablet.click("#theme-choice")
        until(lambda: tablet.get_attribute("html", "data-theme") == "night", "it is night")
        tablet.reload()
        tablet.wait_for_selector("#values li", state="attached", timeout=60_000)
        until(lambda: state(tablet) == "fresh", "values are fresh", 30)
        assert tablet.get_attribute("html", "data-theme") == "night"
    in_journal = journal_points(lit.path, lit.id)

    def right() -> bool:
        here = drawn_points(tablet)
        return bool(here) and all(
            set(points) <= {(t, round(c * 9 / 5 + 32, 1)) for t, c in in_journal[name]}
            for name, points in here.items()
        )

    until(right, "traces in °F", 30)
    name = tablet.locator("#values li b").first.inner_text()
    last = in_journal[name][-1][1]
    said = f"{last * 1.8 + 32:.0f}°"
    until(lambda: tablet.locator("#values .reading").first.inner_text() == said, "the value in °F")


def test_ten_minutes_are_ten_minutes(lit: Fire, tablet: Page) -> None:
    tablet.click("#fire-window label >> text=10 min")

    def span() -> float:
        lit.go_on()
        low, high = ranges(tablet)["x"]
        return float(high - low)

    until(lambda: abs(span() - 10.0) < 0.01, "the axis spans 10 min", 30, 0.3)


def test_zoom_stays_while_readings_come_and_a_double_tap_ends_it(lit: Fire, tablet: Page) -> None:
    box = tablet.locator("#traces .nsewdrag").first.bounding_box()
    assert box is not None
    at = [(box["x"] + box["width"] * x, box["y"] + box["height"] * y) for x, y in ((0.2, 0.3), (0.4, 0.9))]
    tablet.mouse.move(*at[0])
    tablet.mouse.down()
    tablet.mouse.move(*at[1], steps=5)
    tablet.mouse.up()
    until(lambda: (r := ranges(tablet))["x"][1] < r["follows"]["x"][1] - 0.1, "it has zoomed")
    zoomed = ranges(tablet)["x"]
    with Writing(lit) as writing:
        before = count(tablet)
        until(lambda: count(tablet) > before + 20, "readings come", 40)
        assert ranges(tablet)["x"] == pytest.approx(zoomed)
        writing.note("a gust")
        until(lambda: notes(tablet), "a note makes a new picture", 40)
        assert ranges(tablet)["x"] == pytest.approx(zoomed)
    tablet.mouse.dblclick(*at[0])
    until(lambda: (r := ranges(tablet))["x"][1] == r["follows"]["x"][1], "all is shown again")


def test_two_pictures_in_one_breath_are_no_zoom(lit: Fire, tablet: Page) -> None:
    """On a busy tablet a second picture arrives before the first is drawn; which one shows is nobody's choice."""
    two = """() => ["traces", "traces"].map((id, n) => {
        const layout = { xaxis: { range: [30 * n, 50] }, yaxis: { range: [0, 900] } };
        window.stokewatch.keepZoom(id, { data: [], layout });
        return layout.xaxis.range;
    })"""
    assert tablet.evaluate(two) == [[0, 50], [30, 50]]
    assert ranges(tablet)["follows"]["x"] == [30, 50]


def notes(page: Page) -> int:
    return sum(len(t["x"]) for t in drawn(page) if t["meta"].get("marks") == "note")


def test_a_picture_and_what_comes_after_it_in_one_breath_are_drawn_once(lit: Fire, tablet: Page) -> None:
    """A busy tablet takes both at once; dcc.Graph's own `extendData` would append the same points each time."""
    busy = "() => { const end = Date.now() + 2500; while (Date.now() < end); }"
    with Writing(lit) as writing:
        for n in range(4):
            writing.note(f"note {n}")
            tablet.evaluate(busy)
            until(lambda n=n: notes(tablet) == n + 1, "its mark", 30)
    expect_drawn(tablet, lit)
    for name, points in drawn_points(tablet).items():
        assert points == sorted(points), f"{name} runs back"


def test_one_line_is_singled_out_and_a_double_tap_shows_all(lit: Fire, tablet: Page) -> None:
    tablet.locator("#values button").nth(1).click()

    def bright() -> list[str]:
        return [
            t["meta"]["probe"] for t in drawn(tablet) if "probe" in t["meta"] and t["opacity"] in (None, 1)
        ]

    name = tablet.locator("#values li b").nth(1).inner_text()
    until(lambda: bright() == [name], "one is singled out")
    assert tablet.locator("#values button").nth(1).get_attribute("aria-pressed") == "true"
    tablet.locator("#traces .nsewdrag").first.dblclick()
    until(lambda: len(bright()) == len(lit.made.plan.probes), "all are there")


def test_a_fault_is_named_and_is_no_number(lit: Fire, tablet: Page) -> None:
    lit.made.temperature_c[:, 1] = float("nan")
    lit.made.status[:, 1] = 1
    name = lit.made.plan.probes[1].name
    row = tablet.locator("#values li", has=tablet.locator("b", has_text=re.compile(f"^{re.escape(name)}$")))
    with Writing(lit):
        until(lambda: row.locator(".reading").inner_text() == "no contact", "the fault is named")
        assert "fault" in (row.locator(".reading").get_attribute("class") or "")
        assert re.search(r"was −?\d+°", row.inner_text())


def test_waits_for_the_first_firing_and_leads_to_preparing(
    fire: Fire, page_server: PageServer, tablet: Page
) -> None:
    page_server.start()
    tablet.goto(page_server.url)
    until(lambda: tablet.is_visible("#waiting"), "it says that it waits", 60)
    assert tablet.get_attribute("#waiting a", "href") == "/prepare"
    fire.light(20)
    with Writing(fire):
        tablet.wait_for_selector("#values li", state="attached", timeout=30_000)
        until(lambda: state(tablet) == "fresh", "values are fresh", 30)
        assert tablet.is_visible("#invented")
        assert "keep watching the fire" in tablet.inner_text("#caution")


def test_the_stack_through_time_is_honest_about_where_no_probe_was(lit: Fire, tablet: Page) -> None:
    tablet.click("#fire-view label >> text=Stack through time")
    there = "document.querySelector('#heat .js-plotly-plot')?.data?.length > 0"
    until(lambda: tablet.evaluate(there), "the picture", 40)
    z = tablet.evaluate("document.querySelector('#heat .js-plotly-plot').data[0].z.slice(-1)[0]")
    rows = tablet.evaluate("document.querySelector('#heat .js-plotly-plot').data[0].y")
    heights = [p.height_cm for p in lit.made.plan.probes if p.height_cm is not None]
    for height, value in zip(rows, z, strict=True):
        if min(abs(height - h) for h in heights) > 20:
            assert value is None, f"{height} cm is far from every probe"
    assert any(value is not None for value in z)


@pytest.mark.parametrize("size", SIZES)
def test_fits_and_asks_nothing_of_the_internet(
    fire: Fire, page_server: PageServer, take: Callable[[str], Page], size: str
) -> None:
    fire.light(300)
    page_server.start()
    width, height = SIZES[size]
    page = take(size)
    asked: list[str] = []
    complaints: list[str] = []
    sockets: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("websocket", lambda socket: sockets.append(socket.url))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    with Writing(fire):
        shown(page, page_server.url)
        assert complaints == []
        assert [url.rsplit("/", 1)[1] for url in sockets] == ["live"]
        assert [url for url in asked if not re.match(r"http://127\.0\.0\.1:|data:|blob:", url)] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        small = page.evaluate(
            """() => [...document.querySelectorAll('#glass button, #glass a')]
                .filter((e) => e.getClientRects().length && !e.closest('.modebar') && !e.matches('.skip'))
                .map((e) => [e.getBoundingClientRect(), e.outerHTML.slice(0, 80)])
                .filter(([r]) => Math.min(r.width, r.height) < 44).map(([, html]) => html)"""
        )
        assert small == []
        plot = page.locator("#chart").bounding_box()
        assert plot is not None
        if width >= 820 and height >= 820:
            assert plot["width"] * plot["height"] >= 0.5 * width * height, "the traces hold half of the glass"
        assert plot["height"] >= 240


def test_at_a_glance(lit: Fire, tablet: Page) -> None:
    tablet.click("#glance-open")
    tablet.wait_for_selector("#glance-words", timeout=15_000)
    until(lambda: tablet.inner_text("#glance-need"), "it says something")
    # 15 mm on ten inches across (diagonal) of 1180 × 820 pixels: 1437 pixels are 254 mm.
    size = tablet.locator("#glance-number").evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
    assert size * 0.66 >= 15 * 1437 / 254  # digits are two thirds of their type's size
    tablet.keyboard.press("Escape")
    tablet.wait_for_selector("#glance-words", state="hidden")
