from __future__ import annotations

import itertools
from itertools import count

import pytest

from logger.rig_line.beacon import (
    FAILED_AFTER_S,
    REPEAT_S,
    Beacon,
    Show,
    answer_topic,
    ask_topic,
    beacon_line,
    show_for,
)
from logger.rig_line.dialogue import BeaconAnswer, decode_answer, sealed


def number_of(line: bytes | None) -> int:
    assert line is not None
    return int(line.split(b" ")[0][1:])


def test_the_line_is_what_the_notes_say() -> None:
    # CRC-32 of "b17 alarm" by another program (gzip's trailer, `printf 'b17 alarm' | gzip -c`).
    assert beacon_line(17, Show.ALARM) == b"b17 alarm*052ec145\n"
    assert (ask_topic("a1"), answer_topic("a1")) == ("stokewatch/a1/ask", "stokewatch/a1/answer")


@pytest.mark.parametrize(
    ("facts", "show"),
    [
        ({"firing": False, "unacknowledged": True}, Show.OFF),
        ({}, Show.QUIET),
        ({"standing": True}, Show.STANDING),
        ({"good": True, "standing": True}, Show.GOOD),
        ({"unacknowledged": True, "good": True, "standing": True}, Show.ALARM),
    ],
)
def test_what_is_shown(facts: dict[str, bool], show: Show) -> None:
    given = {"firing": True, "unacknowledged": False, "standing": False, "good": False} | facts
    assert show_for(**given) is show


def test_an_alarm_outranks_everything_while_there_is_a_firing() -> None:
    for standing, good in itertools.product((False, True), repeat=2):
        assert show_for(firing=True, unacknowledged=True, standing=standing, good=good) is Show.ALARM


def test_it_is_told_at_once_when_something_changes_and_again_every_few_seconds() -> None:
    beacon = Beacon("a1", count(1).__next__)
    assert beacon.state(0.0) == "untold"
    assert beacon.due(0.0) == beacon_line(1, Show.OFF)
    assert beacon.due(1.0) is None
    beacon.want(Show.ALARM)
    assert beacon.due(1.1) == beacon_line(2, Show.ALARM)
    assert beacon.due(1.1 + REPEAT_S - 0.1) is None
    assert beacon.due(1.1 + REPEAT_S) == beacon_line(3, Show.ALARM)


def test_no_answer_is_a_failure_and_an_answer_mends_it() -> None:
    beacon = Beacon("a1", count(1).__next__)
    beacon.want(Show.ALARM)
    now_s = 0.0
    lines = []
    while now_s < FAILED_AFTER_S:
        lines.append(beacon.due(now_s))
        assert beacon.state(now_s) == "waiting"
        now_s += 0.5
    beacon.due(now_s)
    assert beacon.state(now_s) == "failed"
    assert len([line for line in lines if line]) == 3  # it had been said three times before that
    beacon.answered(BeaconAnswer("a1", number_of(lines[0]), "alarm"))
    assert beacon.state(now_s) == "shown"


def test_an_answer_that_stops_coming_is_noticed() -> None:
    beacon = Beacon("a1", count(1).__next__)
    for second in range(100):
        line = beacon.due(float(second))
        if line and second < 50:
            beacon.answered(BeaconAnswer("a1", number_of(line), "off"))
        if second < 50:
            assert beacon.state(float(second)) == "shown"
    assert beacon.state(50 + REPEAT_S + FAILED_AFTER_S) == "failed"


@pytest.mark.parametrize(
    "answer",
    [
        BeaconAnswer("b2", 1, "alarm"),  # another rig's
        BeaconAnswer("a1", 99, "alarm"),  # to something that was never said
        BeaconAnswer("a1", 1, "quiet"),  # it shows something else
        BeaconAnswer("a1", 1, "lost"),
    ],
)
def test_an_answer_that_is_not_the_right_one_does_not_count(answer: BeaconAnswer) -> None:
    beacon = Beacon("a1", count(1).__next__)
    beacon.want(Show.ALARM)
    assert number_of(beacon.due(0.0)) == 1
    beacon.answered(answer)
    assert beacon.state(FAILED_AFTER_S) == "failed"


def test_a_late_answer_to_what_was_shown_before_does_not_count() -> None:
    beacon = Beacon("a1", count(1).__next__)
    first = number_of(beacon.due(0.0))
    beacon.want(Show.ALARM)
    beacon.due(0.1)
    beacon.answered(BeaconAnswer("a1", first, "off"))
    assert beacon.state(0.2) == "waiting"


def test_a_rig_without_lamp_and_buzzer_says_so() -> None:
    beacon = Beacon("a1", count(1).__next__)
    beacon.answered(BeaconAnswer("a1", number_of(beacon.due(0.0)), "none"))
    assert beacon.state(100.0) == "none"


def test_a_test_ends_by_itself() -> None:
    beacon = Beacon("a1", count(1).__next__)
    beacon.want(Show.TEST)
    beacon.answered(BeaconAnswer("a1", number_of(beacon.due(0.0)), "test"))
    assert beacon.state(1.0) == "shown"
    assert beacon.due(REPEAT_S) == beacon_line(2, Show.QUIET)


def test_answers_come_in_as_lines() -> None:
    line = sealed(b'#{"rig": "a1", "beacon": 17, "show": "alarm"}')
    assert decode_answer(line) == BeaconAnswer("a1", 17, "alarm")
    assert decode_answer(line.replace(b"17", b"18")) is None
