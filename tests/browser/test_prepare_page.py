"""The prepare room with a real browser: a cold rig at a pseudo-terminal, a real logger, an earlier firing."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Locator, Page, expect
from tablets import PageServer, wait_until

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel
from logger.simulator import simulate
from tests.processes import RIG, STOKEWATCH, process

pytestmark = [pytest.mark.real, pytest.mark.timeout(240)]

HAND_S = 14


def earlier_firing(home: Path) -> None:
    made = simulate(7, rate_hz=0.5, probes=4)
    values = made.temperature_c
    nothing = np.full_like(values, np.nan)
    writer = JournalWriter(home / "journal.sqlite")
    try:
        firing = writer.open_firing(
            "Earlier, invented", made.plan.dumps(), 10**15, ended_us=10**15 + 10**10, invented=True
        )
        writer.append(
            firing.id,
            Batch(
                rig="a1",
                channels=tuple(Channel(p.channel, "celsius") for p in made.plan.probes),
                t_us=10**15 + np.round(made.t_s * 1e6).astype(np.int64),
                seq=np.arange(len(values)),
                ms=np.round(made.t_s * 1000).astype(np.int64),
                raw=values,
                raw_cj=nothing,
                temperature_c=values,
                cold_junction_c=nothing,
                status=made.status,
            ),
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


def enter(tablet: Page, server: PageServer, step: str) -> None:
    tablet.goto(f"{server.url}/#prepare/{step}")
    tablet.wait_for_selector(f".panel-{step}", timeout=30_000)


def go(tablet: Page, step: str) -> None:
    tablet.click(f"#prepare-steps a[data-step={step}]")
    tablet.wait_for_selector(f".panel-{step}")


def plan(tablet: Page) -> Any:
    return tablet.evaluate("Stokewatch.prepare.doc")


def field(tablet: Page, path: str) -> Locator:
    return tablet.locator(f'[id="f-{path}"]')


def refusal(tablet: Page, path: str) -> Locator:
    return tablet.locator(f'[id="w-{path}"]')


def refused(tablet: Page, path: str) -> str:
    expect(refusal(tablet, path)).to_be_visible(timeout=10_000)
    return refusal(tablet, path).inner_text()


def drag(tablet: Page, i: int, height_cm: float, share: float) -> None:
    """Drag a probe's disc to a height, by the ruler that is drawn, and across by a share of the drawing."""
    tablet.locator(f'#prepare-stack g[data-i="{i}"] .touch').hover()
    tablet.mouse.down()
    marks = dict(
        tablet.evaluate(
            """() => [...document.querySelectorAll('#prepare-stack text.height')].map((t) => {
                const box = t.getBoundingClientRect(); return [t.textContent, box.y + box.height / 2]; })"""
        )
    )
    box = tablet.locator("#prepare-stack svg").bounding_box()
    assert box
    y = marks["0"] + (marks["50"] - marks["0"]) * height_cm / 50
    tablet.mouse.move(box["x"] + 60 + share * (box["width"] - 80), y, steps=5)
    tablet.mouse.up()


def test_from_a_rig_that_streams_to_an_armed_firing(
    tablet: Page, page_server: PageServer, rig_and_logger: Path
) -> None:
    complaints: list[str] = []
    tablet.on("pageerror", lambda error: complaints.append(str(error)))
    page_server.start()

    # The one that rises is the one in the hand: it is named.
    enter(tablet, page_server, "probes")
    wait_until(
        lambda: tablet.locator(".probe-row").count() == 8 or tablet.reload(), "the rig's channels", 30, 1.0
    )
    hand = tablet.locator("#prepare-hand.rising")
    expect(hand).to_contain_text(" rises by", timeout=4 * HAND_S * 1000)
    hand.locator("button", has_text="Name it").click()
    in_hand = tablet.evaluate("Stokewatch.prepare.doc.probe[Stokewatch.prepare.selected].channel")
    warm = tablet.evaluate(
        "(name) => Stokewatch.prepare.rig.channels.find((c) => c.channel === name)", in_hand
    )
    assert warm["away"] > 1.5
    tablet.keyboard.type("in the hand")
    named = [p for p in plan(tablet)["probe"] if p["name"] == "in the hand"]
    assert [p["channel"] for p in named] == [in_hand]

    # Places: by the finger, by the keys, by numbers; the drawing and the fields say the same.
    names = [p["channel"] for p in plan(tablet)["probe"]]
    drag(tablet, names.index("k5"), 50, 0.5)
    drag(tablet, names.index("k4"), 30, 0.97)
    drag(tablet, names.index("k3"), 28, 0.03)
    placed = {p["channel"]: (p.get("height_cm"), p["side"]) for p in plan(tablet)["probe"]}
    assert placed["k5"] == (pytest.approx(50, abs=2), "centre")
    assert placed["k4"] == (pytest.approx(30, abs=2), "leeward")
    assert placed["k3"] == (pytest.approx(28, abs=2), "windward")
    i = names.index("k3")
    tablet.locator(f'#prepare-stack g[data-i="{i}"]').focus()
    for key in ("ArrowUp", "ArrowUp", "Shift+ArrowUp", "ArrowRight"):
        tablet.keyboard.press(key)
    assert plan(tablet)["probe"][i]["side"] == "centre"
    assert plan(tablet)["probe"][i]["height_cm"] == placed["k3"][0] + 12
    height = field(tablet, f"probe.{i}.height_cm")
    assert height.input_value() == str(placed["k3"][0] + 12)
    height.fill("12,5")
    assert plan(tablet)["probe"][i]["height_cm"] == 12.5
    height.fill("high")
    assert "not a number; give one from -200 to 1000 cm" in refused(tablet, f"probe.{i}.height_cm")
    height.fill("28")
    expect(refusal(tablet, f"probe.{i}.height_cm")).to_be_hidden(timeout=10_000)

    # A threshold that can't be is refused beside its field, and holds the arming up.
    go(tablet, "alarms")
    tablet.locator("#prepare-rules summary", has_text="Coals have fallen away").click()
    drop = field(tablet, "alarm.coal_collapse.drop_c")
    drop.fill("5")
    assert "5 is out of range; give a number from 20 to 300 °C" in refused(
        tablet, "alarm.coal_collapse.drop_c"
    )
    go(tablet, "light")
    expect(tablet.locator("#arm-reasons")).to_contain_text("5 is out of range")
    expect(tablet.locator("#arm")).to_be_disabled()
    tablet.locator("#arm-reasons a").first.click()
    drop.fill("60")
    expect(refusal(tablet, "alarm.coal_collapse.drop_c")).to_be_hidden(timeout=10_000)

    # Rehearsed on an earlier firing; changed, and seen again at once.
    tablet.select_option("#rehearse-firing", index=1)
    expect(tablet.locator("#rehearse-said")).to_contain_text("over 1 h", timeout=60_000)
    tablet.locator("#prepare-rules summary", has_text="Too hot").click()
    field(tablet, "alarm.over_temperature.limit_c").fill("300")
    expect(tablet.locator("#rehearse-said")).to_contain_text("before this change", timeout=60_000)
    expect(tablet.locator("#rehearse-calls")).to_contain_text("Too hot")
    assert tablet.locator("#rehearse-chart .scatterlayer .trace").count() > 4
    field(tablet, "alarm.over_temperature.limit_c").fill("900")

    # The cold check finds the probe that is off; it can be armed all the same, knowingly.
    go(tablet, "check")
    expect(tablet.locator("#check-verdict")).to_have_text("Not fit yet.", timeout=20_000)
    expect(tablet.locator("#check-found .fail")).to_contain_text("above the others")
    tablet.click("text=Try the alarm's sound")
    expect(tablet.locator("#check-tablet")).to_contain_text("✓ On")
    go(tablet, "light")
    expect(tablet.locator("#arm-reasons")).to_contain_text("above the others", timeout=20_000)
    expect(tablet.locator("#arm")).to_be_disabled()
    tablet.locator("#arm-asks input").check()
    tablet.locator("#arm").click()
    wait_until(lambda: tablet.evaluate("location.hash") == "#fire", "the fire's room")
    wait_until(
        lambda: "in the hand" in tablet.locator("#values").inner_text(), "the armed firing's probes", 20
    )
    with contextlib.closing(JournalReader(rig_and_logger / "journal.sqlite")) as reader:
        firing = reader.running()
        before = reader.firings()[1]
    assert firing
    armed = {p.channel: p for p in firing.plan.probes}
    assert armed[in_hand].name == "in the hand"
    assert (armed["k3"].height_cm, armed["k3"].side) == (28.0, "centre")
    assert firing.plan.alarms["over_temperature"]["limit_c"] == 900.0
    assert before.title.startswith("Setting up on ")

    # When that firing has ended the logger rests: whoever prepares the next one wakes the rig.
    assert tablet.evaluate("Stokewatch.act('finish').then((told) => told.ok)")
    enter(tablet, page_server, "probes")
    expect(tablet.locator("#prepare-rig")).to_contain_text("Nothing is recorded", timeout=10_000)
    tablet.click("text=Wake the rig")
    expect(tablet.locator("#prepare-rig")).to_be_empty(timeout=15_000)
    tablet.click("text=Put all into the plan")
    expect(tablet.locator("#prepare-probes .reading")).to_have_count(8)
    expect(tablet.locator("#prepare-probes .reading").first).to_contain_text("°", timeout=15_000)
    assert complaints == []


def test_plans_are_kept_and_files_come_and_go(
    tablet: Page, page_server: PageServer, home: Path, tmp_path: Path
) -> None:
    earlier_firing(home)
    page_server.start()
    enter(tablet, page_server, "plan")
    expect(tablet.locator("#prepare-steps a[data-step=plan]")).to_contain_text("not saved")
    tablet.click("text=Copy its plan")
    expect(tablet.locator("#plan-said")).to_contain_text("Copied")
    assert len(plan(tablet)["probe"]) == 4
    field(tablet, "title").fill("Two bowls, invented")
    field(tablet, "burnout_c").fill("1200")
    assert "above target_c" in refused(tablet, "burnout_c")
    field(tablet, "burnout_c").fill("640")
    expect(refusal(tablet, "burnout_c")).to_be_hidden(timeout=10_000)
    tablet.click("text=Save this plan")
    expect(tablet.locator("#plan-said")).to_contain_text("Saved as “two-bowls-invented”")
    assert (home / "plans" / "two-bowls-invented.toml").exists()
    field(tablet, "title").fill("Two bowls again, invented")
    tablet.click("text=Save a copy under its title")
    expect(tablet.locator("#plan-said")).to_contain_text("Saved as “two-bowls-again-invented”")
    assert len(list((home / "plans").glob("*.toml"))) == 2
    tablet.locator(".plans li", has_text="two-bowls-invented").locator("text=Open").click()
    expect(field(tablet, "title")).to_have_value("Two bowls, invented")
    again = tablet.locator(".plans li", has_text="two-bowls-again-invented").locator("button").last
    again.click()
    again.click()  # it asks once more on the same button
    expect(tablet.locator(".plans li")).to_have_count(1)
    with tablet.expect_download() as download:
        tablet.click("text=Export as a file")
    kept = tmp_path / "out.toml"
    download.value.save_as(kept)
    assert download.value.suggested_filename == "two-bowls-invented.toml"
    text = kept.read_text(encoding="utf-8")
    assert "burnout_c = 640" in text
    kept.write_text(text.replace("Two bowls", "Three bowls"), encoding="utf-8")
    tablet.set_input_files("input[type=file][accept='.toml']", kept)
    expect(field(tablet, "title")).to_have_value("Three bowls, invented")
    kept.write_text("target_c = 'hot'\n", encoding="utf-8")
    tablet.set_input_files("input[type=file][accept='.toml']", kept)
    expect(tablet.locator("#plan-refused")).to_contain_text("line 1: target_c")
    tablet.reload()
    expect(field(tablet, "title")).to_have_value(
        "Three bowls, invented", timeout=20_000
    )  # a draft outlives that
    # In °F the same plan, shown in other numbers.
    tablet.click("[data-choice=unit][data-value=F]")
    expect(field(tablet, "burnout_c")).to_have_value("1184")
    field(tablet, "burnout_c").fill("1202")
    assert plan(tablet)["burnout_c"] == pytest.approx(650)


def test_on_a_phone_the_packing_list_is_ones_own(tablet: Page, page_server: PageServer, home: Path) -> None:
    complaints: list[str] = []
    tablet.on("pageerror", lambda error: complaints.append(str(error)))
    page_server.start()
    tablet.set_viewport_size({"width": 390, "height": 844})
    enter(tablet, page_server, "pack")
    expect(tablet.locator(".cautions")).to_contain_text("burn bans")
    tablet.locator("#kit li", has_text="Tongs").locator("input").check()
    tablet.fill("#kit-new", "Sourdough for everybody")
    tablet.click("text=Add")
    expect(tablet.locator("#kit li").last).to_contain_text("Sourdough")
    tablet.locator("#kit li", has_text="Rake").locator(".off-list").click()
    expect(tablet.locator("#kit li", has_text="Rake")).to_have_count(0)
    text = (home / "packing_list.txt").read_text(encoding="utf-8")
    assert "[x] Tongs" in text
    assert "Rake" not in text
    for step in ("plan", "probes", "alarms", "check", "light"):
        go(tablet, step)
        assert tablet.evaluate("document.documentElement.scrollWidth") <= 390, step
    expect(tablet.locator("#arm-reasons")).to_contain_text("No logger runs", timeout=10_000)
    expect(tablet.locator("#arm")).to_be_disabled()
    assert complaints == []  # without an earlier firing too
