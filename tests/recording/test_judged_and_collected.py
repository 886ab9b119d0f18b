"""What arrives is converted, judged and counted; the judgement resumes after a restart, at once or alongside."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import loads
from logger.reading import Event, Frame, Sample
from logger.recording import judged
from logger.recording.backlog import Unit
from logger.recording.firing_state import Standing
from logger.recording.hosttime import HostTime
from logger.recording.judged import UNJUDGED
from logger.replay.judging import Judging
from logger.rig_line.beacon import Show
from tests.processes import until
from tests.recording.made_recorder import Nobody, made_recorder

PLAN = loads(
    'title = "Three bowls, invented"\n[[probe]]\nname = "k0"\nreads = "wall"\nzone = "upper"\n'
    "[alarm.over_temperature]\nlimit_c = 300\nfor_s = 5\n"
)


class Clock(HostTime):
    """A clock that shows where the test has got to."""

    now_us = 1_900_000_000_000_000

    def utc_us(self) -> int:
        return self.now_us


class Lamps(Nobody):
    """Rigs with lamps whose state the test sets."""

    def __init__(self) -> None:
        self.states: dict[str, str] = {}

    def beacons(self) -> dict[str, str]:
        return self.states


class Bench:
    """The recorder's parts between intake and disk, over a journal on disk."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.time = Clock()
        self.begun_us = self.time.now_us
        self.writer = JournalWriter(path)
        self.lamps = Lamps()
        self.start()

    def start(self) -> None:
        """As after a start of the logger."""
        self.recorder, _ = made_recorder(self.path, PLAN, rigs=self.lamps, time_line=self.time)
        self.state, self.judged = self.recorder.state, self.recorder.judged
        with contextlib.closing(JournalReader(self.path)) as reader:
            self.state.resume(self.writer, reader, self.time.utc_us())
            if self.state.now.firing is not None:
                self.judged.resume(self.writer, reader, self.state.now.firing, self.state.plan)

    def hear(self, first_s: int, last_s: int, c: float, rise_c: float = 0.0) -> list[Event]:
        """A frame a second, rising evenly, judged and put into the journal."""
        self.time.now_us = self.begun_us + 1_000_000 * last_s
        frames = [
            (
                Frame("a1", s, 1000 * s, {"k0": Sample(c=c + rise_c * (s - first_s) / (last_s - first_s))}),
                self.begun_us + 1_000_000 * s,
            )
            for s in range(first_s, last_s)
        ]
        unit = Unit(frames=frames)
        assert self.recorder.collect(unit)
        with self.writer.transaction():
            standing = self.state.open(self.writer)
            assert standing.firing is not None
            for batch in unit.batches:
                self.writer.append(standing.firing.id, batch)
        self.state.opened(replace(standing, firing=self.writer.firing(standing.firing.id)))
        return unit.events


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "journal.sqlite")
    yield made
    made.writer.close()


def raised(events: list[Event]) -> list[str]:
    return [e.data["rule"] for e in events if e.kind == "alarm" and e.data.get("transition") == "raised"]


def test_an_alarm_is_said_with_the_readings_that_raise_it_and_shown_at_the_fire(bench: Bench) -> None:
    assert raised(bench.hear(0, 30, 290.0)) == []
    assert bench.judged.show(firing=True) is not Show.ALARM
    assert raised(bench.hear(30, 120, 290.0, rise_c=20.0)) == ["over_temperature"]
    assert bench.judged.verdict is not None
    assert bench.judged.show(firing=True) is Show.ALARM


def test_nothing_new_is_nothing_to_write(bench: Bench) -> None:
    assert not bench.recorder.collect(Unit())


def test_readings_that_are_let_go_by_are_counted_and_not_judged(bench: Bench) -> None:
    bench.state.change(replace(bench.state.now, holding=True))
    frame = (Frame("a1", 0, 0, {"k0": Sample(c=20.0)}), bench.begun_us)
    unit = Unit(frames=[frame], tokens=[("port", 1)], placed=[7])
    assert bench.recorder.collect(unit)
    assert (unit.batches, unit.placed, unit.tokens) == ([], [], [("port", 1)])
    assert bench.recorder.beat(bench.state.now, bench.time.now_us)["not_recorded"] == 1
    assert bench.judged.judging is None


def test_a_channel_that_cannot_be_converted_is_said_once(bench: Bench) -> None:
    def faults(seq: int) -> list[str]:
        frame = Frame("a1", seq, 1000 * seq, {"k0": Sample(amp="invented", raw="2f10190")})
        unit = Unit(frames=[(frame, bench.begun_us + 1_000_000 * seq)])
        bench.recorder.collect(unit)
        return [e.data["text"] for e in unit.events if e.kind == "fault"]

    (said,) = faults(0)
    assert "invented" in said
    assert faults(1) == []


def test_a_restart_goes_on_from_the_state_that_was_kept(bench: Bench) -> None:
    bench.hear(0, 60, 400.0)
    bench.judged.keep(bench.writer, bench.state.now.firing)
    bench.start()
    assert bench.judged.judging is not None, "at once: little came since"
    assert raised(bench.hear(60, 90, 400.0)) == [], "it stands, and isn't raised again"
    bench.judged.refresh()
    assert bench.judged.verdict is not None
    assert [alarm["rule"] for alarm in bench.judged.verdict["alarms"]] == ["over_temperature"]


def test_without_a_state_it_catches_up_beside_the_recording(bench: Bench) -> None:
    bench.hear(0, 30, 290.0)
    bench.hear(30, 200, 290.0, rise_c=110.0)
    bench.start()
    firing = bench.state.now.firing
    assert firing is not None
    assert bench.judged.judging is None
    assert bench.hear(200, 230, 400.0) == [], "recorded, not judged yet"
    with contextlib.closing(JournalReader(bench.path)) as reader:
        assert reader.meta(UNJUDGED) == {"firing": firing.id, "since_us": firing.last_us}
    assert not bench.judged.judge_again(bench.writer, firing, PLAN), "that is under way"
    caught = until(lambda: bench.judged.caught_up(bench.writer, firing, PLAN), "the judgement")
    assert raised(caught.events) == [], "what was said before is in the journal already"
    assert bench.judged.judging is not None
    bench.judged.refresh()
    assert bench.judged.verdict is not None
    assert [alarm["rule"] for alarm in bench.judged.verdict["alarms"]] == ["over_temperature"]


def test_a_lamp_that_does_not_answer_is_an_alarm_until_it_does(bench: Bench) -> None:
    bench.hear(0, 30, 20.0)
    bench.lamps.states["a1"] = "failed"
    assert raised(bench.hear(30, 31, 20.0)) == ["beacon_failed"]
    assert bench.judged.keep_at_once, "no reading tells it again after a restart"
    bench.lamps.states["a1"] = "unknown"
    assert bench.hear(31, 32, 20.0) == [], "no news"
    bench.lamps.states["a1"] = "shown"
    (cleared,) = bench.hear(32, 33, 20.0)
    assert cleared.data["transition"] == "cleared"


def test_a_judgement_that_fails_is_switched_off_until_the_next_firing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Broken(Judging):
        def take(self, batches: object) -> list[object]:  # type: ignore[override]
            raise ZeroDivisionError("made up")

    with monkeypatch.context() as broken:
        broken.setattr(judged, "Judging", Broken)
        (said,) = bench.hear(0, 5, 20.0)
    assert said.data == {"what": "judgement_failed", "detail": "ZeroDivisionError('made up')"}
    assert bench.hear(5, 10, 20.0) == []
    assert bench.judged.trouble
    assert bench.state.now.firing is not None
    bench.judged.end()
    bench.judged.judge([], bench.begun_us, None, PLAN)
    assert bench.judged.trouble == ""


def test_the_beat_counts_what_is_on_the_disk_and_what_goes_there_with_it(bench: Bench) -> None:
    first = bench.recorder.beat(Standing(), 1_000)
    assert (first["readings"], first["last_commit_us"], first["firing"]) == (0, None, None)
    with_it = bench.recorder.beat(Standing(holding=True), 2_000, 16)
    assert (with_it["readings"], with_it["last_commit_us"], with_it["holding"]) == (16, 2_000, True)
    assert bench.recorder.beat(Standing(), 3_000)["readings"] == 0, "the commit failed"
