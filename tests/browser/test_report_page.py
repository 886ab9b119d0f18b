"""One firing's report, in a real browser and on paper."""

from __future__ import annotations

import contextlib
import re
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page
from tablets import PageServer, findings, until

from logger.exchange.csv_in import import_csv
from logger.journal.reader import JournalReader
from logger.reading import Status
from logger.report.describe import FIELDS
from logger.report.document import export_html
from logger.report.shown import shown
from tests.invented_firings import DESCRIBED, START_US, invented_firing, open_journal
from tests.processes import free_port

pytestmark = [pytest.mark.real, pytest.mark.timeout(400)]


class Archive:
    """Invented firings, served."""

    def __init__(self, server: PageServer, ids: list[str]) -> None:
        self.server, self.ids = server, ids
        self.path = server.home / "journal.sqlite"

    def open(self, tablet: Page, n: int = 0) -> None:
        tablet.goto(f"{self.server.url}/report/{self.ids[n]}")
        filled(tablet)


def filled(tablet: Page) -> None:
    tablet.wait_for_selector(field("title"), timeout=240_000)
    until(lambda: tablet.input_value(field("title")), "the form is filled in", 30)


def field(name: str) -> str:
    """Dash writes a pattern id as JSON."""
    return f'[id=\'{{"name":"{name}","type":"report-text"}}\']'


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    home = tmp_path_factory.mktemp("home")
    with contextlib.closing(open_journal(home)) as writer:
        ids = [
            invented_firing(writer, 5, probes=6, rate_hz=0.5, judged=True, described=DESCRIBED)[0],
            invented_firing(writer, 11, day=2, probes=3, rate_hz=0.2)[0],
        ]
    server = PageServer(home, free_port())
    server.start()
    yield Archive(server, ids)
    if server.process is not None:
        server.stop(signal.SIGKILL)


def facts(archive: Archive, n: int) -> dict[str, object]:
    with contextlib.closing(JournalReader(archive.path)) as reader:
        return reader.firing(archive.ids[n]).facts


def test_it_shows_what_was_fired_and_how_it_went(archive: Archive, tablet: Page) -> None:
    archive.open(tablet)
    assert tablet.inner_text("#report-name") == "Invented firing, seed 5"
    assert "Invented firing: nothing here was measured." in tablet.inner_text("#report-about")
    body = tablet.inner_text("#report-body")
    assert "Coldest zone's peak" in body
    assert "Verdict, zone by zone" in body
    for name, text in DESCRIBED.items():
        assert tablet.input_value(field(name)) == text
    until(lambda: tablet.locator("#report-traces .js-plotly-plot path.js-line").count() > 5, "drawn", 60)
    until(lambda: tablet.locator("#report-heat .heatmaplayer image").count(), "the stack through time", 60)


def test_what_is_typed_is_a_draft_from_the_first_letter_until_it_is_saved(
    archive: Archive, tablet: Page
) -> None:
    archive.open(tablet, 1)
    tablet.locator(field("clay")).press_sequentially("G")
    until(lambda: "Not saved yet" in tablet.inner_text("#report-written"), "it says so", 30)
    tablet.fill(field("clay"), "Grey river clay <b>&</b>")
    until(lambda: "Not saved yet" in tablet.inner_text("#report-written"), "it says so", 30)
    tablet.locator("#unit-choice label", has_text="°F").click()
    until(lambda: "°F" in tablet.inner_text("#report-verdicts"), "it is told in °F", 60)
    assert tablet.input_value(field("clay")) == "Grey river clay <b>&</b>"
    tablet.reload()  # the tablet's battery ran out, say
    filled(tablet)
    until(lambda: tablet.input_value(field("clay")) == "Grey river clay <b>&</b>", "the draft is back", 30)
    assert "clay" not in facts(archive, 1)
    tablet.fill(field("cracks"), "none")
    tablet.click("#report-save")
    until(lambda: facts(archive, 1).get("clay") == "Grey river clay <b>&</b>", "it is saved", 60)
    assert facts(archive, 1)["cracks"] == "none"
    until(lambda: tablet.inner_text("#report-written") == "Saved.", "it says so", 30)
    tablet.reload()
    filled(tablet)
    assert tablet.input_value(field("clay")) == "Grey river clay <b>&</b>"
    tablet.fill(field("cracks"), "")
    tablet.click("#report-save")
    until(lambda: "cracks" not in facts(archive, 1), "it is taken away", 60)
    assert facts(archive, 1)["clay"] == "Grey river clay <b>&</b>"  # what was not touched stays


def test_what_is_refused_is_said_beside_the_field(archive: Archive, tablet: Page) -> None:
    archive.open(tablet, 1)
    title = tablet.inner_text("#report-name")
    tablet.fill(field("title"), "")
    tablet.click("#report-save")
    until(lambda: "give the firing a name" in tablet.inner_text("#report-form"), "it is refused", 60)
    assert tablet.get_attribute(field("title"), "aria-invalid") == "true"
    assert tablet.inner_text("#report-written") == "Not saved."
    with contextlib.closing(JournalReader(archive.path)) as reader:
        assert reader.firing(archive.ids[1]).title == title


def test_a_firing_that_is_none(archive: Archive, tablet: Page) -> None:
    tablet.goto(f"{archive.server.url}/report/20200101-0000-none")
    until(lambda: "no such firing" in tablet.inner_text("#report-said"), "it says so", 60)
    assert not tablet.is_visible("#report-body")


def test_photos_of_pots_are_added_and_taken_away(archive: Archive, tablet: Page, tmp_path: Path) -> None:
    archive.open(tablet)
    files = [tmp_path / "jars.jpg", tmp_path / "no photo.jpg"]
    Image.new("RGB", (900, 600), (150, 70, 30)).save(files[0])
    files[1].write_bytes(b"nothing of the kind")
    with tablet.expect_file_chooser() as choosing:
        tablet.click("#report-add-photos")
    choosing.value.set_files(files)
    until(lambda: tablet.locator("#report-photos img").count() == 1, "it is there", 60)
    until(
        lambda: "no photo.jpg: this photo can't be read" in tablet.inner_text("#report-photos-said"),
        "refused",
        30,
    )
    tablet.locator("#report-photos button").click()
    until(lambda: tablet.locator("#report-photos img").count() == 0, "it is taken away", 60)


def test_files_to_keep_and_the_report_in_its_own_window(
    archive: Archive, tablet: Page, tmp_path: Path
) -> None:
    """The CSV file imports back to the same readings."""
    archive.open(tablet)
    with tablet.context.expect_page() as opening:
        tablet.click("#report-open")
    page = opening.value
    page.wait_for_load_state()
    assert page.inner_text("h1") == "Invented firing, seed 5"
    zone = page.evaluate("Intl.DateTimeFormat().resolvedOptions().timeZone")
    assert zone in page.inner_text("body"), "its times are those of the tablet"
    assert page.locator("svg path").count() > 6
    assert page.evaluate("document.fonts.size") == 0  # asks for nothing
    with tablet.expect_download() as saving:
        tablet.click("#report-keep")
    kept = tmp_path / "report.html"
    saving.value.save_as(kept)
    assert saving.value.suggested_filename.endswith(".html")
    assert kept.read_text().startswith("<!DOCTYPE html>")
    with tablet.expect_download() as saving:
        tablet.click('#report-doors a:text-is("CSV")')
    saving.value.save_as(tmp_path / "firing.csv")
    with contextlib.closing(open_journal(tmp_path)) as writer:
        info, _ = import_csv(writer, tmp_path / "firing.csv", started_us=START_US)
        with (
            contextlib.closing(JournalReader(archive.path)) as before,
            contextlib.closing(JournalReader(writer.path)) as after,
        ):
            old, new = before.readings(archive.ids[0]), after.readings(info.id)
            names = [c.probe.name for c in new.columns]
            assert sorted(names) == sorted(c.probe.name for c in old.columns)
            for i, column in enumerate(old.columns):
                j = names.index(column.probe.name)
                there = old.status[i] == Status.OK
                assert new.temperature_c[j][new.status[j] == Status.OK].tolist() == (
                    old.temperature_c[i][there].tolist()
                )


# --- on paper -----------------------------------------------------------------------------------------------


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page[^s]", pdf))


def printed(browser: Browser, html: Path) -> tuple[int, list[str]]:
    """Pages of its print, and what it requested from the network."""
    context = browser.new_context(offline=True)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(html.as_uri())
    pdf = page.pdf(prefer_css_page_size=True, print_background=True)
    context.close()
    return pages_of(pdf), [url for url in asked if not url.startswith("file:")]


def test_it_prints_on_two_pages_without_a_network(archive: Archive, browser: Browser, tmp_path: Path) -> None:
    with contextlib.closing(JournalReader(archive.path)) as reader:
        for firing in archive.ids:
            export_html(reader, firing, tmp_path / "report.html", shown("C", "UTC"))
            assert printed(browser, tmp_path / "report.html") == (2, [])


def test_a_busy_evening_prints_on_two_pages_too(browser: Browser, tmp_path: Path) -> None:
    """Twelve probes, every field filled, a hundred notes: the last of them are in the file, but not on paper."""
    with contextlib.closing(open_journal(tmp_path)) as writer:
        words = "Much was to be said of this, and it was said in a sentence of some length, twice."
        everything = {field.name: words for field in FIELDS}
        firing, made = invented_firing(writer, 7, probes=12, rate_hz=0.2, judged=True, described=everything)
        for n in range(100):
            text = f"Note {n + 1}: the windward side glows and the top is dark still; more wood there"
            at = START_US + round((made.truth["lit_s"] + 20 * n) * 1e6)
            writer.add_event(firing, at, "note", {"kind": "text", "text": text, "amount": ""}, "page")
    with contextlib.closing(JournalReader(tmp_path / "journal.sqlite")) as reader:
        export_html(reader, firing, tmp_path / "report.html", shown("C", "UTC"))
    text = (tmp_path / "report.html").read_text()
    assert "Note 100:" in text
    assert re.search(r"There was no room on paper for \d+ more; they are in the file\.", text)
    assert printed(browser, tmp_path / "report.html") == (2, [])


@pytest.mark.parametrize("size", [(1180, 820), (390, 844)])
def test_it_fits_the_glass_and_axe_finds_nothing(
    archive: Archive, tablet: Page, size: tuple[int, int]
) -> None:
    tablet.set_viewport_size({"width": size[0], "height": size[1]})
    archive.open(tablet)
    assert tablet.evaluate("document.documentElement.scrollWidth") <= size[0]
    low = tablet.evaluate(
        """() => [...document.querySelectorAll('#report :is(a, button, input, textarea)')] .filter((e) =>
        e.offsetParent && e.getBoundingClientRect().height < 43.5).map((e) => e.id || e.textContent)"""
    )
    assert low == []
    assert findings(tablet) == []


def test_the_saved_file_fits_a_phone(archive: Archive, browser: Browser, tmp_path: Path) -> None:
    with contextlib.closing(JournalReader(archive.path)) as reader:
        export_html(reader, archive.ids[0], tmp_path / "report.html", shown("C", "UTC"))
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto((tmp_path / "report.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    small = page.evaluate(
        """() => [...document.querySelectorAll('body *')].filter((e) => e.offsetParent && e.textContent.trim()
            && parseFloat(getComputedStyle(e).fontSize) < 16).map((e) => e.tagName)"""
    )
    context.close()
    assert small == []
