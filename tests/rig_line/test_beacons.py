"""Which rigs are told what to show, and which are missed when they don't answer."""

from __future__ import annotations

from itertools import count

import pytest

from logger.rig_line.beacon import FAILED_AFTER_S, REPEAT_S, RIG_GONE_S, TEST_S, Beacons, Show
from logger.rig_line.dialogue import BeaconAnswer


class Rigs:
    """Rigs that answer, or don't."""

    def __init__(self, shows: dict[str, str | None], known: tuple[str, ...] = ()) -> None:
        self.shows = shows  # what each answers: None nothing, "=" what it was told, else that word
        self.said: list[tuple[float, str, str, str]] = []
        self.now_s = 0.0
        self.heard = dict.fromkeys(shows, ("port", 0.0))
        self.beacons = Beacons(self._say, count(1).__next__, known)

    def _say(self, source: str, rig: str, line: bytes) -> None:
        number, _, show = line.split(b"*")[0][1:].decode().partition(" ")
        self.said.append((self.now_s, source, rig, show))
        says = self.shows[rig]
        if says is not None:
            answer = BeaconAnswer(rig, int(number), show if says == "=" else says)
            self.beacons.answered(answer, "port")

    def run(self, seconds: float, show: Show = Show.QUIET, *, silent: tuple[str, ...] = ()) -> None:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            for rig in self.heard:
                if rig not in silent:
                    self.heard[rig] = ("port", self.now_s)
            self.beacons.tick(self.now_s, show, self.heard)
            self.now_s += 0.25

    @property
    def states(self) -> dict[str, str]:
        return self.beacons.states(self.now_s)


def test_one_that_answers_is_there_and_one_without_a_lamp_is_not() -> None:
    rigs = Rigs({"a1": "=", "b2": "none", "c3": None})
    rigs.run(60)
    assert rigs.states == {"a1": "shown"}
    assert {rig for _, _, rig, _ in rigs.said} == {"a1", "b2", "c3"}


def test_it_is_told_of_a_change_at_once() -> None:
    rigs = Rigs({"a1": "="})
    rigs.run(7)
    rigs.run(0.5, Show.ALARM)
    assert rigs.said[-1] == (7.0, "port", "a1", "alarm")


def test_it_is_told_again_every_few_seconds() -> None:
    rigs = Rigs({"a1": None})
    rigs.run(2 * REPEAT_S + 1)
    assert [now_s for now_s, *_ in rigs.said] == [0.0, REPEAT_S, 2 * REPEAT_S]


@pytest.mark.parametrize(
    "answer",
    [
        BeaconAnswer("a1", 1, "quiet"),  # to what was said before
        BeaconAnswer("a1", 99, "alarm"),  # to something that was never said
        BeaconAnswer("b2", 2, "alarm"),  # another rig's
        BeaconAnswer("a1", 2, "lost"),  # it shows something else
    ],
)
def test_an_answer_that_is_not_the_right_one_does_not_count(answer: BeaconAnswer) -> None:
    rigs = Rigs({"a1": None}, known=("a1",))
    rigs.run(1)
    rigs.run(1, Show.ALARM)
    rigs.beacons.answered(answer, "port")
    assert rigs.states == {"a1": "waiting"}
    rigs.beacons.answered(BeaconAnswer("a1", 2, "alarm"), "port")
    assert rigs.states == {"a1": "shown" if answer.show != "lost" else "waiting"}


def test_one_that_stops_answering_has_failed_until_it_answers_again() -> None:
    rigs = Rigs({"a1": "="})
    rigs.run(10)
    rigs.shows["a1"] = None
    rigs.run(FAILED_AFTER_S - 3)
    assert rigs.states == {"a1": "waiting"}
    rigs.run(9)
    assert rigs.states == {"a1": "failed"}
    rigs.shows["a1"] = "="
    rigs.run(6)
    assert rigs.states == {"a1": "shown"}


def test_one_that_shows_something_else_has_failed() -> None:
    rigs = Rigs({"a1": "="})
    rigs.run(6)
    rigs.shows["a1"] = "off"
    rigs.run(20)
    assert rigs.states == {"a1": "failed"}


def test_a_rig_that_is_silent_as_a_whole_is_another_alarms_affair() -> None:
    rigs = Rigs({"a1": "="})
    rigs.run(6)
    rigs.shows["a1"] = None
    rigs.run(RIG_GONE_S + 30, silent=("a1",))
    assert rigs.states == {"a1": "unreachable"}
    rigs.run(FAILED_AFTER_S - 1)  # it has its full time again once it is back
    assert rigs.states == {"a1": "waiting"}


def test_one_known_from_before_is_missed_though_it_never_answered_this_logger() -> None:
    rigs = Rigs({"a1": None}, known=("a1",))
    assert rigs.states == {"a1": "unreachable"}
    rigs.run(FAILED_AFTER_S + 1)
    assert rigs.states == {"a1": "failed"}


def test_a_test_is_shown_for_its_time_and_then_what_should_be() -> None:
    rigs = Rigs({"a1": "="})
    rigs.run(1)
    rigs.beacons.test(rigs.now_s)
    rigs.run(TEST_S)
    assert [show for *_, show in rigs.said] == ["quiet", "test"]
    rigs.run(1, Show.ALARM)
    assert rigs.said[-1][3] == "alarm"


def test_forged_answers_make_no_beacon_and_hide_none() -> None:
    """A rig without a beacon that others answer for is not missed; one that has failed can't be talked well."""
    rigs = Rigs({"a1": None, "b2": "="}, known=("b2",))
    for seconds in range(30):
        for number in range(40):
            rigs.beacons.answered(BeaconAnswer("a1", number, "alarm"), "mqtt://elsewhere")
            rigs.beacons.answered(BeaconAnswer("a1", 10**6 + number, "alarm"), "port")
            rigs.beacons.answered(BeaconAnswer("b2", number, "none"), "mqtt://elsewhere")
        if seconds == 10:
            rigs.shows["b2"] = None
        rigs.run(1)
    assert rigs.states == {"b2": "failed"}


def test_an_answer_that_was_recorded_and_comes_again_is_none() -> None:
    rigs = Rigs({"a1": "="})
    rigs.run(1)
    rigs.shows["a1"] = None
    for _ in range(30):
        rigs.run(1)
        rigs.beacons.answered(BeaconAnswer("a1", 1, "quiet"), "port")
    assert rigs.states == {"a1": "failed"}
