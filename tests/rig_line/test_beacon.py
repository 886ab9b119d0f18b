from __future__ import annotations

import itertools

import pytest

from logger.rig_line.beacon import (
    Show,
    answer_topic,
    ask_topic,
    beacon_line,
    show_for,
)
from logger.rig_line.dialogue import BeaconAnswer, decode_answer, sealed


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


def test_answers_come_in_as_lines() -> None:
    line = sealed(b'#{"rig": "a1", "beacon": 17, "show": "alarm"}')
    assert decode_answer(line) == BeaconAnswer("a1", 17, "alarm")
    assert decode_answer(line.replace(b"17", b"18")) is None
