"""The live link: a whole screen, then numbered ones with what changed; nothing twice, nothing missed or left over."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import plotly.graph_objects as go
import pytest
from firing_fixture import SmallFire
from starlette.testclient import TestClient

from dashboard.app import VERSION, Page
from dashboard.live.board import Board
from dashboard.live.fire_screen import follow, grid, picture, span_s, telling
from dashboard.live.hub import Glass, tab_title, tone
from dashboard.live.messages import Wish
from dashboard.live.screens import Drawn, draw, stage_line
from dashboard.live.watch import Watcher
from dashboard.parts.alarm_banner import alarm_banner, headline
from dashboard.parts.fire_parts import to_come, verdict
from dashboard.parts.single import name_of, opacities
from dashboard.words import need
from tests.processes import until

ORIGIN = {"host": "127.0.0.1:8050", "origin": "http://127.0.0.1:8050"}
FIRE = {"page": "fire", "unit": "C", "theme": "day", "window_s": None, "view": "traces"}


def whole(tablet: Any) -> dict[str, Any]:
    while not (message := tablet.receive_json()).get("whole"):
        pass
    return dict(message)


def points(message: dict[str, Any]) -> dict[int, list[float]]:
    """Minutes that a screen adds to each line."""
    extend = message.get("props", {}).get("traces", {}).get("extendData")
    return {} if extend is None else dict(zip(extend[1], extend[0]["x"], strict=True))


def test_a_tablet_is_told_the_version_then_all_then_what_changed(
    client: TestClient, burning: SmallFire
) -> None:
    with client.websocket_connect("/live", headers=ORIGIN) as tablet:
        assert tablet.receive_json() == {"is": "hello", "version": VERSION}
        tablet.send_json(FIRE)
        first = whole(tablet)
        assert first["state"] == "fresh"
        assert first["title"] == "Sixteen places, invented · Stokewatch"
        figure = first["props"]["traces"]["figure"]
        drawn = {
            n: trace["x"] for n, trace in enumerate(figure["data"]) if trace.get("meta", {}).get("probe")
        }
        assert len(drawn) == 16
        seq, seen = first["seq"], {n: list(x) for n, x in drawn.items()}
        for _ in range(3):
            burning.burn(2)
            burning.beat(time.time())
            while (message := tablet.receive_json())["is"] == "pulse":
                assert message["seq"] == seq
            assert message["seq"] == seq + 1
            seq += 1
            for n, x in points(message).items():
                if n in seen:
                    assert x[0] > seen[n][-1], "a point that was there already"
                    seen[n] += x
        assert first["texts"]["value-0"][0] == "21°"  # 20 °C, and 2.9 s at 30 °C a minute


def test_a_tablet_elsewhere_hears_of_alarms_and_nothing_of_the_fire(
    client: TestClient, burning: SmallFire
) -> None:
    alarm = {
        "key": "a",
        "rule": "stalled_zone",
        "zone": "z",
        "state": "unacknowledged",
        "warning": True,
        "title": "Stalled",
    }
    burning.beat(time.time(), alarms=[alarm])
    with client.websocket_connect("/live", headers=ORIGIN) as tablet:
        tablet.send_json({**FIRE, "page": "other"})
        first = whole(tablet)
    assert "traces" not in first["props"]
    assert "Stalled: z" in str(first["props"]["alarms"])
    assert first["title"].startswith("ALARM: Stalled")
    assert first["tone"] == [True, []]


def test_a_picture_that_has_grown_old_is_drawn_again_and_all_goes_on(
    client: TestClient, burning: SmallFire, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("dashboard.live.hub.PICTURE_S", {"traces": 0.1, "heat": 0.1})
    with client.websocket_connect("/live", headers=ORIGIN) as tablet:
        tablet.send_json(FIRE)
        seq = whole(tablet)["seq"]
        for _ in range(3):
            burning.burn(2)
            burning.beat(time.time())
            seq, before = whole(tablet)["seq"], seq
            assert seq > before
    assert "failed" not in caplog.text


def test_closed_tablets_leave_nothing(app: Page, client: TestClient, fire: SmallFire) -> None:
    fire.light()
    for _ in range(3):
        with client.websocket_connect("/live", headers=ORIGIN) as tablet:
            tablet.send_json(FIRE)
            whole(tablet)
    until(
        lambda: not app.hub.tablets and app.hub._looking is None,
        "the tablet that has gone to be told no more",
    )


def test_tablets_with_the_same_wish_are_told_the_same(
    app: Page, client: TestClient, burning: SmallFire
) -> None:
    with (
        client.websocket_connect("/live", headers=ORIGIN) as one,
        client.websocket_connect("/live", headers=ORIGIN) as other,
    ):
        one.send_json(FIRE)
        whole(one)
        other.send_json(FIRE)
        first, second = whole(one), whole(other)
        assert first["seq"] == second["seq"]
        burning.burn(5)
        burning.beat(time.time())
        while (a := one.receive_json())["is"] == "pulse":
            pass
        while (b := other.receive_json())["is"] == "pulse":
            pass
        assert a == b


def test_a_tablet_too_slow_gets_a_whole_screen_instead() -> None:
    from dashboard.live.hub import BACKLOG, Tablet

    tablet = Tablet()
    for n in range(BACKLOG + 1):
        tablet.put(str(n))
    assert tablet.behind
    assert tablet.queue.empty()


def board(path: Path) -> Board:
    watcher = Watcher(path)
    watcher.look(time.time(), Board())
    made = watcher.board()
    watcher.close()
    return made


@pytest.fixture
def burning(fire: SmallFire) -> SmallFire:
    """Three seconds of a fire, and a logger that is alive."""
    fire.light()
    fire.burn(30)
    fire.beat(time.time())
    return fire


@pytest.fixture
def there(path: Path, burning: SmallFire) -> Board:
    return board(path)


def test_only_what_changed_is_told_again(there: Board) -> None:
    glass = Glass(Wish("fire"))
    first = glass.screen(there, 0.1, whole=True)
    assert first is not None
    assert glass.screen(there, 0.1, whole=False) is None
    there.values[3] = type(there.values[3])(99.0, None, 0, 3.0, 3.0, 1.0)
    second = glass.screen(there, 0.1, whole=False)
    assert second is not None
    assert second.texts == {"value-3": ["99°", "reading ok"], "moves-3": " ± 1°"}
    assert second.seq == first.seq + 1


def test_one_number_has_one_value_in_both_units(there: Board) -> None:
    """100 °C is 212 °F, and a difference of 100 °C one of 180 °F: by definition of the scales."""
    assert there.firing is not None
    there.firing["target_c"] = 200.0
    there.cards = {"z": [100.0, 5.0, 100.0, 0, 0, "missing", "probes"]}
    for unit, level, short in (("C", "100°", "100° to target"), ("F", "212°", "180° to target")):
        texts = draw(there, Wish("fire", unit), 0.1, False).texts  # type: ignore[arg-type]
        assert texts["zone-level-0"] == level
        assert texts["glance-number"] == level
        assert str(texts["zone-need-0"]).startswith(short)


def test_a_glance_names_the_coldest_what_is_wrong_and_what_to_do(there: Board) -> None:
    card = [300.0, 5.0, 300.0, 0, 0, "missing", "probes"]
    there.cards = {"low": card, "top": [500.0, *card[1:]]}
    over = {
        "rule": "stalled_zone",
        "title": "A zone has stalled",
        "zone": "top",
        "state": "returned-unacknowledged",
    }
    stands = over | {"zone": "low", "state": "unacknowledged", "advice": "Feed the low side."}

    def said(*alarms: dict[str, Any]) -> list[Any]:
        there.alarms = list(alarms)
        texts = draw(there, Wish("fire"), 0.1, False).texts
        return [texts[f"glance-{part}"] for part in ("alarm", "advice", "zone")]

    assert said() == ["", "", "Low is coldest"]
    assert said(over, stands) == ["A zone has stalled: low (+1 more)", "Feed the low side.", "Low is coldest"]
    there.cards.pop("top")
    assert said(stands)[2] == "Low", "there is nothing to be colder than"


@pytest.mark.parametrize(
    ("at_s", "quiet_s", "state"),
    [(3.0, 0.2, "fresh"), (3.0, 3.5, "logger"), (8.0, 0.2, "rig"), (3.0, None, "fresh")],
)
def test_what_can_be_trusted(there: Board, at_s: float, quiet_s: float, state: str) -> None:
    there.at_s = at_s
    assert there.state(quiet_s) == state


def test_an_ended_firing_is_no_silence(path: Path, fire: SmallFire) -> None:
    fire.light()
    fire.burn(30)
    fire.writer.finish_firing(fire.id, 1_795_600_803_000_000)
    there = board(path)
    assert there.state(99.0) == "ended"
    assert "Ended after" in stage_line(there, "ended")
    assert draw(there, Wish("fire"), 99.0, True).props["fire"] == {"className": "ended"}


def test_nothing_yet_leads_to_preparing(path: Path) -> None:
    there = Board()
    drawn = draw(there, Wish("fire"), None, True)
    assert drawn.props["waiting"] == {"hidden": False}
    assert "traces" not in drawn.props


def test_minutes_since_lighting_once_somebody_noted_it(path: Path, fire: SmallFire) -> None:
    fire.light()
    fire.burn(3000)
    assert stage_line(board(path), "fresh") == "4 min since the first reading"
    fire.writer.add_event(
        fire.id, 1_795_600_800_000_000 + 120_000_000, "note", {"kind": "lit", "text": "", "amount": ""}
    )
    assert stage_line(board(path), "fresh") == "2 min since lighting"


def test_axes_move_on_by_steps_and_keep_what_is_shown_inside(there: Board) -> None:
    ends = set()
    for length in range(60, 40_000, 60):
        there.values = [type(there.values[0])(20.0, None, 0, float(length), float(length), 1.0)] * len(
            there.values
        )
        begin, end = span_s(there, Wish("fire"))
        assert begin == 0
        assert end >= length
        assert end <= max(length, 600.0) * 1.061 * 1.015, "with room for the numbers"
        ends.add(end)
        begin, end = span_s(there, Wish("fire", window_s=600))
        assert end - 600 == begin
        assert length <= end <= length + 24 + 9
    assert len(ends) < 80
    assert follow(there, Wish("fire"))["y"][1] >= 700


def test_points_of_a_pixel_keep_its_ends_and_its_breaks() -> None:
    t, c = telling([0.0, 1, 2, 3, 4, 5, 6], [20.0, 25, 90, 10, None, None, 30])
    assert (t, c) == ([2.0, 3.0, 4.0, 6.0], [90.0, 10.0, None, 30.0])


def test_the_grid_of_the_stack_through_time_bridges_no_gap(path: Path, fire: SmallFire) -> None:
    import numpy as np

    from dashboard.figures.model import Line, Place

    line = Line(Place("p", 1, 10.0), np.array([0.0, 1, 2, 300, 301]), np.array([20.0, 21, 22, 500, 501]))
    t_s, c = grid([line], 0.0, 400.0)
    assert np.isnan(c[(t_s > 15) & (t_s < 299), 0]).all()
    assert c[-1, 0] != c[-1, 0]
    assert set(c[np.isfinite(c[:, 0]), 0]) <= {20.0, 21.0, 22.0, 500.0, 501.0}


ALARM = {"key": "coal_collapse:w", "rule": "coal_collapse", "zone": "windward", "probe": None, "warning": True,
         "title": "Coals have fallen away", "state": "unacknowledged", "advice": "Wood over the cold place."}  # fmt: skip


@pytest.mark.parametrize(
    ("message", "fact"),
    [
        (
            "Coals have fallen away: windward. 842 → 771 °C in 2 min, the coals held.",
            "842 → 771 °C in 2 min, the coals held.",
        ),
        ("It loses 38 °C a minute.", "It loses 38 °C a minute."),
        ("", ""),
    ],
)
def test_an_alarm_is_named_by_name_and_place_and_the_fact_is_said_once(message: str, fact: str) -> None:
    assert headline(ALARM | {"message": message}) == ("Coals have fallen away: windward", fact)


def test_what_an_alarm_rests_on_stands_in_its_headline_once() -> None:
    message = "Coals have fallen away: windward (air). 842 → 780 °C in 3 min, the coals held."
    named, fact = headline(ALARM | {"message": message})
    assert named == "Coals have fallen away: windward (air)"
    assert fact == "842 → 780 °C in 3 min, the coals held."


def test_good_news_never_hides_an_alarm_and_the_unseen_comes_first() -> None:
    good = ALARM | {"warning": False, "title": "Target reached", "zone": "upper", "key": "g"}
    seen = ALARM | {"state": "acknowledged", "zone": "lower", "key": "s"}
    over = ALARM | {"state": "returned-unacknowledged", "zone": "leeward", "key": "o"}
    text = [str(part) for part in alarm_banner([good, seen, over, ALARM])]
    assert len(text) == 3
    assert "windward" in text[0]
    assert text[1].index("lower") < text[1].index("upper")
    assert "Cleared, not acknowledged: Coals have fallen away: leeward" in text[2]


def test_an_acknowledged_alarm_makes_no_sound(path: Path, fire: SmallFire) -> None:
    fire.light()
    there = board(path)
    there.alarms = [ALARM | {"state": "acknowledged"}]
    assert tone(there) == (False, [])
    assert not tab_title(there).startswith("ALARM")
    there.alarms = [ALARM]
    assert tone(there)[0]
    assert isinstance(draw(there, Wish(), 0.1, False), Drawn)


def test_alarms_and_forecasts_are_written_in_either_unit_from_their_values() -> None:
    """100 °C is 212 °F and a difference of 100 °C one of 180 °F, by definition; 5.2 °C/mm is one of 9.36 °F/mm."""
    from logger.words.said import Degrees, said

    steep = said(
        "{} is at {} and its wall is {}/mm hotter.", "upper", Degrees("at", 100.0), Degrees("by", 5.2, ".1f")
    )
    # As read back from a journal: JSON has no tuples.
    alarm = ALARM | {"message": str(steep), "parts": json.loads(json.dumps(steep.parts))}
    assert headline(alarm)[1] == "upper is at 100 °C and its wall is 5.2 °C/mm hotter."
    assert headline(alarm, "F")[1] == "upper is at 212 °F and its wall is 9.4 °F/mm hotter."
    fall = said("{} → {} in 2 min.", Degrees("from", 842.0), Degrees("at", 771.0))
    told = alarm | {"parts": [*fall.parts], "advice_parts": ["To ", ["at", 100.0, ".0f"], "."], "advice": "x"}
    assert "1548 → 1420 °F in 2 min." in str(alarm_banner([told], "F"))
    assert "To 212 °F." in str(alarm_banner([told], "F"))
    # An older journal has the words alone; nonsense in a hand-made file does no harm.
    for parts in (None, [], [["at"]], 7, [["at", "hot", ".0f"]], [["at", 1.0, "%%"]]):
        assert headline(alarm | {"parts": parts}, "F")[1] == str(steep)
    parts = ["leeward last: ", "cooled to ", ["at", 100.0, ".0f"], " in 2–3 h"]
    forecast = {"coming": "leeward last: cooled to 100 °C in 2–3 h", "coming_parts": parts}
    assert to_come(forecast, "C") == "Leeward last: cooled to 100 °C in 2–3 h."
    assert to_come(forecast, "F") == "Leeward last: cooled to 212 °F in 2–3 h."


def test_a_logger_that_records_nothing_is_said_with_its_reason() -> None:
    there = Board(trouble="The disk is full.", unrecorded=True)
    drawn = draw(there, Wish(), 0.1, True)
    assert drawn.props["stale"] == {"hidden": False}
    assert drawn.texts["stale-head"] == "Nothing is being recorded"
    assert "The disk is full." in drawn.texts["stale-words"]
    there.unrecorded = False
    assert draw(there, Wish(), 0.1, True).texts["stale-head"] == "The journal can't be read"


def test_readings_that_nothing_proves_are_said_to_be_such(path: Path, burning: SmallFire) -> None:
    assert "checksum" not in draw(board(path), Wish(), 0.1, True).texts["health"]
    told = {"what": "proof", "rig": "a1", "source": "/dev/ttyACM0", "proof": "none"}
    burning.writer.add_event(burning.id, 1_795_600_801_000_000, "system", told)
    assert "no checksum or counter from a1" in draw(board(path), Wish(), 0.1, True).texts["health"]


def test_the_verdict_is_made_of_the_cards_numbers(path: Path, fire: SmallFire) -> None:
    firing = {"target_c": 780.0, "burnout_c": 650.0, "soak_min": 10.0}
    cards = [
        ("upper", [100.0, 5.0, 100.0, 0, 0, "680 °C below its target", "air"]),
        ("lower", [200.0, 5.0, 200.0, 0, 0, "580 °C below its target", "wall"]),
        ("windward", [None, None, None, 0, 0, "no verdict", "faulty"]),
    ]
    told = {"line": "upper is coldest at 100 °C (air): …", "coldest": "upper"}
    assert verdict(told, cards, firing, "C") == (
        "Upper is coldest at 100° (air): 550° to burn-out. Spread 100°. No verdict on windward."
    )
    assert verdict(told, cards, firing, "F").startswith("Upper is coldest at 212° (air): 990° to burn-out")
    past = [("upper", [700.0, 5.0, 702.0, 5, 0, "80 °C below its target", "wall"])]
    assert verdict(told, past, firing, "C") == "Upper is at 700°: 80° to target."
    assert verdict(told, past, firing | {"burnout_c": 790.0}, "C") == "Upper is at 700°: 80° to target."
    done = {"line": "All zones have had their target and soak.", "coldest": None}
    assert verdict(done, cards, firing, "F") == done["line"]


def test_what_comes_goes_to_the_traces_it_belongs_to(there: Board) -> None:
    figure = go.Figure(picture(there, Wish("fire")))
    there.points = [([31.0], [25.0])] * len(there.values)
    more, indices, keep = draw(there, Wish("fire"), 0.1, False).props["traces"]["extendData"]
    assert figure.data[indices[-1]].name == "numbers"
    assert len(more["x"][-1]) == keep["x"][-1] == len(figure.data[indices[-1]].x)
    assert set(indices[:-1]) <= set(range(len(there.values)))


@pytest.mark.parametrize(
    ("level", "peak", "said"),
    [
        (640.0, 630.0, "10° to burn-out"),
        (665.0, 640.0, "115° to target"),  # a peak is booked a minute late
        (785.0, 770.0, "10 min of soak to go"),
    ],
)
def test_what_a_zone_needs_goes_by_what_it_is_at_too(level: float, peak: float, said: str) -> None:
    firing = {"target_c": 780.0, "burnout_c": 650.0, "soak_min": 10.0}
    assert need([level, 3.0, peak, 0, 0, "something", "wall"], firing, "C") == said


def test_one_line_or_a_zone_is_singled_out() -> None:
    there = [name_of("fire", "upper", 0), name_of("fire", "lower", 1), name_of("fire", "upper", 2)]
    there.append(name_of("fire", "upper"))
    assert opacities(there, None) == {0: 1.0, 1: 1.0, 2: 1.0}
    assert opacities(there, there[1]) == {0: 0.12, 1: 1.0, 2: 0.12}
    assert opacities(there, there[3]) == {0: 1.0, 1: 0.12, 2: 1.0}


def test_a_silence_or_its_end_is_seen_in_the_stack_at_once(there: Board) -> None:
    """Its colours are the readings at the moment it was drawn, up to half a minute ago."""
    wish = Wish("fire")
    assert "stack" not in draw(there, wish, 0.0, False).props
    there.turned = True
    told = draw(there, wish, 0.0, False).props
    assert "figure" in told["stack"]
    assert "figure" not in told.get("traces", {}), "the traces stay"
    assert "values" not in told, "and so do the rows"
