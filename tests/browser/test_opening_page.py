"""How the page opens: what it asks for, when, and how often it draws. No times: those are in the benchmarks."""

from __future__ import annotations

import json
from typing import Any

import pytest
from dashboard.watch import MAX_POINTS
from playwright.sync_api import Page, Route
from tablets import Fire, PageServer, Writing, drawn_points, journal_points, wait_until

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

LONG_S = 6000
PAINTED = """([name, count]) => {
    // Of a line's last so many points, the share at which the canvas has the line's colour.
    const S = window.Stokewatch;
    const drawn = S.drawnTraces();
    const i = S.probes.findIndex((probe) => probe.name === name);
    const canvas = document.querySelector('#traces canvas');
    const { left, right, top, bottom, ratio } = drawn.view;
    const pen = canvas.getContext('2d');
    const wanted = S.colour(i).match(/\\w\\w/g).map((part) => parseInt(part, 16));
    const { x, y } = drawn.lines[i];
    let hit = 0;
    for (let n = x.length - count; n < x.length; n += 1) {
        const px = left + (x[n] - drawn.range.x[0]) / (drawn.range.x[1] - drawn.range.x[0]) * (right - left);
        const py = bottom - (y[n] - drawn.range.y[0]) / (drawn.range.y[1] - drawn.range.y[0]) * (bottom - top);
        const pixel = pen.getImageData(Math.round(px * ratio), Math.round(py * ratio), 1, 1).data;
        if (wanted.every((part, k) => Math.abs(part - pixel[k]) < 40)) hit += 1;
    }
    return hit / count;
}"""


def draws(page: Page) -> int:
    return int(page.evaluate("window.Stokewatch.drawnTraces()?.draws || 0"))


@pytest.fixture
def long(fire: Fire, page_server: PageServer) -> Fire:
    """A firing of a hundred minutes: more readings than are drawn."""
    fire.light(LONG_S)
    page_server.start()
    return fire


def test_a_long_firing_is_drawn_once_and_in_few_points(
    long: Fire, page_server: PageServer, tablet: Page
) -> None:
    asked: list[str] = []
    tablet.on("request", lambda request: asked.append(request.url.removeprefix(page_server.url)))
    with Writing(long):
        tablet.goto(page_server.url)
        tablet.wait_for_selector("#values li")
        tablet.wait_for_timeout(1500)
        assert draws(tablet) == 1
    lines = tablet.evaluate("window.Stokewatch.drawnTraces().lines.map((line) => line.x.length)")
    assert len(lines) == len(long.made.plan.probes)
    assert all(MAX_POINTS / 4 < n <= MAX_POINTS for n in lines), lines
    assert not [url for url in asked if "plotly" in url]
    assert len(asked) <= 10, asked
    assert len(asked) == len(set(asked)), asked


def test_readings_come_while_dash_is_still_being_read(
    long: Fire, page_server: PageServer, tablet: Page
) -> None:
    """Dash's own scripts are kept waiting; the firing is on the tablet before they are."""
    heard: list[dict[str, Any]] = []
    waiting: list[Route] = []

    def take(text: str | bytes) -> None:
        heard.append(json.loads(text))

    tablet.on("websocket", lambda socket: socket.on("framereceived", take))
    tablet.route("**/dash-renderer*", lambda route: waiting.append(route))
    tablet.goto(page_server.url, wait_until="commit")

    def snapshot() -> bool:
        tablet.wait_for_timeout(20)
        return any(message["type"] == "snapshot" for message in heard)

    wait_until(snapshot, "the snapshot is on the tablet")
    assert waiting
    assert not tablet.query_selector("#values li")
    long.go_on()  # an update, for a page that isn't there yet
    wait_until(lambda: snapshot() and any(m["type"] == "update" for m in heard), "an update")
    for route in waiting:
        route.continue_()
    tablet.wait_for_selector("#values li")
    wait_until(lambda: draws(tablet), "the traces are drawn")
    kept = journal_points(long.path, long.id)
    newest_s = max(points[-1][0] for points in kept.values())
    names = [name for name, points in kept.items() if points[-1][0] == newest_s]  # not those beyond range
    assert len(names) > 3

    def all_drawn() -> bool:
        drawn = drawn_points(tablet)
        return [drawn[name][-1] for name in names] == [kept[name][-1] for name in names]

    wait_until(all_drawn, "the newest reading of each is drawn")
    assert sum(message["type"] == "snapshot" for message in heard) == 1


def test_what_is_drawn_is_painted_and_what_comes_is_added_to_it(
    fire: Fire, page_server: PageServer, tablet: Page
) -> None:
    # Until it cools, and with the line that is solid: dashes have holes.
    fire.light(600)
    page_server.start()
    name = fire.made.plan.probes[0].name
    with Writing(fire):
        tablet.goto(page_server.url)
        wait_until(lambda: draws(tablet), "the traces are drawn")
        before = len(drawn_points(tablet)[name])
        assert tablet.evaluate(PAINTED, [name, before]) > 0.7  # other lines cross it

        def grown() -> int:
            return len(drawn_points(tablet)[name]) - before

        more = wait_until(lambda: (n := grown()) >= 8 and n, "eight more points")
        assert tablet.evaluate(PAINTED, [name, more]) > 0.7
        assert draws(tablet) == 1
