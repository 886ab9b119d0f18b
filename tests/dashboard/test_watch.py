from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import orjson
import pytest
from firing_fixture import START_US, SmallFire

from dashboard.live.told import MAX_ROWS, Message
from dashboard.live.watch import Watcher
from logger.home import Home
from logger.reading import Status
from logger.recording.health import Sign

NOW_S = 1_795_700_000.0


@pytest.fixture
def watcher(path: Path) -> Iterator[Watcher]:
    made = Watcher(path)
    yield made
    made.close()


def update(watcher: Watcher, wall_s: float = NOW_S) -> Message:
    kind, message = watcher.look(wall_s)
    assert kind == "update"
    assert message is not None
    return message


def times(message: Message) -> list[float]:
    return [t for rig in message.get("rigs", []) if "gap" not in rig for t in rig["t"]]


def test_no_journal_then_no_firing_then_a_firing(path: Path, watcher: Watcher) -> None:
    assert watcher.look(NOW_S) == ("same", None)
    assert watcher.snapshot()["firing"] is None
    fire = SmallFire(path, k=2)
    assert watcher.look(NOW_S)[0] == "afresh"
    assert watcher.snapshot()["firing"] is None
    fire.light()
    assert watcher.look(NOW_S)[0] == "afresh"
    assert watcher.snapshot()["firing"]["invented"] is True
    fire.burn(3)
    assert watcher.look(NOW_S)[0] == "afresh"  # channels nobody had seen
    assert watcher.look(NOW_S) == ("same", None)
    fire.writer.close()


def test_snapshot_and_updates_hold_each_reading_once(fire: SmallFire, watcher: Watcher) -> None:
    """Cut anywhere, over two packed minutes: what is drawn first and what is added make up the journal."""
    fire.light()
    fire.burn(25)
    watcher.look(NOW_S)
    seen = list(watcher.snapshot()["traces"][3]["t"])
    for frames in (1, 2, 3, 20, 24, 5, 7) * 20:
        fire.burn(frames)
        seen += times(update(watcher))
    assert seen == [round(n / 10, 3) for n in range(fire.n)]
    assert watcher.look(NOW_S) == ("same", None)


def test_an_update_of_sixteen_traces_is_under_4_kb(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(36_000)
    watcher.look(NOW_S)
    for frames in (3, MAX_ROWS, 400):
        fire.burn(frames)
        fire.beat(NOW_S, sources=[{"name": "/dev/ttyACM0", "state": "online", "detail": ""}], alarms=[])
        message = update(watcher)
        assert times(message)
        assert len(orjson.dumps(message)) < 4000


def test_too_many_rows_keep_first_last_and_extremes(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    watcher.look(NOW_S)
    fire.burn(400)
    drawn = times(update(watcher))
    assert drawn[0] == 2.0
    assert drawn[-1] == 41.9
    assert len(drawn) <= MAX_ROWS + 2


def test_rate_is_per_minute_over_a_minute(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(100)  # 10 s: too short to say
    watcher.look(NOW_S)
    assert watcher.snapshot()["now"][0][1] is None
    fire.burn(600)
    assert update(watcher)["now"][0][1] == pytest.approx(30.0, abs=0.05)
    again = Watcher(watcher.path)  # the same from the journal alone
    again.look(NOW_S)
    assert again.snapshot()["now"][0][1] == pytest.approx(30.0, abs=0.05)
    again.close()


def test_a_fault_is_a_status_and_the_last_value_stays_known(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    watcher.look(NOW_S)
    fire.burn(2, status=Status.OPEN)
    message = update(watcher)
    assert message["rigs"][0]["c"] == [["!1"] * 16] * 2
    value, *rest = message["now"][0]
    assert value == pytest.approx(20.95, abs=0.051)
    assert rest[:4] == [None, Status.OPEN, 1.9, 2.1]


def test_missing_readings_break_the_line(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    watcher.look(NOW_S)
    fire.burn(3, skip=50)
    gap, rest = update(watcher)["rigs"]
    assert gap["gap"]
    assert gap["t"] == [1.901]
    assert gap["c"] == [["!7"] * 16]
    assert rest["t"] == [7.0, 7.1, 7.2]


def test_late_readings_ask_for_a_new_snapshot(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    watcher.look(NOW_S)
    fire.n = 5
    fire.burn(1)
    assert watcher.look(NOW_S)[0] == "afresh"


def test_sign_of_life_is_the_loggers_own_word_at_first(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    fire.beat(NOW_S - 100)
    watcher.look(NOW_S)
    assert watcher.fresh_wall_s == NOW_S - 100
    fire.writer.set_meta("somebody", {"else": "writes"})
    watcher.look(NOW_S + 1)
    assert watcher.fresh_wall_s == NOW_S - 100
    fire.beat(NOW_S + 2)
    watcher.look(NOW_S + 2)
    assert watcher.fresh_wall_s == NOW_S + 2


def test_events_and_the_end_of_the_firing(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    watcher.look(NOW_S)
    fire.writer.add_event(fire.id, START_US + 1_000_000, "note", {"text": "<b>wood</b>"}, "someone")
    assert update(watcher)["events"] == [
        {"id": 1, "t": 1.0, "kind": "note", "data": {"text": "<b>wood</b>"}, "who": "someone"}
    ]
    fire.writer.finish_firing(fire.id, START_US + 2_000_000)
    assert watcher.look(NOW_S)[0] == "afresh"
    assert watcher.snapshot()["firing"]["ended_s"] == 2.0


def test_standing_alarms_are_sent_when_they_change(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    watcher.look(NOW_S)
    watcher.snapshot()
    fire.beat(NOW_S, alarms=[{"message": "Look"}])
    assert update(watcher)["alarms"] == [{"message": "Look"}]
    fire.burn(1)
    assert "alarms" not in update(watcher)
    assert watcher.snapshot()["alarms"] == [{"message": "Look"}]


def test_a_damaged_journal_is_said(path: Path, watcher: Watcher) -> None:
    path.write_bytes(b"this is no journal" * 100)
    assert watcher.look(NOW_S)[0] == "afresh"
    assert str(path) in watcher.snapshot()["trouble"]
    assert watcher.look(NOW_S)[0] == "same"


def test_a_logger_that_cannot_record_is_said(
    path: Path, fire: SmallFire, watcher: Watcher, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a full disk nothing changes in the journal; the page says so, and why, all the same."""
    monkeypatch.setattr("dashboard.live.watch.HEALTH_S", 0.0)
    fire.light()
    fire.burn(20)
    watcher.look(NOW_S)
    home = Home(path.parent)
    with home.logger_lock():
        sign = Sign(home)
        sign.give(recording=False, trouble="the disk is full; make room")
        assert watcher.look(NOW_S)[0] == "afresh"
        said = watcher.snapshot()
        assert (said["trouble"], said["unrecorded"]) == ("the disk is full; make room", True)
        assert watcher.look(NOW_S)[0] == "same"
        sign.give(recording=True, trouble="")
        assert watcher.look(NOW_S)[0] == "afresh"
        assert watcher.snapshot()["trouble"] is None
        sign.close()


def test_a_replaced_journal_is_opened_anew(path: Path, fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    watcher.look(NOW_S)
    fire.writer.close()
    for file in path.parent.iterdir():
        file.unlink()
    other = SmallFire(path, k=3)
    other.light()
    other.burn(5)
    assert watcher.look(NOW_S)[0] == "afresh"
    assert len(watcher.snapshot()["probes"]) == 3
    other.writer.close()
    fire.writer = other.writer


def test_zones_are_told_as_they_change_and_an_update_stays_small(watcher: Watcher, fire: SmallFire) -> None:
    def zone(j: int, level_c: float, **more: object) -> dict[str, object]:
        said = f"{780 - level_c:.0f} °C below its target; not yet above burn-out (650 °C)"
        return {"zone": f"windward {j}", "level_c": level_c, "rate_c_per_min": 12.3, "peak_c": level_c,
                "above_burnout_s": 59.0, "soak_s": 0.0, "missing": said, "coals": False, "faulty": False} | more  # fmt: skip

    fire.light()
    fire.burn(20)
    fire.beat(1000.0, verdict={"line": "", "stage": "climb", "zones": [zone(j, 500.0) for j in range(16)]})
    watcher.look(1000.0)
    assert watcher.snapshot()["zones"]["windward 3"][:5] == [500, 12, 500, 0, 0]
    fire.burn(24)
    warmer = [zone(j, 500.4 if j else 501.0) for j in range(16)]
    fire.beat(1001.0, verdict={"line": "", "stage": "climb", "zones": warmer})
    assert list(update(watcher, 1001.0)["zones"]) == ["windward 0"]
    fire.burn(24)
    every = [zone(j, 600.0 + j, above_burnout_s=61.0) for j in range(15)] + [zone(15, 0.0, faulty=True)]
    fire.beat(1002.0, verdict={"line": "", "stage": "climb", "zones": every})
    message = update(watcher, 1002.0)
    assert len(message["zones"]) == 16
    assert message["zones"]["windward 3"][3] == 1
    assert message["zones"]["windward 15"][6] == "faulty"
    assert len(orjson.dumps(message)) < 4000 + 2500, "a whole backlog of frames, and every zone at once"
    fire.burn(3)
    fire.beat(
        1003.0, verdict={"line": "", "stage": "climb", "zones": [zone(j, 650.0 + j) for j in range(16)]}
    )
    assert len(orjson.dumps(update(watcher, 1003.0))) < 4000
