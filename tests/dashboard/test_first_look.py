"""What a tablet shows before its scripts are there."""

from __future__ import annotations

import time
from typing import Any

import pytest
from firing_fixture import SmallFire
from starlette.testclient import TestClient

from dashboard.app import Page
from dashboard.first_look import first_look
from dashboard.live.board import Board

NOW = "21:04:10"
FIRING: dict[str, Any] = {
    "title": "Six <b>bowls</b>, invented",
    "ended_s": None,
    "planned": True,
    "invented": True,
    "target_c": 780.0,
    "burnout_c": 600.0,
    "soak_min": 10.0,
    "unproven": [],
    "limits": [],
}
ALARM = {
    "key": "a",
    "rule": "coal_collapse",
    "title": "Coals have fallen away",
    "zone": "windward & low",
    "message": "842 → 771 °C in 2 min, the coals held.",
    "state": "unacknowledged",
    "warning": True,
}


def card(c: float | None, how: str = "wall") -> list[Any]:
    return [c, 5.0, c, 0.0, 0.0, None, how]


def board(**more: Any) -> Board:
    cards = {"upper": card(742.4), "lower <i>": card(655.0), "coals": card(900.0, "coals")}
    return Board(firing=FIRING, cards=cards, **more)


def test_the_coldest_zone_stands_first_with_its_temperature() -> None:
    html = first_look(board(), 0.5, NOW, "C")
    assert html.index("655°C") < html.index("742°C")
    assert "900" not in html, "coals aren't a zone of the load"
    assert NOW in html


def test_an_alarm_stands_above_the_zones_and_good_news_does_not_stand_there() -> None:
    html = first_look(
        board(alarms=[ALARM | {"warning": False, "title": "Target reached"}, ALARM]), 0.5, NOW, "C"
    )
    assert html.index("Coals have fallen away") < html.index("655°C")
    assert "842 → 771 °C" in html
    assert "Target reached" not in html


def test_what_has_cleared_no_longer_shouts() -> None:
    assert "Coals" not in first_look(
        board(alarms=[ALARM | {"state": "returned-unacknowledged"}]), 0.5, NOW, "C"
    )


def test_what_people_wrote_stays_text() -> None:
    html = first_look(board(alarms=[ALARM]), 0.5, NOW, "C")
    assert "<b>bowls" not in html
    assert "<i>" not in html
    assert "Six &lt;b&gt;bowls" in html
    assert "windward &amp; low" in html


@pytest.mark.parametrize("trouble", [None, "The disk is full."])
def test_no_number_where_nothing_fresh_is_known(trouble: str | None) -> None:
    html = first_look(board(trouble=trouble), 60.0, NOW, "C")
    assert "°C" not in html
    assert "look at the fire" in html


def test_nothing_where_no_firing_runs() -> None:
    assert first_look(Board(), 0.5, NOW, "C") == ""
    ended = board()
    ended.firing = FIRING | {"ended_s": 100.0}
    assert first_look(ended, 0.5, NOW, "C") == ""


def test_the_document_holds_it_at_the_fire_alone_and_the_journal_is_let_go(
    app: Page, client: TestClient, fire: SmallFire
) -> None:
    assert 'id="first-look"' not in client.get("/").text
    fire.light()
    fire.burn(30)
    fire.beat(time.time(), alarms=[ALARM])
    document = client.get("/").text
    assert "Sixteen places, invented" in document
    assert "Coals have fallen away" in document
    assert 'id="first-look"' not in client.get("/firings").text
    assert app.hub.watcher._reader is None, "nobody watches, and the journal is still open"


def test_a_document_comes_in_the_tablets_own_unit_and_light(client: TestClient, fire: SmallFire) -> None:
    assert '<html lang="en" data-theme="day">' in client.get("/").text
    there = first_look(board(), 0.5, NOW, "F")
    assert "1211°F" in there  # 655 °C
    assert "°C" not in there
    client.cookies.set("look", "Fnight")
    for path in ("/", "/firings"):
        assert '<html lang="en" data-theme="night">' in client.get(path).text
    client.cookies.set("look", '"><script>')
    assert '"><script>' not in client.get("/").text


def test_a_failing_look_does_not_take_the_page_with_it(
    client: TestClient, fire: SmallFire, monkeypatch: pytest.MonkeyPatch
) -> None:
    fire.light()

    def fail(*_: object) -> None:
        raise RuntimeError("as a fault of ours would")

    monkeypatch.setattr("dashboard.live.watch.Watcher.look", fail)
    assert client.get("/").status_code == 200
