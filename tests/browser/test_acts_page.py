"""What people do on the live page, in a real browser with the real rig, logger and page: notes, spots, alarms."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page
from tablets import wait_until

from dashboard.network import own_addresses
from dashboard.operators import Operators
from logger.journal.reader import JournalReader
from tests.processes import RIG, STOKEWATCH, free_port, process

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

LOAD = ["--beat-load", "--channels", "3", "--rate-hz", "5", "--first-seq", "1"]


def events(home: Path, *kinds: str) -> list[Any]:
    reader = JournalReader(home / "journal.sqlite")
    try:
        return [e for e in reader.events(reader.firing("last").id) if e.kind in kinds]
    finally:
        reader.close()


class Burning:
    """`stokewatch run` with a rig that sends, and its page."""

    def __init__(self, home: Path, port: int) -> None:
        self.home, self.port = home, port
        self.url = f"http://127.0.0.1:{port}"

    def open(self, page: Page) -> Page:
        def there() -> bool:
            try:
                page.goto(self.url)
            except Exception:  # the page's process is still starting
                return False
            return True

        wait_until(there, "the page", 40, 0.5)
        page.wait_for_selector("#values li", timeout=30_000)
        page.wait_for_selector("#acts:visible", timeout=15_000)
        return page


@pytest.fixture
def burning(tmp_path: Path) -> Iterator[Burning]:
    link, home, port = tmp_path / "rig", tmp_path / "home", free_port()
    run = [*STOKEWATCH, "run", "--serial", str(link), "--port", str(port), "--no-browser"]
    with process(run, home), process([*RIG, "--pty", str(link), *LOAD]):
        yield Burning(home, port)


def second(browser: Browser, burning: Burning) -> Page:
    return burning.open(browser.new_context(viewport={"width": 390, "height": 844}).new_page())


def test_a_note_with_one_tap_is_seen_on_the_other_tablet_and_taken_back(
    burning: Burning, tablet: Page, browser: Browser
) -> None:
    burning.open(tablet)
    phone = second(browser, burning)
    tablet.click("text=Armful")
    phone.wait_for_selector("#events >> text=Wood added, an armful", timeout=10_000)
    [note] = events(burning.home, "note")
    assert note.data == {"kind": "wood", "text": "", "amount": "an armful"}
    tablet.click("#done >> text=Undo")
    wait_until(lambda: not events(burning.home, "note"), "the note is taken back")
    wait_until(lambda: not phone.locator("#events >> text=Wood added").count(), "the phone forgets it")
    wait_until(lambda: "Taken back" in tablet.inner_text("#done"), "the tablet says so")
    phone.context.close()


def test_free_words_stay_words(burning: Burning, tablet: Page) -> None:
    burning.open(tablet)
    tablet.click("#write")
    tablet.click("dialog >> text=Done")
    assert "word or two" in tablet.inner_text("dialog .wrong")
    tablet.fill("dialog textarea", "<img src=x onerror=alert(1)> top jar leans")
    tablet.click("dialog >> text=Done")
    tablet.wait_for_selector("#events >> text=top jar leans")
    assert tablet.locator("#events img").count() == 0


def finish_spot(tablet: Page) -> None:
    """Tap Done, and once more where it is asked about: far from what the probes there read just now."""
    tablet.click("dialog >> text=Done")
    again = tablet.locator("dialog button:text-is('Keep it')")
    wait_until(
        lambda: again.is_visible() or not tablet.locator("dialog").count(), "it is kept or asked about"
    )
    if again.is_visible():
        assert "Is it the right zone" in tablet.inner_text("dialog .wrong")
        again.click()


def test_a_spot_reading_in_three_taps_is_a_point_among_the_traces(burning: Burning, tablet: Page) -> None:
    burning.open(tablet)
    tablet.wait_for_selector("#traces canvas")
    tablet.click("#spot")
    assert tablet.is_disabled("dialog >> text=Done")
    said = tablet.locator("dialog [role=status]").first
    assert said.inner_text() == "Tap the zone you aimed at."
    tablet.locator("dialog .places button").first.click()
    assert said.inner_text() == "Tap in what the gun shows."
    place = tablet.locator("dialog .places button").first.inner_text()
    for key in ("6", "4", "3", "⌫", "2"):
        tablet.locator("dialog .pad button", has_text=key).click()
    assert tablet.inner_text("dialog .number") == "642 °C"
    tablet.fill("dialog input[type=number]", "0.9")
    finish_spot(tablet)
    [spot] = wait_until(lambda: events(burning.home, "spot"), "the spot reading is kept")
    assert (spot.data["zone"], spot.data["temperature_c"], spot.data["emissivity"]) == (place, 642.0, 0.9)
    drawn = "window.Stokewatch.drawnTraces().points[0]?.y"
    wait_until(lambda: tablet.evaluate(drawn) == 642, "its point is drawn")
    tablet.click("#spot")
    assert tablet.input_value("dialog input[type=number]") == "0.9", "the gun is set as before"
    tablet.keyboard.press("Escape")
    tablet.wait_for_selector("dialog", state="detached")
    tablet.click("[data-choice=unit][data-value=F]")
    tablet.click("#spot")
    tablet.locator("dialog .places button").first.click()
    for key in "1202":
        tablet.keyboard.press(key)  # 650 °C
    finish_spot(tablet)
    wait_until(lambda: len(events(burning.home, "spot")) == 2, "the second one is kept")
    assert events(burning.home, "spot")[1].data["temperature_c"] == pytest.approx(650.0)


def test_by_keyboard_alone(burning: Burning, tablet: Page) -> None:
    burning.open(tablet)
    reached: list[str] = []
    for _ in range(40):
        tablet.keyboard.press("Tab")
        reached.append(str(tablet.evaluate("document.activeElement.textContent")))
        if reached[-1] == "Rain":
            break
    assert reached[-1] == "Rain", reached
    tablet.keyboard.press("Enter")
    wait_until(lambda: [e.data["kind"] for e in events(burning.home, "note")] == ["rain"], "it is noted")


def test_an_alarm_sounds_until_it_is_acknowledged_and_goes_on_the_shelf(tmp_path: Path, tablet: Page) -> None:
    link, home, port = tmp_path / "rig", tmp_path / "home", free_port()
    run = [*STOKEWATCH, "run", "--serial", str(link), "--port", str(port), "--no-browser"]
    burning = Burning(home, port)
    with process(run, home):
        with process([*RIG, "--pty", str(link), *LOAD]):
            burning.open(tablet)
            tablet.click("#sound")
            wait_until(lambda: tablet.inner_text("#sound") == "Sound on", "the sound is armed")
            first = tablet.evaluate("Stokewatch.sound.played")
            assert first == 1, "arming it lets it be heard"
        # The rig is gone: an alarm of the judgement after 10 s, and before that the page's own.
        tablet.wait_for_selector("#alarms >> text=Nothing from", timeout=40_000)
        wait_until(
            lambda: tablet.evaluate("Stokewatch.sound.played") > first + 1, "it sounds again and again", 20
        )
        tablet.click("#stale >> text=Quiet")
        seen = tablet.locator("#alarms >> text=Acknowledge")
        while seen.count():
            before = seen.count()
            seen.first.click()
            wait_until(lambda before=before: seen.count() < before, "it is acknowledged")
        silent = tablet.evaluate("Stokewatch.sound.played")
        time.sleep(5)
        assert tablet.evaluate("Stokewatch.sound.played") == silent, "nobody needs to hear it any more"
        alarm = tablet.locator("#alarms .alarm", has_text="Nothing from")
        alarm.locator("text=Shelve 10 min").click()
        tablet.wait_for_selector("#shelf >> text=Take it off", timeout=10_000)
        assert alarm.count() == 0
        tablet.click("#shelf >> text=Take it off")
        alarm.locator("text=Acknowledge").wait_for(timeout=10_000)
        tablet.click("#history summary")
        turns = tablet.locator("#past-alarms li").all_inner_texts()
    said = [
        re.sub(r"^\d+ min\s*", "", turn).split(":")[0]
        for turn in turns
        if "Nothing comes from the rig" in turn
    ]
    assert said == ["Unshelved", "Shelved", "Acknowledged", "Raised"]


def test_a_watcher_is_asked_for_the_pin_and_then_acts(tmp_path: Path, tablet: Page) -> None:
    link, home, port = tmp_path / "rig", tmp_path / "home", free_port()
    home.mkdir()
    Operators(home).set_pin("274913")
    run = [*STOKEWATCH, "run", "--serial", str(link), "--port", str(port), "--no-browser", "--lan"]
    burning = Burning(home, port)
    others = own_addresses()
    if others:
        burning.url = f"http://{others[0]}:{port}"  # as another tablet in the network would
    with process(run, home), process([*RIG, "--pty", str(link), *LOAD]):
        burning.open(tablet)
        if others:
            assert "Without https" in tablet.inner_text("#awake"), "it says why the screen may go dark"
        assert "Watching" in tablet.inner_text("#operator")
        tablet.click("text=Gust")
        tablet.fill("dialog input[type=password]", "111222")
        tablet.click("dialog >> text=Done")
        wait_until(lambda: "not the PIN" in tablet.inner_text("dialog .wrong"), "a wrong PIN is said")
        assert not events(home, "note")
        tablet.fill("dialog input[type=password]", "274913")
        tablet.fill("dialog input[type=text]", "Ama")
        tablet.click("dialog >> text=Done")
        [note] = wait_until(lambda: events(home, "note"), "what was asked for is done")
        assert (note.data["kind"], note.who) == ("gust", "Ama")
        tablet.wait_for_selector("#events >> text=Gust (Ama)")
        assert tablet.inner_text("#operator").startswith("Operator Ama")


def test_sentences_in_fahrenheit(burning: Burning, tablet: Page) -> None:
    burning.open(tablet)
    tablet.click("[data-choice=unit][data-value=F]")
    for said, wanted in (
        ("lower is at 642 °C and rises by 10 °C/min", "lower is at 1188 °F and rises by 18 °F/min"),
        ("100 °C below its target; not yet above burn-out (650 °C)", "180 °F below its target; not yet above burn-out (1202 °F)"),
        ("upper has lost 55 °C more than was to be expected", "upper has lost 99 °F more than was to be expected"),
        ("Spread 200 °C.", "Spread 360 °F."),
        ("upper is 50 °C hotter than lower", "upper is 90 °F hotter than lower"),
        ("stands still at 700 °C, 80 °C short", "stands still at 1292 °F, 144 °F short"),
        ("cooled to 100 °C in 2 h", "cooled to 212 °F in 2 h"),
    ):  # fmt: skip
        assert tablet.evaluate("(said) => Stokewatch.inUnit(said)", said) == wanted
