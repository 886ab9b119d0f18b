"""The life of an alarm: ANSI/ISA-18.2-2016, states from memory."""

from __future__ import annotations

import pytest

from logger.judgement.alarms import MOST_STANDING, AlarmBook, Condition, Event
from logger.judgement.packing import memory, pack, recall, unpack

KEY = "over_temperature:upper"


def step(alarms: AlarmBook, t_s: float, key: str = KEY, *, holds: bool = True) -> list[Event]:
    rule, _, zone = key.partition(":")
    return alarms.step(t_s, Condition(rule, zone, None, holds, 3.0, 2.0, lambda: "hot"))


def book(keys: tuple[str, ...] = (KEY,)) -> tuple[AlarmBook, list[Event]]:
    alarms = AlarmBook()
    return alarms, [event for key in keys for t in range(3) for event in step(alarms, float(t), key)]


def test_on_delay_then_unacknowledged() -> None:
    alarms = AlarmBook()
    assert [len(step(alarms, float(t))) for t in range(3)] == [0, 0, 1]
    assert alarms.alarms[KEY].state == "unacknowledged"


def test_a_break_starts_the_on_delay_again() -> None:
    alarms = AlarmBook()
    assert [len(step(alarms, float(t), holds=t != 1)) for t in range(5)] == [0, 0, 0, 0, 1]


def test_off_delay_and_return_unacknowledged() -> None:
    alarms, _ = book()
    assert step(alarms, 4.0, holds=False) == []
    (event,) = step(alarms, 5.0, holds=False)
    assert event.data["transition"] == "cleared"
    assert event.data["state"] == "returned-unacknowledged"
    (event,) = alarms.act(6.0, "ack", KEY, "Potter", 0.0)
    assert (event.data["state"], event.who) == ("normal", "Potter")
    assert alarms.standing() == []
    with pytest.raises(KeyError):
        alarms.act(7.0, "ack", KEY, "Potter", 0.0)


def test_acknowledged_returns_to_normal() -> None:
    alarms, _ = book()
    (event,) = alarms.act(3.0, "ack", KEY, "Potter", 0.0)
    assert event.data["state"] == "acknowledged"
    assert alarms.act(3.5, "ack", KEY, "Other", 0.0) == []
    (event,) = [event for t in (4.0, 5.0) for event in step(alarms, t, holds=False)]
    assert event.data["state"] == "normal"


def test_shelved_is_quiet_and_comes_back_after_its_time() -> None:
    alarms, _ = book()
    (event,) = alarms.act(3.0, "shelve", KEY, "Potter", 1.0)
    assert event.data["state"] == "shelved"
    assert alarms.standing() == []
    assert alarms.expire(62.0) == []
    (event,) = alarms.expire(63.0)
    assert (event.data["transition"], event.data["state"]) == ("unshelved", "unacknowledged")


def test_first_out_and_the_probable_cause_first() -> None:
    alarms, events = book(("cooling_too_fast:upper", "coal_collapse:upper"))
    assert [e.data["first_out"] for e in events] == [True, False]
    assert [a.rule for a in alarms.standing()] == ["coal_collapse", "cooling_too_fast"]


def test_at_most_a_handful_is_shown() -> None:
    alarms, _ = book(tuple(f"over_temperature:{i}" for i in range(12)))
    assert len(alarms.standing()) == MOST_STANDING


def test_unknown_key_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        AlarmBook().act(0.0, "ack", "no:such", "Potter", 0.0)


def test_a_snapshot_keeps_all() -> None:
    alarms, _ = book()
    alarms.act(3.0, "shelve", KEY, "Potter", 5.0)
    again = AlarmBook()
    recall(again, unpack(pack(memory(alarms))))
    assert again == alarms
