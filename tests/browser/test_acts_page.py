"""What people do at the fire, with the real rig, logger, page and browser: notes, readings, alarms, the end."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page
from tablets import drawn, shown, state, until

from dashboard.security.operators import Operators
from dashboard.serving import own_addresses
from logger.journal.reader import JournalReader
from tests.processes import RIG, STOKEWATCH, free_port, process, stays

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

LOAD = ["--beat-load", "--channels", "3", "--rate-hz", "1", "--first-seq", "1"]  # the page draws at each


def events(home: Path, *kinds: str, after: int = 0) -> list[Any]:
    """The journal's events of these kinds after the event with this number."""
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        found = reader.events(reader.firing("last").id)
    return [e for e in found if e.id > after and (e.kind in kinds or not kinds)]


class Burning:
    """`stokewatch run` with a rig that sends, and its page."""

    def __init__(self, home: Path, port: int) -> None:
        self.home, self.port = home, port
        self.url = f"http://127.0.0.1:{port}"
        self.before = 0

    def running(self) -> bool:
        if not (self.home / "journal.sqlite").exists():
            return False
        with contextlib.closing(JournalReader(self.home / "journal.sqlite")) as reader:
            return reader.running() is not None

    def events(self, *kinds: str) -> list[Any]:
        """What has happened since the test began."""
        return events(self.home, *kinds, after=self.before)

    def open(self, page: Page) -> Page:
        def there() -> bool:
            try:
                page.goto(self.url)
            except Exception:  # the page's process is still starting
                return False
            return True

        until(there, "the page", 60, 0.5)
        return shown(page, self.url)


class Fires:
    """One fire for several tests in turn; lit again if a test has ended it."""

    def __init__(self, made: pytest.TempPathFactory) -> None:
        self._made = made
        self._processes = contextlib.ExitStack()
        self._now: Burning | None = None

    def lit(self) -> Burning:
        if self._now is None or not self._now.running():
            self.out()
            folder, port = self._made.mktemp("fire"), free_port()
            link, now = folder / "rig", Burning(folder / "home", port)
            run = [*STOKEWATCH, "run", "--serial", str(link), "--port", str(port), "--no-browser"]
            self._processes.enter_context(process(run, now.home))
            self._processes.enter_context(process([*RIG, "--pty", str(link), *LOAD]))
            until(now.running, "the fire", 60)
            self._now = now
        self._now.before = max((e.id for e in events(self._now.home)), default=0)
        return self._now

    def out(self) -> None:
        self._processes.close()


@pytest.fixture(scope="module")
def fires(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fires]:
    made = Fires(tmp_path_factory)
    yield made
    made.out()


@pytest.fixture
def burning(fires: Fires) -> Burning:
    return fires.lit()


def dialog(page: Page) -> Locator:
    return page.get_by_role("dialog")


def new_note(page: Page, place: str = "") -> Locator:
    page.get_by_role("button", name="Note …").click()
    if place:
        dialog(page).get_by_role("textbox", name="Where").click()
        page.get_by_role("option", name=place, exact=True).click()
    return dialog(page)


def log_of(page: Page) -> Locator:
    page.locator("#fire-side label", has_text="Log").click()
    return page.locator("#events")


def test_a_note_with_one_tap_is_seen_on_the_other_tablet_taken_back_and_put_right(
    burning: Burning, tablet: Page, browser: Browser
) -> None:
    burning.open(tablet)
    phone = burning.open(browser.new_context(viewport={"width": 390, "height": 844}).new_page())
    told = log_of(phone)
    new_note(tablet, "k1").get_by_role("button", name="An armful").click()
    told.get_by_text("Wood (an armful): k1").wait_for(timeout=20_000)
    [note] = burning.events("note")
    assert note.data == {"kind": "wood", "text": "", "amount": "an armful", "zone": "k1"}
    tablet.wait_for_selector("#since-wood >> text=0 min since wood (an armful)")
    tablet.click("#fire-done >> text=Undo")
    until(lambda: not burning.events("note"), "the note is taken back")
    until(lambda: "Wood" not in told.inner_text(), "the phone forgets it", 20)
    until(lambda: "Taken back" in tablet.inner_text("#fire-done"), "the tablet says so")
    # In free words, about something a while ago; they stay words.
    said = new_note(tablet)
    said.get_by_role("button", name="Save the note").click()
    until(lambda: "word or two" in tablet.inner_text("#note-wrong"), "an empty note is none")
    said.get_by_label("In your own words").fill("<img src=x onerror=alert(1)> top jar leans")
    said.get_by_role("button", name="Save the note").click()
    told.get_by_text("top jar leans").wait_for(timeout=20_000)
    assert phone.locator("#events img").count() == 0
    [before] = burning.events("note")
    # Corrected later, on the other tablet.
    told.get_by_role("button", name="Edit: <img").click()
    dialog(phone).get_by_label("In your own words").fill("the top jar leans to windward")
    dialog(phone).get_by_role("button", name="Save").click()
    log_of(tablet).get_by_text("the top jar leans to windward").wait_for(timeout=20_000)
    [after] = burning.events("note")
    assert (after.data["text"], after.t_us) == ("the top jar leans to windward", before.t_us)
    assert len(burning.events("retracted")) == 2
    phone.context.close()


def test_taps_in_a_row_are_one_note(burning: Burning, tablet: Page) -> None:
    burning.open(tablet)
    for word in ("An armful", "Save the note"):
        said = new_note(tablet, "k1")
        said.get_by_label("In your own words").fill("the top jar leans")
        box = said.get_by_role("button", name=word).bounding_box()
        assert box is not None
        for _ in range(3):
            tablet.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
            tablet.wait_for_timeout(90)
        said.wait_for(state="hidden")
    until(lambda: len(burning.events("note")) >= 2, "both are noted")
    assert [note.data["kind"] for note in burning.events("note")] == ["wood", "text"]


def keep_reading(tablet: Page, said: Locator, number: str) -> None:
    """Enter it, and again when the page asks: it is far from what the probes there have just read."""
    said.get_by_label("Gun reading").fill(number)
    button = said.locator("#spot-keep")
    button.click()
    # The dialog may close at any moment: nothing here waits for its contents.
    wrong = said.locator("#spot-wrong")
    until(lambda: not button.is_visible() or any(wrong.all_inner_texts()), "kept, or asked about")
    for question in wrong.all_inner_texts():
        if question:
            assert "Is that the right zone" in question
            button.click()
    said.wait_for(state="hidden")


def test_a_gun_reading_is_a_mark_and_is_kept_in_celsius(burning: Burning, tablet: Page) -> None:
    burning.open(tablet)
    said = new_note(tablet)
    said.get_by_label("Gun reading").fill("642")
    said.locator("#spot-keep").click()
    until(lambda: "Choose where" in tablet.inner_text("#spot-wrong"), "it asks where")
    tablet.keyboard.press("Escape")
    said.wait_for(state="hidden")
    said = new_note(tablet, "k1")
    said.get_by_label("Emissivity setting").fill("0.9")
    keep_reading(tablet, said, "642")
    [spot] = until(lambda: burning.events("spot"), "the gun reading is kept")
    assert (spot.data["zone"], spot.data["temperature_c"], spot.data["emissivity"]) == ("k1", 642.0, 0.9)
    until(lambda: any(t["meta"].get("marks") == "spot" for t in drawn(tablet)), "its mark", 30)
    tablet.click("#unit-choice label >> text=°F")
    until(lambda: "°" in tablet.inner_text("#values"), "the page is there again", 30)
    said = new_note(tablet, "k1")
    said.get_by_label("Gun reading, °F").wait_for()
    assert said.get_by_label("Emissivity setting").input_value() == "0.9", "the gun is set as before"
    keep_reading(tablet, said, "1202")  # 650 °C
    until(lambda: len(burning.events("spot")) == 2, "the second one is kept")
    assert burning.events("spot")[1].data["temperature_c"] == pytest.approx(650.0)


def tab_to(page: Page, text: str, most: int = 80) -> None:
    reached: list[str] = []
    for _ in range(most):
        page.keyboard.press("Tab")
        said = (
            "(document.activeElement.getAttribute('aria-label') || document.activeElement.textContent).trim()"
        )
        reached.append(str(page.evaluate(said)))
        if reached[-1] == text:
            return
    pytest.fail(f"{text!r} is not reached: {reached}")


def test_by_keyboard_alone_from_a_note_to_the_end(burning: Burning, tablet: Page) -> None:
    burning.open(tablet)
    tab_to(tablet, "Note …")
    focus = "(() => { const c = getComputedStyle(document.activeElement); return [c.outlineStyle, c.outlineWidth]; })()"
    assert tablet.evaluate(focus) == ["solid", "3px"]
    tablet.keyboard.press("Enter")
    dialog(tablet).wait_for()
    tab_to(tablet, "Rain")
    tablet.keyboard.press("Enter")
    until(lambda: [e.data["kind"] for e in burning.events("note")] == ["rain"], "it is noted")
    dialog(tablet).wait_for(state="hidden")
    tablet.locator("#fire-side input:checked").focus()
    tablet.keyboard.press("ArrowRight")
    tablet.keyboard.press("ArrowRight")
    tablet.wait_for_selector("#end-open:visible")
    tab_to(tablet, "End the firing …")
    tablet.keyboard.press("Enter")
    dialog(tablet).get_by_role("button", name="Keep recording").wait_for()
    tab_to(tablet, "End the firing")
    tablet.keyboard.press("Enter")
    until(lambda: state(tablet) == "ended", "the firing has ended", 30)
    # What came of it, and where to go from here.
    until(lambda: tablet.locator("#ended-summary li").count() >= 1, "its zones in short", 60)
    assert "target" in tablet.inner_text("#ended-summary")
    roles = [link.inner_text() for link in tablet.locator("#ended-summary a").all()]
    assert roles == ["Report", "Replay", "Prepare the next firing"]
    assert tablet.locator("#stale").is_hidden(), "an ended firing is no silence"


def test_an_alarm_sounds_until_it_is_acknowledged_and_can_be_silenced(tmp_path: Path, tablet: Page) -> None:
    link, home, port = tmp_path / "rig", tmp_path / "home", free_port()
    run = [*STOKEWATCH, "run", "--serial", str(link), "--port", str(port), "--no-browser"]
    burning = Burning(home, port)
    played = "window.stokewatch.sound.played"
    with process(run, home):
        with process([*RIG, "--pty", str(link), *LOAD]):
            burning.open(tablet)
            sound = tablet.locator("#sound")
            until(lambda: sound.inner_text() == "Sound is off: tap", "sound is asked for", 30)
            assert sound.get_attribute("data-wanted") == "true"
            sound.click()
            until(lambda: sound.inner_text() == "Sound on", "the sound is armed")
            assert sound.get_attribute("data-wanted") == "false"
            first = tablet.evaluate(played)
            assert first == 1, "arming it lets it be heard"
        # The rig is gone: the judgement's alarm comes after 10 s, the page's own before that.
        alarm = tablet.locator("#alarms .alarm", has_text="rig")
        alarm.first.wait_for(timeout=60_000)
        until(lambda: tablet.title().startswith("ALARM: "), "the tab says so")
        until(lambda: tablet.evaluate(played) > first + 1, "it sounds again and again", 30)
        tablet.locator("#stale").get_by_role("button", name="Quiet").click()
        seen = tablet.locator("#alarms").get_by_role("button", name="Acknowledge")
        first_one = tablet.locator("#alarms .alarm b").first  # the others are folded behind it
        while seen.count():
            which = first_one.inner_text()
            seen.first.click()
            until(lambda which=which: not seen.count() or first_one.inner_text() != which, f"{which} is seen")
        until(lambda: not tablet.title().startswith("ALARM"), "the tab says so no more", 20)
        silent = tablet.evaluate(played)
        stays(lambda: tablet.evaluate(played) == silent, "nobody needs to hear it any more", 5)
        tablet.locator("#alarms").get_by_role("button", name="Silence 10 min").first.click()
        resume = tablet.locator("#silenced").get_by_role("button", name="Resume")
        resume.wait_for(timeout=20_000)
        assert tablet.locator("#silenced").inner_text().startswith("Silenced until ")
        resume.click()
        tablet.locator("#alarms").get_by_role("button", name="Acknowledge").wait_for(timeout=20_000)
        log_of(tablet)
        tablet.click("#side-log summary")
        turns = "() => [...document.querySelectorAll('#past-alarms li span')].map((e) => e.textContent)"
        wanted = ["No longer silenced", "Silenced", "Acknowledged", "Raised"]

        def said() -> list[str]:
            rig = [turn for turn in tablet.evaluate(turns) if "rig" in turn]
            return [turn.split(" by ")[0].split(":")[0] for turn in rig]

        until(lambda: said() == wanted, f"each turn of it: {said()}", 20)


def test_a_watcher_is_asked_for_the_pin_and_then_acts(tmp_path: Path, tablet: Page) -> None:
    link, home, port = tmp_path / "rig", tmp_path / "home", free_port()
    home.mkdir()
    Operators(home).set_pin("274913")
    run = [*STOKEWATCH, "run", "--serial", str(link), "--port", str(port), "--no-browser", "--lan"]
    burning = Burning(home, port)
    others = own_addresses()
    if others:
        burning.url = f"http://{others[0]}:{port}"  # as another tablet on the network would
    with process(run, home), process([*RIG, "--pty", str(link), *LOAD]):
        burning.open(tablet)
        if others:
            until(lambda: "Without https" in tablet.inner_text("#awake"), "why the screen may go dark")
        operator = tablet.locator("#operator")
        until(lambda: operator.is_visible() and "Watching" in operator.inner_text(), "it says: watching")
        tablet.get_by_role("button", name="Note …").click()
        pin = dialog(tablet).get_by_role("textbox", name="PIN")
        pin.wait_for()
        pin.fill("111222")
        dialog(tablet).get_by_role("button", name="Enter").click()
        until(lambda: "not the PIN" in tablet.inner_text("#pin-wrong"), "a wrong PIN is said")
        assert not events(home, "note")
        pin.fill("274913")
        dialog(tablet).get_by_label("Your name").fill("Ama")
        dialog(tablet).get_by_role("button", name="Enter").click()
        until(lambda: operator.inner_text().startswith("Operator Ama"), "it knows who acts")
        new_note(tablet).get_by_role("button", name="A gust").click()
        [note] = until(lambda: events(home, "note"), "what was asked for is done")
        assert (note.data["kind"], note.who) == ("gust", "Ama")
        log_of(tablet).get_by_text("Gust (Ama)").wait_for(timeout=20_000)
        operator.click()
        until(lambda: "Watching" in operator.inner_text(), "watching again")
