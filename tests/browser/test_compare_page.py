"""Firings laid over one another, in a real browser."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page
from tablets import PageServer, free_port, wait_until

from logger.journal.reader import JournalReader
from logger.judging import rehearse
from tests.invented_firings import invented_firing, open_journal

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]


class Archive:
    """Three invented firings, served."""

    def __init__(self, server: PageServer, ids: list[str]) -> None:
        self.server, self.ids = server, ids

    def open(self, tablet: Page, *which: int) -> None:
        tablet.goto(f"{self.server.url}/#compare/{','.join(self.ids[n] for n in which)}")
        shown(tablet, len(which))


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    home = tmp_path_factory.mktemp("home")
    with contextlib.closing(open_journal(home)) as writer:
        made = [
            invented_firing(writer, seed, day=day, probes=probes, rate_hz=0.2)[0]
            for day, (seed, probes) in enumerate([(5, 5), (7, 8), (11, 4)])
        ]
    server = PageServer(home, free_port())
    server.start()
    yield Archive(server, made)
    if server.process is not None:
        server.stop(signal.SIGKILL)


def lines(tablet: Page) -> list[dict[str, Any]]:
    return list(
        tablet.evaluate(
            """() => (document.querySelector('#compare-graph').data || []).map((d) => ({
                name: d.name, x: d.x, y: d.y, color: d.line.color, dash: d.line.dash }))"""
        )
    )


def moments(tablet: Page) -> list[dict[str, Any]]:
    return list(tablet.evaluate("window.Stokewatch.compareMoments()"))


def shown(tablet: Page, count: int) -> None:
    wait_until(lambda: tablet.locator("#compare-facts thead th").count() == count, "all are worked out", 90)
    wait_until(lambda: len(lines(tablet)) == count, "all are drawn", 30)


def cells(tablet: Page, fact: str) -> list[str]:
    row = tablet.locator(f'#compare-facts tr[data-fact="{fact}"]').first
    return [text.replace("\n", " ") for text in row.locator("td").all_inner_texts()]


def number_in(text: str) -> float:
    return float(text.split()[0].replace("−", "-"))


def test_laid_together_at_lighting(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1, 2)
    drawn = lines(tablet)
    assert [d["name"] for d in drawn] == [f"Invented firing, seed {n}" for n in (5, 7, 11)]
    # Told apart by colour, dashes and number, so that none of them has to be seen.
    assert len({d["color"] for d in drawn}) == 3
    assert len({d["dash"] for d in drawn}) == 3
    assert [key.strip() for key in tablet.locator("#compare-chosen .key").all_text_contents()] == [
        "1",
        "2",
        "3",
    ]
    for d, moment in zip(drawn, moments(tablet), strict=True):
        assert d["x"][0] == pytest.approx(-moment["t"] / 60.0, abs=0.2)
    assert "lit 0:" in tablet.inner_text("#compare-how")
    assert "12 °C a minute" in tablet.inner_text("#compare-how")


def test_laid_together_where_a_zone_passes_a_temperature(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    tablet.select_option("#compare-align", "zone")
    tablet.select_option("#compare-zone", "upper")
    tablet.select_option("#compare-line", "zone:upper")
    tablet.fill("#compare-at", "400")
    tablet.press("#compare-at", "Tab")
    wait_until(lambda: "upper passes 400 °C" in tablet.inner_text("#compare-how"), "it says how")
    for d in lines(tablet):
        before = [y for x, y in zip(d["x"], d["y"], strict=True) if x < -0.01 and y is not None]
        after = next(y for x, y in zip(d["x"], d["y"], strict=True) if x >= -0.01 and y is not None)
        assert max(before) < 400 <= after + 0.1


def test_one_that_never_came_so_far_says_so(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    tablet.select_option("#compare-align", "zone")
    tablet.fill("#compare-at", "1190")
    tablet.press("#compare-at", "Tab")
    wait_until(lambda: "never came to 1190 °C" in tablet.inner_text("#compare-how"), "it says so")
    assert len(lines(tablet)) == 2


def test_a_temperature_that_is_none_is_refused_beside_it(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    tablet.select_option("#compare-align", "zone")
    before = moments(tablet)
    tablet.fill("#compare-at", "5000")
    tablet.press("#compare-at", "Tab")
    wait_until(lambda: "Give 30 to 1200 °C" in tablet.inner_text("#compare-choices"), "it is refused")
    assert tablet.get_attribute("#compare-at", "aria-invalid") == "true"
    assert moments(tablet) == before


def test_the_table_tells_facts_and_differences(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    told = cells(tablet, "coldest_peak_c")
    with contextlib.closing(JournalReader(archive.server.home / "journal.sqlite")) as reader:
        peaks = []
        for n in (0, 1):
            zones = rehearse(reader, reader.firing(archive.ids[n]))["zones"]
            peaks.append(min(z["peak_c"] for z in zones if z["zone"] != "under"))
    assert [number_in(text) for text in told] == [round(peak) for peak in peaks]
    difference = round(peaks[1] - peaks[0])
    assert f"{difference:+d} °C".replace("-", "−") in told[1]
    assert "a model, not a measurement" in tablet.inner_text('tr[data-fact="one_hour_c"]')


def test_zones_open_at_a_tap(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    upper = tablet.locator('#compare-facts button[data-group="upper"]')
    assert upper.get_attribute("aria-expanded") == "false"
    count = tablet.locator('tr[data-fact="peak_c"]').count()
    upper.click()
    assert (
        tablet.locator('#compare-facts button[data-group="upper"]').get_attribute("aria-expanded") == "true"
    )
    assert tablet.locator('tr[data-fact="peak_c"]').count() == count + 1


def test_fahrenheit(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    celsius = cells(tablet, "coldest_peak_c")
    tablet.click('[data-choice="unit"][data-value="F"]')
    wait_until(lambda: "°F" in cells(tablet, "coldest_peak_c")[0], "it is told in °F")
    fahrenheit = cells(tablet, "coldest_peak_c")
    assert number_in(fahrenheit[0]) == pytest.approx(number_in(celsius[0]) * 1.8 + 32, abs=1.0)
    # A difference has no 32 in it.
    delta = [float(t.split()[2].replace("−", "-")) for t in (celsius[1], fahrenheit[1])]
    assert delta[1] == pytest.approx(delta[0] * 1.8, abs=1.4)


def test_firings_are_added_and_taken_out(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    tablet.wait_for_selector("#compare-add")
    tablet.select_option("#compare-add", archive.ids[2])
    shown(tablet, 3)
    tablet.locator("#compare-chosen .out").first.click()
    shown(tablet, 2)
    assert [d["name"] for d in lines(tablet)] == ["Invented firing, seed 7", "Invented firing, seed 11"]
    assert tablet.url.endswith(f"#compare/{archive.ids[1]},{archive.ids[2]}")


def test_one_that_is_not_there_is_named_and_the_others_shown(archive: Archive, tablet: Page) -> None:
    tablet.goto(f"{archive.server.url}/#compare/{archive.ids[0]},20200101-0000-none,{archive.ids[1]}")
    shown(tablet, 2)
    assert "no such firing" in tablet.inner_text("#compare-chosen .wrong")


def test_nothing_chosen_yet(archive: Archive, tablet: Page) -> None:
    tablet.goto(f"{archive.server.url}/#compare")
    tablet.wait_for_selector("#compare-add")
    assert "Choose at least two" in tablet.inner_text("#compare-said")
    assert not tablet.is_visible("#compare-chart")


@pytest.mark.parametrize("size", [(1180, 820), (820, 1180), (390, 844)])
def test_nothing_is_wider_than_the_glass(archive: Archive, tablet: Page, size: tuple[int, int]) -> None:
    tablet.set_viewport_size({"width": size[0], "height": size[1]})
    archive.open(tablet, 0, 1, 2)
    assert tablet.evaluate("document.documentElement.scrollWidth") <= size[0]
    small = tablet.evaluate(
        """() => [...document.querySelectorAll('#room-compare *')].filter((e) => e.offsetParent && e.textContent.trim()
            && parseFloat(getComputedStyle(e).fontSize) < 16).map((e) => e.tagName + e.className)"""
    )
    assert small == []


def test_names_are_text(tablet: Page, tmp_path: Path) -> None:
    nasty = "<img src=x onerror=window.hurt=1><b>Jars</b>"
    with contextlib.closing(open_journal(tmp_path)) as writer:
        ids = [invented_firing(writer, seed, probes=3, rate_hz=0.1)[0] for seed in (11, 12)]
        for firing in ids:
            writer.change_firing(firing, title=nasty)
    server = PageServer(tmp_path, free_port())
    server.start()
    try:
        tablet.goto(f"{server.url}/#compare/{','.join(ids)}")
        shown(tablet, 2)
        tablet.wait_for_timeout(300)
        assert nasty in tablet.inner_text("#compare-chosen")
        assert nasty in tablet.inner_text("#compare-facts")
        assert (
            tablet.evaluate("document.querySelectorAll('#room-compare img, #room-compare td b b').length")
            == 0
        )
        assert tablet.evaluate("window.hurt === undefined")
    finally:
        server.stop(signal.SIGKILL)
