"""Firings side by side, in a real browser."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from typing import Any

import pytest
import tablets
from playwright.sync_api import Page
from tablets import PageServer, findings, until

from logger.journal.reader import JournalReader
from logger.replay.judging import rehearse
from tests.invented_firings import invented_firing, open_journal
from tests.processes import free_port

pytestmark = [pytest.mark.real, pytest.mark.timeout(400)]

NASTY = "<img src=x onerror=window.hurt=1><b>Jars</b>"


class Archive:
    """Three invented firings, served."""

    def __init__(self, server: PageServer, ids: list[str]) -> None:
        self.server, self.ids = server, ids

    def open(self, tablet: Page, *which: int) -> None:
        tablet.goto(f"{self.server.url}/compare?firings={','.join(self.ids[n] for n in which)}")
        shown(tablet, len(which))


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    home = tmp_path_factory.mktemp("home")
    with contextlib.closing(open_journal(home)) as writer:
        made = [
            invented_firing(writer, seed, day=day, probes=probes, rate_hz=0.1)[0]
            for day, (seed, probes) in enumerate([(5, 5), (7, 8), (11, 4)])
        ]
        writer.change_firing(made[2], title=NASTY)
    server = PageServer(home, free_port())
    server.start()
    yield Archive(server, made)
    if server.process is not None:
        server.stop(signal.SIGKILL)


def lines(tablet: Page) -> list[dict[str, Any]]:
    found = tablets.drawn(tablet, "compare-curves")
    return [d for d in found if d["name"][0].isdigit()]


def shown(tablet: Page, count: int) -> None:
    heads = tablet.locator('#compare-facts details[data-zone=""] thead th')
    until(lambda: heads.count() == count + 1, "all are worked out", 240)
    until(lambda: len(lines(tablet)) == count, "all are drawn", 60)


def cells(tablet: Page, fact: str) -> list[str]:
    row = tablet.locator(f'#compare-facts tr[data-fact="{fact}"]').first
    return [text.replace("\n", " ") for text in row.locator("td").all_inner_texts()]


def number_in(text: str) -> float:
    return float(text.split()[0].replace("−", "-"))


def choose(tablet: Page, field: str, option: str) -> None:
    tablet.click(f"#{field}")
    tablet.get_by_role("option", name=option, exact=True).click()


@pytest.mark.parametrize("which", [(0,), (0, 1)])
def test_what_follows_the_drawing_begins_below_it(
    archive: Archive, tablet: Page, which: tuple[int, ...]
) -> None:
    archive.open(tablet, *which)
    drawing = tablet.locator("#compare-endured .main-svg").first
    follows = tablet.locator("#compare h2", has_text="Comparison")
    tablets.until(lambda: drawing.bounding_box(), "the drawing", 30)

    def below() -> bool:
        above, under = drawing.bounding_box(), follows.bounding_box()
        return above is not None and under is not None and above["y"] + above["height"] <= under["y"]

    until(below, "the graph has its last size")


def test_led_by_what_the_pots_went_through(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    heads = tablet.locator("#compare h2").all_inner_texts()
    assert heads.index("What the pots went through") < heads.index("Comparison") < heads.index("Curves")
    parts = tablets.drawn(tablet, "compare-endured")
    assert [p["name"] for p in parts][:4] == ["500–600 °C", "600–700 °C", "700–800 °C", "above 800 °C"]
    told = cells(tablet, "coldest_peak_c")
    with contextlib.closing(JournalReader(archive.server.home / "journal.sqlite")) as reader:
        peaks = []
        for n in (0, 1):
            zones = rehearse(reader, reader.firing(archive.ids[n]))["zones"]
            peaks.append(min(z["peak_c"] for z in zones if z["zone"] != "under"))
    assert [number_in(text) for text in told] == [round(peak) for peak in peaks]
    difference = peaks[1] - peaks[0]
    assert any(f"{round(difference + nudge):+d} °C".replace("-", "−") in told[1] for nudge in (-0.5, 0, 0.5))
    # Colour, dashes and number tell them apart, so that nobody depends on any one of these.
    assert [d["name"] for d in lines(tablet)] == ["1 Invented firing, seed 5", "2 Invented firing, seed 7"]


def test_zones_open_at_a_tap_and_fahrenheit_is_computed(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    upper = tablet.locator('#compare-facts details[data-zone="upper"]')
    if not upper.evaluate("(e) => e.open"):
        upper.locator("summary").click()
    assert upper.locator('tr[data-fact="peak_c"]').is_visible()
    celsius = cells(tablet, "coldest_peak_c")
    tablet.locator("#unit-choice label", has_text="°F").click()
    until(lambda: "°F" in cells(tablet, "coldest_peak_c")[0], "it is told in °F", 60)
    fahrenheit = cells(tablet, "coldest_peak_c")
    assert number_in(fahrenheit[0]) == pytest.approx(number_in(celsius[0]) * 1.8 + 32, abs=1.0)
    # The 32 of °F is no part of a difference.
    delta = [float(t.split()[2].replace("−", "-").replace("±", "")) for t in (celsius[1], fahrenheit[1])]
    assert delta[1] == pytest.approx(delta[0] * 1.8, abs=1.4)


def test_aligned_at_lighting_or_where_a_zone_passes_a_temperature(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    assert "min after its first reading" in tablet.inner_text("#compare-moments")
    assert not tablet.is_visible("#compare-at"), "the lighting has no temperature"
    choose(tablet, "compare-align", "a temperature")
    choose(tablet, "compare-zone", "upper")
    tablet.fill("#compare-at", "400")
    until(lambda: "upper first passes 400 °C" in tablet.inner_text("#compare-moments"), "it says how", 60)
    before = lines(tablet)
    tablet.fill("#compare-at", "5000")
    until(lambda: "Enter 30 to 1200 °C" in tablet.inner_text("#compare"), "it is refused", 60)
    assert tablet.get_attribute("#compare-at", "aria-invalid") == "true"
    assert lines(tablet) == before


def test_firings_are_added_and_taken_out_by_the_address(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    # The drawing comes first: it begins in the upper half of the screen, and choosing firings is behind a tap.
    drawing = tablet.locator("#compare-endured").bounding_box()
    assert drawing is not None
    assert drawing["y"] < 820 / 2
    tablet.click("#compare summary:has-text('Choose firings')")
    tablet.click("#compare-choice")
    tablet.get_by_role("option").filter(has_text="Jars").click()
    shown(tablet, 3)
    assert tablet.url.endswith(f"?firings={','.join(archive.ids)}")
    # Names are text.
    assert NASTY in tablet.inner_text("#compare-chosen")
    assert NASTY in tablet.inner_text("#compare-facts")
    assert tablet.evaluate("document.querySelectorAll('#compare img, #compare td b b').length") == 0
    assert tablet.evaluate("window.hurt === undefined")
    tablet.go_back()
    shown(tablet, 2)


def test_nothing_chosen_and_one_that_is_not_there(archive: Archive, tablet: Page) -> None:
    tablet.goto(f"{archive.server.url}/compare")
    until(lambda: "Choose at least two" in tablet.inner_text("#compare-said"), "it says so", 60)
    assert not tablet.is_visible("#compare-body")
    tablet.goto(f"{archive.server.url}/compare?firings={archive.ids[0]},20200101-0000-none,{archive.ids[1]}")
    shown(tablet, 2)
    assert "no such firing" in tablet.inner_text("#compare-chosen .wrong")


def test_it_fits_the_glass_and_axe_finds_nothing(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)
    for width, height in ((1180, 820), (390, 844)):
        tablet.set_viewport_size({"width": width, "height": height})
        until(lambda width=width: tablet.evaluate("document.documentElement.scrollWidth") <= width, "it fits")
        assert findings(tablet) == [], width


def test_figures_are_drawn_for_the_night_at_once(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 0, 1)

    def ink() -> str:
        graph = "document.querySelector('#compare-curves .js-plotly-plot')"
        return str(tablet.evaluate(f"{graph}._fullLayout.font.color"))

    by_day = ink()
    tablet.click("#theme-choice")
    until(lambda: ink() != by_day, "the curves are drawn for the night", 30)
    tablet.click("#theme-choice")
    until(lambda: ink() == by_day, "and for the day again", 30)
