"""The Prepare page in a real browser: a cold rig at a pseudo-terminal, a real logger, an earlier firing."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import re
import threading
import tty
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, TimeoutError, expect
from tablets import PageServer, findings, until

from dashboard.acts import ask
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import Clay, load
from logger.plan.library import list_plans
from logger.simulator import simulate
from tests.invented_firings import batch_of
from tests.processes import RIG, STOKEWATCH, process

pytestmark = [pytest.mark.real, pytest.mark.timeout(240)]

HAND_S = 14


def earlier_firing(home: Path) -> None:
    made = simulate(7, rate_hz=0.5, probes=4)
    writer = JournalWriter(home / "journal.sqlite")
    try:
        firing = writer.open_firing(
            "Earlier, invented", made.plan.dumps(), 10**15, ended_us=10**15 + 10**10, invented=True
        )
        writer.append(
            firing.id,
            batch_of(made, 10**15),
        )
    finally:
        writer.close()


@pytest.fixture
def rig_and_logger(home: Path, tmp_path: Path) -> Iterator[Path]:
    """A cold rig whose k3 reads 14 °C too high; its tips are held in a hand, one after another."""
    earlier_firing(home)
    link = tmp_path / "rig"
    rig = [*RIG, "--pty", str(link), "--cold", "--rate-hz", "5", "--hand-s", str(HAND_S), "--off", "k3=14"]
    log = [*STOKEWATCH, "log", "--serial", str(link)]
    with process(rig), process(log, home):
        yield home


TABS = {"plan": 0, "probes": 1, "alarms": 2, "pack": 3, "check": 4, "arm": 5}
UNTIL = 90_000
"""With ten other programs busy, a page takes half a minute to show for the first time. [ms]"""


def enter(tablet: Page, server: PageServer, step: str) -> None:
    tablet.goto(f"{server.url}/prepare?step={step}")
    tablet.wait_for_selector("#prepare-plan-form input", state="attached", timeout=UNTIL)


def go(tablet: Page, step: str) -> None:
    tablet.locator("#prepare [role=tab]").nth(TABS[step]).click()


def plan(tablet: Page) -> Any:
    """The draft, as the browser keeps it."""
    return json.loads(tablet.evaluate("localStorage.getItem('prepare-plan')"))["doc"]


def by_channel(tablet: Page) -> dict[str, Any]:
    return {p.get("channel") or p["name"]: p for p in plan(tablet)["probe"]}


def field(tablet: Page, label: str) -> Locator:
    return tablet.get_by_label(label, exact=True).locator("visible=true").first


def row(tablet: Page, text: str) -> Locator:
    return tablet.locator("#prepare-probes button", has_text=text)


def drag(tablet: Page, number: str, height_cm: float, share: float) -> None:
    """Drag a probe's number to a height on the drawn ruler, and across by a share of the drawing."""
    graph = tablet.locator("#prepare-stack .js-plotly-plot")
    graph.scroll_into_view_if_needed()
    badge = tablet.locator(
        "#prepare-stack .annotation-text", has_text=re.compile(f"^{number}$")
    ).bounding_box()
    box = graph.locator(".nsewdrag").bounding_box()
    low, high = graph.evaluate("(gd) => gd.layout.yaxis.range")
    assert badge
    assert box
    tablet.mouse.move(badge["x"] + badge["width"] / 2, badge["y"] + badge["height"] / 2)
    tablet.mouse.down()
    y = box["y"] + box["height"] * (high - height_cm) / (high - low)
    tablet.mouse.move(box["x"] + box["width"] * share, y, steps=8)
    tablet.mouse.up()


@pytest.mark.timeout(900)  # a whole evening's preparing
def test_from_a_rig_that_streams_to_an_armed_firing(
    tablet: Page, page_server: PageServer, rig_and_logger: Path
) -> None:
    complaints: list[str] = []
    tablet.on("pageerror", lambda error: complaints.append(str(error)))
    page_server.start()

    # The one that rises is in the hand: it gets named.
    enter(tablet, page_server, "probes")
    more, rows = tablet.locator("#prepare-more"), tablet.locator("#prepare-probes button")

    def put_all_in() -> bool:
        # A draft begun while the rig is sending already has its channels, and the button goes.
        if rows.count() != 8 and more.is_visible():
            with contextlib.suppress(TimeoutError):
                more.click(timeout=1000)
        return rows.count() == 8

    until(put_all_in, "all channels are in the plan", UNTIL / 1000, 0.3)
    hand = tablet.locator("#prepare-hand[data-way=rising]")
    expect(hand).to_contain_text(" has risen by", timeout=6 * HAND_S * 1000)
    hand.locator("button", has_text="Name it").click()
    name = field(tablet, "Name")
    expect(name).to_be_visible(timeout=UNTIL)
    name.fill("in the hand")
    expect(row(tablet, "in the hand")).to_have_count(1, timeout=UNTIL)
    [in_hand] = [c for c, p in by_channel(tablet).items() if p["name"] == "in the hand"]
    tablet.get_by_role("button", name="Done", exact=True).click()
    expect(tablet.locator("#prepare-editor input")).to_have_count(0, timeout=UNTIL)

    # Places, by numbers and by finger: drawing and fields agree.
    named_or_not = re.compile(r"^\d+k3|k3 ·")
    tablet.locator("#prepare-probes button").filter(has_text=named_or_not).click()
    expect(field(tablet, "Name")).to_have_value(re.compile("^(k3|in the hand)$"), timeout=UNTIL)
    height = field(tablet, "Height above the coals, cm")
    height.fill("12,5")
    until(lambda: by_channel(tablet)["k3"].get("height_cm") == 12.5, "a comma is read", 60)
    height.fill("high")
    said = tablet.get_by_text("“high” is not a number; give one from -200 to 1000 cm")
    expect(said.first).to_be_visible(timeout=UNTIL)
    expect(height).to_have_attribute("aria-invalid", "true")
    height.fill("27")
    expect(said).to_have_count(0, timeout=UNTIL)
    tablet.locator("#prepare-higher").focus()
    tablet.keyboard.press("Enter")  # with the keyboard alone
    until(lambda: by_channel(tablet)["k3"]["height_cm"] == 28, "a step up", 60)
    expect(field(tablet, "Height above the coals, cm")).to_have_value("28", timeout=UNTIL)
    drag(tablet, "1", 40, 0.15)
    until(lambda: by_channel(tablet)["k3"].get("side") == "windward", "dragged to windward", 60)
    assert by_channel(tablet)["k3"]["height_cm"] == pytest.approx(40, abs=3)
    placed = by_channel(tablet)["k3"]

    # An impossible threshold is refused beside its field, and blocks arming.
    go(tablet, "alarms")
    tablet.locator(".prepare-rule summary", has_text="Coals have fallen away").click()
    drop = tablet.locator(".prepare-rule", has_text="Coals have fallen away").get_by_label("must fall")
    drop.fill("5")
    text = "5 is out of range; give a number from 20 to 300 °C"
    expect(tablet.locator("#prepare-alarm-form").get_by_text(text)).to_be_visible(timeout=UNTIL)
    go(tablet, "arm")
    expect(tablet.locator("#prepare-reasons")).to_contain_text("5 is out of range", timeout=UNTIL)
    expect(tablet.locator("#prepare-reasons")).to_contain_text("Coals have fallen away")
    expect(tablet.locator("#prepare-arm")).to_be_disabled()
    tablet.locator("#prepare-reasons button").first.click()
    drop.fill("60")
    expect(tablet.locator("#prepare-alarm-form").get_by_text(text)).to_have_count(0, timeout=UNTIL)

    # Rehearsed on an earlier firing; changed, and the result seen at once.
    tablet.locator("#prepare-on-firing").click()
    tablet.locator("[role=option]", has_text="Earlier, invented").locator("visible=true").click()
    expect(tablet.locator("#prepare-said")).to_contain_text("over 1 h", timeout=60_000)
    hot = tablet.locator(".prepare-rule", has_text="Too hot")
    hot.locator("summary").click()
    hot.locator("input[inputmode=decimal]").first.fill("300")
    expect(tablet.locator("#prepare-said")).to_contain_text("before this change", timeout=60_000)
    expect(tablet.locator("#prepare-calls")).to_contain_text("Too hot")
    assert tablet.locator("#prepare-rehearsal .scatterlayer .trace").count() > 4
    hot.locator("input[inputmode=decimal]").first.fill("900")

    # The cold check finds the probe that is off; it can still be armed, knowingly.
    go(tablet, "check")
    expect(tablet.locator("#prepare-verdict")).to_have_text("Not fit yet.", timeout=UNTIL)
    expect(tablet.locator("#prepare-found .fail")).to_contain_text("above the others")
    go(tablet, "arm")
    expect(tablet.locator("#prepare-reasons")).to_contain_text("above the others", timeout=UNTIL)
    expect(tablet.locator("#prepare-arm-limits")).to_contain_text("No probe is on a pot's wall")
    expect(tablet.locator("#prepare-arm")).to_be_disabled()
    tablet.locator("#prepare-anyway").check()
    expect(tablet.locator("#prepare-arm")).to_be_enabled(timeout=UNTIL)
    tablet.locator("#prepare-arm").click()
    until(lambda: tablet.evaluate("location.pathname") == "/", "the fire's page", 60)
    with contextlib.closing(JournalReader(rig_and_logger / "journal.sqlite")) as reader:
        # It begins with its first reading.
        firing = until(reader.running, "the armed firing runs", 30)
        before = reader.firings()[1]
    armed = {p.channel: p for p in firing.plan.probes}
    assert armed[in_hand].name == "in the hand"
    assert (armed["k3"].height_cm, armed["k3"].side) == (placed["height_cm"], "windward")
    assert firing.plan.alarms["over_temperature"]["limit_c"] == 900.0
    assert before.title.startswith("Setting up on ")

    # When that firing has ended the logger rests: preparing the next one wakes the rig.
    with ThreadPoolExecutor(1) as apart:  # the browser has this thread's loop
        apart.submit(asyncio.run, ask(rig_and_logger / "journal.sqlite", "finish", {}, "page")).result()
    enter(tablet, page_server, "probes")
    expect(tablet.locator("#prepare-rig-said")).to_contain_text("Nothing has been recorded", timeout=UNTIL)
    tablet.locator("#prepare-wake").click()
    expect(tablet.locator("#prepare-rig-said")).to_be_empty(timeout=UNTIL)
    tablet.locator("#prepare-more").click(timeout=UNTIL)
    expect(tablet.locator("#prepare-probes .says")).to_have_count(8, timeout=UNTIL)
    expect(tablet.locator("#prepare-probes .says").first).to_contain_text("°", timeout=UNTIL)
    assert complaints == []


def test_plans_are_kept_and_files_come_and_go(
    tablet: Page, page_server: PageServer, home: Path, tmp_path: Path
) -> None:
    earlier_firing(home)
    page_server.start()
    enter(tablet, page_server, "plan")
    expect(tablet.locator("#prepare [role=tab]").first).to_contain_text("not saved", timeout=UNTIL)
    tablet.locator("#prepare-from").click()
    tablet.locator("[role=option]").locator("visible=true").first.click()
    tablet.click("text=Copy its plan")
    expect(tablet.locator("#prepare-plan-said")).to_contain_text("Copied", timeout=UNTIL)
    assert len(plan(tablet)["probe"]) == 4
    expect(field(tablet, "Title")).to_have_value(
        re.compile("^Copy of "), timeout=UNTIL
    )  # the form is made again
    field(tablet, "Title").fill("Two bowls, invented")
    field(tablet, "Burn-out, °C").fill("1200")
    above = tablet.get_by_text("1200 °C is above the target (780 °C); lower it")
    expect(above.first).to_be_visible(timeout=UNTIL)
    field(tablet, "Burn-out, °C").fill("640")
    expect(above).to_have_count(0, timeout=UNTIL)
    until(lambda: plan(tablet)["title"] == "Two bowls, invented", "the title", 60)
    tablet.click("text=Save this plan")
    expect(tablet.locator("#prepare-plan-said")).to_contain_text(
        "Saved as “two-bowls-invented”", timeout=UNTIL
    )
    assert (home / "plans" / "two-bowls-invented.toml").exists()
    field(tablet, "Title").fill("Two bowls again, invented")
    until(lambda: "again" in plan(tablet)["title"], "the title", 60)
    tablet.click("text=Save a copy under this title")
    expect(tablet.locator("#prepare-plan-said")).to_contain_text("“two-bowls-again-invented”", timeout=UNTIL)
    assert len(list((home / "plans").glob("*.toml"))) == 2
    tablet.get_by_label("Open two-bowls-invented", exact=True).click()
    expect(field(tablet, "Title")).to_have_value("Two bowls, invented", timeout=UNTIL)
    tablet.get_by_label("Remove two-bowls-again-invented", exact=True).click()
    tablet.get_by_label("Really remove two-bowls-again-invented").click()  # it asks once more
    expect(tablet.locator("#prepare-plans li")).to_have_count(1, timeout=UNTIL)
    with tablet.expect_download() as download:
        tablet.click("text=Download it")
    kept = tmp_path / "out.toml"
    download.value.save_as(kept)
    assert download.value.suggested_filename == "two-bowls-invented.toml"
    text = kept.read_text(encoding="utf-8")
    assert "burnout_c = 640" in text
    kept.write_text(text.replace("Two bowls", "Three bowls"), encoding="utf-8")
    choose(tablet, kept)
    expect(field(tablet, "Title")).to_have_value("Three bowls, invented", timeout=UNTIL)
    # The same file again, with nothing new in it: back to its values.
    field(tablet, "Title").fill("Four bowls, invented")
    until(lambda: plan(tablet)["title"] == "Four bowls, invented", "the draft", 60)
    choose(tablet, kept)
    expect(field(tablet, "Title")).to_have_value("Three bowls, invented", timeout=UNTIL)
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("target_c = 'hot'\n", encoding="utf-8")
    choose(tablet, wrong)
    expect(tablet.locator("#prepare-plan-said")).to_contain_text("line 1: target_c", timeout=UNTIL)
    tablet.reload()  # a draft survives that
    expect(field(tablet, "Title")).to_have_value("Three bowls, invented", timeout=UNTIL)
    # In °F the same plan, shown in other numbers.
    tablet.locator("#unit-choice").get_by_text("°F").click()
    expect(field(tablet, "Burn-out, °F")).to_have_value("1184", timeout=UNTIL)
    field(tablet, "Burn-out, °F").fill("1202")
    until(lambda: plan(tablet)["burnout_c"] == pytest.approx(650), "kept in °C", 60)


def choose(tablet: Page, path: Path) -> None:
    """Choose a plan file as a person does: the browser doesn't notice when the same file is chosen again."""
    with tablet.expect_file_chooser() as chooser:
        tablet.get_by_text("Choose a plan file (TOML)").click()
    chooser.value.set_files(path)


def test_how_thick_the_walls_are_is_saved(page_server: PageServer, tablet: Page, home: Path) -> None:
    page_server.start()
    enter(tablet, page_server, "plan")
    field(tablet, "Title").fill("Walls, invented")
    walls = field(tablet, "Walls of the pots, mm")
    walls.fill("0.6")
    said = tablet.get_by_text("0.6 is out of range; give a number from 2 to 50 mm")
    expect(said.first).to_be_visible(timeout=UNTIL)
    walls.fill("6,5")
    expect(said).to_have_count(0, timeout=UNTIL)
    tablet.click("text=Save this plan")
    [kept] = until(lambda: list_plans(home), "the plan is saved", 60)
    assert kept.plan is not None
    assert kept.plan.clay == Clay(6.5)
    # Emptied again, as if nothing had been said.
    walls = field(tablet, "Walls of the pots, mm")
    walls.fill("")
    until(lambda: "estimate" not in plan(tablet), "emptied", 60)
    tablet.click("text=Save as")
    until(lambda: load(home / "plans" / f"{kept.name}.toml").clay == Clay(), "saved again", 60)


def test_on_a_phone_the_packing_list_is_ones_own(tablet: Page, page_server: PageServer, home: Path) -> None:
    complaints: list[str] = []
    tablet.on("pageerror", lambda error: complaints.append(str(error)))
    page_server.start()
    tablet.set_viewport_size({"width": 390, "height": 844})
    enter(tablet, page_server, "pack")
    expect(tablet.locator(".cautions:visible")).to_contain_text("burn bans")
    kit = home / "packing_list.txt"
    tablet.get_by_label("Tongs", exact=True).check(timeout=UNTIL)
    until(lambda: kit.exists() and "[x] Tongs" in kit.read_text(), "ticked", 60)
    field(tablet, "Something else to take").fill("Sourdough for everybody")
    tablet.locator("#prepare-kit-add").click()
    expect(tablet.locator("#prepare-kit-list li").last).to_contain_text("Sourdough", timeout=UNTIL)
    tablet.get_by_label("Remove from the list: Rake with a long handle").click()
    expect(tablet.locator("#prepare-kit-list li", has_text="Rake")).to_have_count(0, timeout=UNTIL)
    text = kit.read_text(encoding="utf-8")
    assert "[x] Tongs" in text
    assert "Rake" not in text
    for step in TABS:
        go(tablet, step)
        tablet.wait_for_selector("#prepare [role=tabpanel]:visible")
        assert tablet.evaluate("document.documentElement.scrollWidth") <= 390, step
        if step == "probes":  # what is drawn out of sight briefly has plotly's own width
            tablet.evaluate("document.querySelector('#prepare-stack .js-plotly-plot').style.width = '700px'")
            assert tablet.evaluate("document.documentElement.scrollWidth") <= 390
    expect(tablet.locator("#prepare-reasons")).to_contain_text("The logger isn't running", timeout=UNTIL)
    expect(tablet.locator("#prepare-arm")).to_be_disabled()
    assert complaints == []  # without an earlier firing too


def test_a_page_loaded_at_the_cold_check_does_check(
    tablet: Page, page_server: PageServer, home: Path
) -> None:
    earlier_firing(home)
    page_server.start()
    enter(tablet, page_server, "check")
    expect(tablet.locator("#prepare-verdict")).not_to_be_empty(timeout=UNTIL)


def test_a_board_that_prints_numbers_is_heard_named_and_put_into_the_plan(
    tablet: Page, page_server: PageServer, tmp_path: Path
) -> None:
    with printing_board(tmp_path / "board"):
        page_server.start()
        enter(tablet, page_server, "probes")
        tablet.locator("#prepare-setup summary").click()
        field(tablet, "Serial port").fill(str(tmp_path / "board"))
        field(tablet, "Speed, baud").fill("9600")
        tablet.keyboard.press("Escape")
        tablet.locator("#prepare-hear").click()
        expect(tablet.locator("#prepare-heard")).to_contain_text("T1=21.5", timeout=UNTIL)
        expect(tablet.get_by_text("reads 22.25")).to_be_visible(timeout=UNTIL)
        field(tablet, "Name of number T1").fill("top wall")
        field(tablet, "Name of number T2").fill("")  # left out
        tablet.locator("#prepare-source-take").click()
        expect(tablet.locator("#prepare-sources")).to_contain_text(
            "No proof of order or integrity", timeout=UNTIL
        )
    doc = plan(tablet)
    port = str(tmp_path / "board")
    assert doc["source"] == [
        {
            "format": "lines",
            "port": port,
            "baud": 9600,
            "unit": "C",
            "channel": [{"name": "T1", "field": "T1"}],
        }
    ]
    assert [(p["name"], p["channel"]) for p in doc["probe"]] == [("top wall", "T1")]
    # Changed in place.
    tablet.get_by_label(f"Change source {port}").click()
    expect(field(tablet, "Name of number T1")).to_have_value("top wall", timeout=UNTIL)
    expect(field(tablet, "Speed, baud")).to_have_value("9600")
    field(tablet, "A broken wire reads").fill("2048, -999")
    tablet.locator("#prepare-source-take").click()
    until(lambda: plan(tablet)["source"] != doc["source"], "another source", 60)
    [changed] = plan(tablet)["source"]
    assert changed["channel"] == [{"name": "T1", "field": "T1", "broken": [2048, -999]}]
    go(tablet, "arm")
    expect(tablet.locator("#prepare-facts")).to_contain_text("No proof of order or integrity", timeout=UNTIL)


@contextlib.contextmanager
def printing_board(link: Path) -> Iterator[None]:
    """A board at a pseudo-terminal that prints two numbers in a line, five times a second."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    link.symlink_to(os.ttyname(theirs))
    end = threading.Event()

    def says() -> None:
        while not end.wait(0.2):
            os.write(ours, b"T1=21.5 T2=22.25\n")

    thread = threading.Thread(target=says)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join()
        os.close(ours)
        os.close(theirs)


@pytest.mark.parametrize("theme", ["day", "night"])
def test_nothing_serious_is_found_by_axe_in_any_step(
    tablet: Page, page_server: PageServer, home: Path, theme: str
) -> None:
    earlier_firing(home)
    page_server.start()
    tablet.add_init_script(f"localStorage.setItem('theme', JSON.stringify('{theme}'))")
    enter(tablet, page_server, "plan")
    field(tablet, "Target, °C").fill("hot")
    expect(tablet.get_by_text("“hot” is not a number").first).to_be_visible(timeout=UNTIL)
    for step in TABS:
        go(tablet, step)
        if step == "probes":
            tablet.locator("#prepare-add").click()
            expect(field(tablet, "Name")).to_be_visible(timeout=UNTIL)
            tablet.locator("#prepare-setup summary").click()
        assert findings(tablet) == [], step
