from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from firing_fixture import START_US, SmallFire

from dashboard.live.board import Board, Value
from dashboard.live.watch import Watcher
from logger.home import Home
from logger.reading import Status
from logger.recording.health import give_sign

NOW_S = 1_795_700_000.0


@pytest.fixture
def watcher(path: Path) -> Iterator[Watcher]:
    made = Watcher(path)
    yield made
    made.close()


def looked(watcher: Watcher, wall_s: float = NOW_S) -> str:
    return watcher.look(wall_s, Board())


def begun(watcher: Watcher) -> Board:
    watcher.look(NOW_S, Board())
    return watcher.board()


def update(watcher: Watcher, board: Board, wall_s: float = NOW_S) -> Board:
    """The board with what is new on it, and its new points alone."""
    board.points = [([], []) for _ in board.places]
    assert watcher.look(wall_s, board) == "update"
    return board


def test_no_journal_then_no_firing_then_a_firing(path: Path, watcher: Watcher) -> None:
    assert looked(watcher) == "same"
    assert watcher.board().firing is None
    fire = SmallFire(path, k=2)
    assert looked(watcher) == "afresh"
    assert watcher.board().firing is None
    fire.light()
    assert looked(watcher) == "afresh"
    assert (watcher.board().firing or {})["invented"] is True
    fire.burn(3)
    assert looked(watcher) == "afresh"  # channels nobody had seen
    assert looked(watcher) == "same"
    fire.writer.close()


def test_a_board_and_what_is_added_hold_each_reading_once(fire: SmallFire, watcher: Watcher) -> None:
    """Cut anywhere, over two packed minutes: the first drawing and the additions make up the journal."""
    fire.light()
    fire.burn(25)
    board = begun(watcher)
    seen = board.lines[3].t_s.round(3).tolist()
    for frames in (1, 2, 3, 20, 24, 5, 7) * 20:
        fire.burn(frames)
        seen += update(watcher, board).points[3][0]
    assert seen == [round(n / 10, 3) for n in range(fire.n)]
    assert watcher.look(NOW_S, board) == "same"


def test_rate_is_per_minute_over_a_minute(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(100)  # 10 s: too short to say
    board = begun(watcher)
    assert board.values[0].rate_c_min is None
    fire.burn(600)
    assert update(watcher, board).values[0].rate_c_min == pytest.approx(30.0, abs=0.05)
    again = Watcher(watcher.path)  # the same from the journal alone
    assert begun(again).values[0].rate_c_min == pytest.approx(30.0, abs=0.05)
    again.close()


def test_a_fault_is_a_status_and_the_last_value_stays_known(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    board = begun(watcher)
    fire.burn(2, status=Status.OPEN)
    assert update(watcher, board).points == [([2.0, 2.1], [None, None])] * 16
    value = board.values[0]
    assert value.c == pytest.approx(20.95, abs=0.051)
    assert value == Value(value.c, None, Status.OPEN, 1.9, 2.1, value.half_c)


def test_missing_readings_break_the_line(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    board = begun(watcher)
    fire.burn(3, skip=50)
    for t_s, c in update(watcher, board).points:
        assert t_s == [1.901, 7.0, 7.1, 7.2]
        assert c[0] is None
        assert None not in c[1:]


def test_late_readings_ask_for_a_new_snapshot(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    looked(watcher)
    fire.n = 5
    fire.burn(1)
    assert looked(watcher) == "afresh"


def test_sign_of_life_is_the_loggers_own_word_at_first(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    fire.beat(NOW_S - 100)
    looked(watcher)
    assert watcher.fresh_wall_s == NOW_S - 100
    fire.writer.set_meta("somebody", {"else": "writes"})
    looked(watcher, NOW_S + 1)
    assert watcher.fresh_wall_s == NOW_S - 100
    fire.beat(NOW_S + 2)
    looked(watcher, NOW_S + 2)
    assert watcher.fresh_wall_s == NOW_S + 2


def test_events_and_the_end_of_the_firing(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    board = begun(watcher)
    fire.writer.add_event(fire.id, START_US + 1_000_000, "note", {"text": "<b>wood</b>"}, "someone")
    assert update(watcher, board).events == [
        {"id": 1, "t": 1.0, "kind": "note", "data": {"text": "<b>wood</b>"}, "who": "someone"}
    ]
    fire.writer.add_event(fire.id, START_US + 1_500_000, "retract", {"event": 1})
    fire.burn(1)
    assert update(watcher, board).events == []
    fire.writer.finish_firing(fire.id, START_US + 2_000_000)
    assert watcher.look(NOW_S, board) == "afresh"
    assert (watcher.board().firing or {})["ended_s"] == 2.0


def test_standing_alarms_stay_until_the_logger_says_otherwise(fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    board = begun(watcher)
    fire.beat(NOW_S, alarms=[{"message": "Look"}])
    assert update(watcher, board).alarms == [{"message": "Look"}]
    fire.burn(1)
    assert update(watcher, board).alarms == watcher.board().alarms == [{"message": "Look"}]
    fire.beat(NOW_S + 1)
    assert update(watcher, board).alarms == []


def test_a_damaged_journal_is_said(path: Path, watcher: Watcher) -> None:
    path.write_bytes(b"this is no journal" * 100)
    assert looked(watcher) == "afresh"
    assert str(path) in str(watcher.board().trouble)
    assert looked(watcher) == "same"


def test_a_logger_that_cannot_record_is_said(
    path: Path, fire: SmallFire, watcher: Watcher, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a full disk nothing changes in the journal; the page still says so, and why."""
    monkeypatch.setattr("dashboard.live.watch.HEALTH_S", 0.0)
    fire.light()
    fire.burn(20)
    looked(watcher)
    home = Home(path.parent)
    with home.logger_lock():
        give_sign(home, recording=False, trouble="the disk is full; make room")
        assert looked(watcher) == "afresh"
        said = watcher.board()
        assert (said.trouble, said.unrecorded) == ("the disk is full; make room", True)
        assert looked(watcher) == "same"
        give_sign(home, recording=True, trouble="")
        assert looked(watcher) == "afresh"
        assert watcher.board().trouble is None


def test_a_replaced_journal_is_opened_anew(path: Path, fire: SmallFire, watcher: Watcher) -> None:
    fire.light()
    fire.burn(20)
    looked(watcher)
    fire.writer.close()
    for file in path.parent.iterdir():
        file.unlink()
    other = SmallFire(path, k=3)
    other.light()
    other.burn(5)
    assert looked(watcher) == "afresh"
    assert len(watcher.board().places) == 3
    other.writer.close()
    fire.writer = other.writer


def test_zones_are_rounded_to_what_is_shown(watcher: Watcher, fire: SmallFire) -> None:
    def zone(name: str, level_c: float, **more: object) -> dict[str, object]:
        return {"zone": name, "level_c": level_c, "rate_c_per_min": 12.3, "peak_c": level_c, "soak_s": 0.0,
                "above_burnout_s": 59.0, "missing": "more", "coals": False, "faulty": False} | more  # fmt: skip

    fire.light()
    fire.burn(20)
    fire.beat(1000.0, verdict={"line": "", "stage": "climb", "zones": [zone("upper", 500.4)]})
    board = begun(watcher)
    assert board.cards == {"upper": [500, 12, 500, 0, 0, "more", "probes"]}
    every = [zone("upper", 600.0, above_burnout_s=61.0), zone("lower", 0.0, faulty=True)]
    fire.beat(1001.0, verdict={"line": "", "stage": "climb", "zones": every})
    assert update(watcher, board).cards["upper"][3] == 1
    assert board.cards["lower"][6] == "faulty"
    fire.beat(1002.0, verdict=None)
    assert set(update(watcher, board).cards) == {"upper", "lower"}, "what was last known stays"
