"""The life of an alarm: ANSI/ISA-18.2-2016, states from memory."""

from __future__ import annotations

import pytest

from logger.judgement.alarms import MOST_STANDING, AlarmBook, Event

KEY = "over_temperature:upper"


def book(keys: tuple[str, ...] = (KEY,)) -> tuple[AlarmBook, list[Event]]:
    alarms, events = AlarmBook(), []
    for key in keys:
        for t in range(3):
            if alarms.step(float(t), key, True, 3.0, 2.0) == "raised":
                events += alarms.raise_(float(t), key, key.partition(":")[2], None, "hot")
    return alarms, events


def test_on_delay_then_unacknowledged() -> None:
    alarms = AlarmBook()
    assert [alarms.step(float(t), KEY, True, 3.0, 2.0) for t in range(3)] == ["", "", "raised"]


def test_a_break_starts_the_on_delay_again() -> None:
    alarms = AlarmBook()
    said = [alarms.step(float(t), KEY, t != 1, 3.0, 2.0) for t in range(5)]
    assert said == ["", "", "", "", "raised"]


def test_off_delay_and_return_unacknowledged() -> None:
    alarms, _ = book()
    assert alarms.step(4.0, KEY, False, 3.0, 2.0) == ""
    assert alarms.step(5.0, KEY, False, 3.0, 2.0) == "cleared"
    (event,) = alarms.clear(5.0, KEY)
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
    (event,) = alarms.clear(5.0, KEY)
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
    again = AlarmBook.from_state(alarms.state())
    assert again == alarms
