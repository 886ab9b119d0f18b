"""Preparing: how thick the walls are, into a saved plan."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from tablets import PageServer, wait_until

from logger.plan import Clay, load
from logger.plan.library import list_plans

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]


def test_how_thick_the_walls_are_is_saved(page_server: PageServer, tablet: Page, home: Path) -> None:
    page_server.start()
    tablet.goto(f"{page_server.url}/#prepare")
    tablet.get_by_label("Title").fill("Walls, invented")
    walls = tablet.get_by_label("Walls of the pots, mm")
    walls.fill("0.6")
    expect(tablet.get_by_text("0.6 is out of range; give a number from 2 to 50 mm")).to_be_visible()
    walls.fill("6,5")
    expect(tablet.get_by_text("0.6 is out of range")).to_be_hidden()
    tablet.get_by_role("button", name="Save this plan").click()
    [kept] = wait_until(lambda: list_plans(home), "the plan is saved")
    assert kept.plan is not None
    assert kept.plan.clay == Clay(6.5)
    # Emptied again, it is as if nobody had said anything.
    walls.fill("")
    tablet.get_by_role("button", name="Save as").click()
    wait_until(lambda: load(home / "plans" / f"{kept.name}.toml").clay == Clay(), "the plan is saved anew")
