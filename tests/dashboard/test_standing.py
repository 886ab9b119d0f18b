"""What a tablet shows before its scripts have loaded."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from dash import dcc, html
from firing_fixture import SmallFire
from starlette.testclient import TestClient

import dashboard
from dashboard.app import Page
from dashboard.figures.look import line_dash
from dashboard.figures.model import Line, Place
from dashboard.live.board import Board, Value
from dashboard.live.fire_screen import picture
from dashboard.live.messages import Wish
from dashboard.standing import COLUMN, SIDE, first_look, for_both, still, ticks
from logger.words.looks import DAY, NIGHT

NOW = "21:04:10"
FIRE = Wish("fire")
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
    shown = first_look(board(), 0.5, NOW, FIRE)
    assert shown.index("655°") < shown.index("742°")
    assert "900" not in shown, "coals aren't a zone of the load"
    assert NOW in shown


def test_an_alarm_stands_whole_above_the_zones_and_good_news_is_folded_behind_it() -> None:
    good = ALARM | {"warning": False, "title": "Target reached"}
    shown = first_look(board(alarms=[good, ALARM]), 0.5, NOW, FIRE)
    at = [shown.index(words) for words in ("Coals have fallen", "842 → 771 °C", "<details", ">655°")]
    assert at == sorted(at)
    assert "1 more: Target reached" in shown


def test_what_has_cleared_no_longer_shouts() -> None:
    shown = first_look(board(alarms=[ALARM | {"state": "returned-unacknowledged"}]), 0.5, NOW, FIRE)
    assert 'class="alarm over"' in shown
    assert 'class="alarm"' not in shown


def test_what_people_wrote_stays_text() -> None:
    shown = first_look(board(alarms=[ALARM]), 0.5, NOW, FIRE)
    assert "<b>bowls" not in shown
    assert "<i>" not in shown
    assert "Six &lt;b&gt;bowls" in shown
    assert "windward &amp; low" in shown


@pytest.mark.parametrize("trouble", [None, "The disk is full."])
def test_no_number_where_nothing_fresh_is_known(trouble: str | None) -> None:
    shown = first_look(board(trouble=trouble), 60.0, NOW, FIRE)
    assert 'class="level"' not in shown
    assert "Watch the fire" in shown


def test_nothing_where_no_firing_runs() -> None:
    assert first_look(Board(), 0.5, NOW, FIRE) == ""
    ended = board()
    ended.firing = FIRING | {"ended_s": 100.0}
    assert first_look(ended, 0.5, NOW, FIRE) == ""


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
    shown = first_look(board(), 0.5, NOW, Wish("fire", "F"))
    assert "1211°" in shown  # 655 °C
    assert "655°" not in shown
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


# --- the traces -----------------------------------------------------------------------------------------------


def many(hours: float = 12.0, probes: int = 16) -> Board:
    """A board of this many probes, each with a snapshot's 1,200 points, flickering; the third has a gap."""
    n = 1200
    t_s = np.linspace(0.0, hours * 3600.0, n)
    rng = np.random.default_rng(1)
    there = board(at_s=t_s[-1])
    for i in range(probes):
        c = np.round(40.0 * i + 200.0 * np.sin(t_s / 9000.0) ** 2 + rng.normal(0.0, 8.0, n), 1)
        if i == 2:
            c[500:520] = np.nan
        there.places.append(Place(f"k{i}", probes - i, 5.0 * i, "", "wall", "upper"))
        there.every_s.append(0.1)
        there.values.append(Value(c[-1], 0.0, 0, float(t_s[-1]), float(t_s[-1]), 5.0))
        there.lines.append(Line(there.places[-1], t_s, c))
    there.points = [([], []) for _ in range(probes)]
    return there


def drawn(svg: str) -> list[re.Match[str]]:
    return list(re.finditer(r'<path class="line" d="([^"]*)" stroke="(#\w+)"([^/]*)/>', svg))


def points(path: str) -> list[list[tuple[int, int]]]:
    """The stretches of a path, in the picture's own units."""
    found = []
    for stretch in path.split("M")[1:]:
        numbers = [int(n) for n in re.findall(r"-?\d+", stretch)]
        steps = np.array(numbers).reshape(-1, 2).cumsum(axis=0)
        found.append([tuple(each) for each in steps.tolist()])
    return found


@pytest.mark.parametrize("theme", ["day", "night"])
def test_each_probe_has_its_line_in_the_live_pictures_colour_and_dashes(theme: Any) -> None:
    there, wish = many(), Wish("fire", theme=theme)
    shown = first_look(there, 0.5, NOW, wish)
    assert len(shown) < 80_000
    svg = shown[shown.index("<svg") : shown.rindex("</svg>")]
    assert len(svg) < 60_000
    assert "style" not in svg
    lines = drawn(svg)
    live = go.Figure(picture(there, wish)).data
    assert len(lines) == 16
    for i, line in enumerate(lines):
        assert line[2] == (NIGHT if theme == "night" else DAY)[i % 8]
        dashes = re.findall(r"\d+", line[3].partition('dasharray="')[2])
        assert ",".join(f"{n}px" for n in dashes) == (
            live[i].line.dash if live[i].line.dash != "solid" else ""
        )
        assert live[i].line.dash == line_dash(i)


def test_the_rows_of_probes_have_their_lines_colours() -> None:
    css = (Path(dashboard.__file__).parent / "assets/fire.css").read_text()
    own = re.findall(r"\.line-(\d) \{\s*--own: (#\w+);", css)
    assert own == [(str(i), colour) for table in (DAY, NIGHT) for i, colour in enumerate(table)]


def test_a_line_keeps_its_extremes_and_its_gap_and_where_the_live_axes_put_it() -> None:
    there = many()
    svg = first_look(there, 0.5, NOW, FIRE)
    figure = go.Figure(picture(there, FIRE))
    (left, right), (low, high) = figure.layout.xaxis.range, figure.layout.yaxis.range
    for line, live in zip(drawn(svg), figure.data, strict=False):
        x, y = np.array(live.x, float), np.array(live.y, float)
        want_y = (high - y) / (high - low) * SIDE
        found = points(line[1])
        assert len(found) == (2 if live.name.endswith("k2") else 1)
        at = np.array([point for stretch in found for point in stretch])
        assert at[:, 1].min() == round(np.nanmin(want_y))
        assert at[:, 1].max() == round(np.nanmax(want_y))
        assert at[-1].tolist() == [round((x[-1] - left) / (right - left) * SIDE), round(want_y[-1])]
        assert np.diff(at[:, 0]).min() >= 0
        gaps = np.diff(at[:, 0]).max()
        assert gaps >= 10 if len(found) == 2 else gaps <= 2 * COLUMN


def test_axes_have_a_few_round_numbers_within_them() -> None:
    assert ticks(0.0, 900.0, 9.0) == [0, 200, 400, 600, 800]
    assert ticks(32.0, 1652.0, 9.0) == [200, 400, 600, 800, 1000, 1200, 1400, 1600]
    assert ticks(-12.5, 91.5, 6.0) == [0, 20, 40, 60, 80]
    svg = first_look(many(), 0.5, NOW, Wish("fire", "F"))
    assert re.findall(r">(\d+ °.)</text>", svg) == ["1600 °F"]
    assert "target 1436°" in svg  # 780 °C


def test_a_probe_that_never_spoke_has_no_line_and_one_reading_is_seen() -> None:
    there = many(probes=2)
    there.lines[0] = Line(there.places[0], np.array([]), np.array([]))
    there.lines[1] = Line(there.places[1], np.array([60.0]), np.array([500.0]))
    (line,) = drawn(first_look(there, 0.5, NOW, FIRE))
    assert len(points(line[1])[0]) == 2


# --- components as plain HTML -----------------------------------------------------------------------------------


def test_what_stands_still_has_classes_for_ids_and_no_button_that_does_nothing() -> None:
    shown = first_look(many(), 0.5, NOW, FIRE)
    assert re.findall(r'\bid="([^"]*)"', shown) == ["first-look"]
    assert shown.count("<button") == shown.count(' disabled role="none">')
    assert 'class="at-zones"' in shown
    assert "<script" not in shown


def test_a_rule_for_an_id_holds_for_the_class_as_strongly_and_colours_stay() -> None:
    css = "#a .b, body:has(#c-d) #e { color: #fff; }\n@media (x) { #f:empty { background: #abc } }"
    assert for_both(css) == (
        ":is(#a, .at-a) .b, body:has(:is(#c-d, .at-c-d)) :is(#e, .at-e) { color: #fff; }\n"
        "@media (x) { :is(#f, .at-f):empty { background: #abc } }"
    )


def test_words_are_text_and_hidden_parts_are_left_out() -> None:
    part = html.Div([html.B("a<b"), html.P("x", hidden=True), dcc.Store(id="s"), 3, None], id="x")
    assert still(part, {}) == '<div class="at-x"><b>a&lt;b</b>3</div>'
    assert (
        still(part, {"x": {"children": "said", "className": "loud"}}) == '<div class="at-x loud">said</div>'
    )
