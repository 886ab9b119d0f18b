"""What rig and host say to each other besides frames: `?`, the beacon, the pin that mutes the rig."""

from __future__ import annotations

import itertools
import os
import select
import time
from pathlib import Path
from typing import Any

from rigbench import EIGHT, LiveRig, Outcome, hex_word, run

from logger.reading import Frame
from logger.rig_line import wire
from logger.rig_line.beacon import Show, beacon_line
from logger.rig_line.dialogue import AGAIN, WHO_ARE_YOU, About, BeaconAnswer, acknowledgement, decode_answer


def asked(tmp_path: Path, run_s: float, asks: list[tuple[float, str]], **changes: Any) -> Outcome:
    """Run a rig that is told these lines, each at its second."""
    told = [[round(t * 1000), line] for t, line in asks]
    return run(tmp_path, run_s, more={"host": {"asks": told}}, **changes)


def said(outcome: Outcome) -> list[tuple[int, About | BeaconAnswer]]:
    answers = [(ms, decode_answer(line)) for ms, line in outcome.lines if line.startswith(b"#")]
    assert all(a is not None for _, a in answers)
    return answers  # type: ignore[return-value]


def test_it_says_who_it_is_at_power_on_and_when_asked(tmp_path: Path) -> None:
    outcome = asked(tmp_path, 20, [(10, "?")], RIG="north.2", PERIOD_MS=250, LAMP_PIN=14)
    (first, at_power_on), (then, when_asked) = said(outcome)
    assert first == 0
    assert 10_000 <= then < 10_300
    assert isinstance(when_asked, About)
    assert at_power_on == when_asked
    assert (when_asked.rig, when_asked.period_ms, when_asked.link) == ("north.2", 250, "serial")
    assert when_asked.ch == {s["name"]: s["chip"] for s in EIGHT}
    assert when_asked.beacon == ("lamp",)
    assert (when_asked.kept, when_asked.lost, when_asked.missed) == (0, 0, 0)
    assert {f.rig for f in outcome.frames} == {"north.2"}


def lit(pins: list[tuple[int, int, int]], pin: int, start_s: float, end_s: float) -> list[tuple[int, int]]:
    """(time [ms], level) of a pin's changes."""
    return [
        (ms, level) for ms, number, level in pins if number == pin and start_s * 1000 <= ms < end_s * 1000
    ]


def test_the_beacon_shows_what_it_is_told_and_answers(tmp_path: Path) -> None:
    asks = [(5, "b1 quiet"), (15, "b2 alarm"), (20, "b3 alarm"), (25, "b4 standing")]
    outcome = asked(tmp_path, 30, asks, LAMP_PIN=14, BUZZER_PIN=15)
    answers = [(ms, a) for ms, a in said(outcome) if isinstance(a, BeaconAnswer)]
    shows = ("quiet", "alarm", "alarm", "standing")
    assert [a for _, a in answers] == [BeaconAnswer("a1", n, show) for n, show in enumerate(shows, 1)]
    assert all(abs(ms - t * 1000) < 100 for (ms, _), (t, _) in zip(answers, asks, strict=True))
    flash = lit(outcome.pins, 14, 5, 15)
    on = [b - a for (a, up), (b, _) in itertools.pairwise(flash) if up]
    assert len(on) == 2  # every five seconds
    assert all(25 <= ms <= 100 for ms in on)
    assert lit(outcome.pins, 15, 5, 15) == []  # and without a sound
    for pin in (14, 15):
        assert 30 <= len(lit(outcome.pins, pin, 15.1, 25)) <= 44  # on and off twice a second
    assert lit(outcome.pins, 14, 25.1, 30) == []  # steady
    assert [level for ms, n, level in outcome.pins if n == 14][-1] == 1
    assert [level for ms, n, level in outcome.pins if n == 15][-1] == 0


def test_the_beacon_shows_that_nobody_tells_it_anything(tmp_path: Path) -> None:
    """The logger dies while all is well: half a minute later the lamp says so, twice every three seconds."""
    outcome = asked(tmp_path, 60, [(5, "b1 quiet")], LAMP_PIN=14)
    flashes = [ms for ms, level in lit(outcome.pins, 14, 35.1, 59) if level]
    assert 14 <= len(flashes) <= 18
    (answer,) = (a for _, a in said(outcome) if isinstance(a, BeaconAnswer))
    assert answer.show == "quiet"


def test_a_beacon_answers_with_what_is_so(tmp_path: Path) -> None:
    """A word it doesn't know, and a rig that has nothing to show it with: never a yes."""
    asks = [(2, "b1 quiet"), (4, "b2 disco"), (6, "b3 lost"), (7, "bx quiet"), (8, "b")]
    outcome = asked(tmp_path, 10, asks, LAMP_PIN=14)
    assert [a for _, a in said(outcome)[1:]] == [BeaconAnswer("a1", n, "quiet") for n in (1, 2, 3)]
    without = asked(tmp_path, 10, [(2, "b1 alarm")])
    assert said(without)[-1][1] == BeaconAnswer("a1", 1, "none")


def test_the_test_ends_after_three_seconds(tmp_path: Path) -> None:
    outcome = asked(tmp_path, 12, [(2, "b1 test")], LAMP_PIN=14, BUZZER_PIN=15)
    assert len(lit(outcome.pins, 14, 2, 5.2)) >= 10
    (_, on), (ended, off) = lit(outcome.pins, 15, 2, 12)
    assert (on, off) == (1, 0)
    assert 4900 <= ended <= 5200
    assert len([1 for _, level in lit(outcome.pins, 14, 5.3, 12) if level]) == 1  # quiet


def test_rubbish_on_the_line_does_not_disturb_it(tmp_path: Path) -> None:
    rubbish = ["a", "a-", "b1", "q", "x" * 900, "a99999999999999999999", "*", ""]
    outcome = asked(tmp_path, 10, [*((t / 10, line) for t, line in enumerate(rubbish)), (5, "?")])
    assert [f.seq for f in outcome.frames] == list(range(20))
    assert len(said(outcome)) == 2


def test_the_service_pin_keeps_it_still(tmp_path: Path) -> None:
    still = run(tmp_path, 5, more={"pins": {"22": 0}}, SERVICE_PIN=22)
    assert still.lines == []
    assert still.watchdog_ms is None
    assert len(run(tmp_path, 5, SERVICE_PIN=22).frames) == 10


def test_through_a_pseudo_terminal_in_real_time(tmp_path: Path) -> None:
    """Bytes over a real tty, both ways, in the pieces in which they arrive."""
    words = [hex_word("max31855", c) for c in (500.0, 700.0)]
    held = {"k0": [[-1, words[0]], [3000, words[1]]]}
    splitter = wire.LineSplitter()
    frames: list[Frame] = []
    answers: list[Any] = []
    with LiveRig(tmp_path, chips=held, PERIOD_MS=100, LAMP_PIN=14) as rig:
        fd = os.open(rig.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            os.write(fd, AGAIN)
            asks = [WHO_ARE_YOU, beacon_line(5, Show.ALARM)]
            end = time.monotonic() + 20
            while time.monotonic() < end and len(frames) < 60:
                if not select.select([fd], [], [], 1.0)[0]:
                    continue
                for line in splitter.feed(os.read(fd, 4096)):
                    if line.startswith(b"#"):
                        answers.append(decode_answer(line))
                        continue
                    frames.append(wire.decode(line))
                    os.write(fd, acknowledgement(frames[-1].seq))
                    if len(frames) in (20, 30):
                        os.write(fd, asks.pop(0))
        finally:
            os.close(fd)
    assert [f.seq for f in frames] == list(range(60)), rig.log.read_text()[-2000:]
    assert {f.ch["k0"].raw for f in frames} == set(words)
    assert [type(a) for a in answers] == [About, About, BeaconAnswer]
    assert answers[-1] == BeaconAnswer("a1", 5, "alarm")
