"""When a firing begins, goes on and ends, and under which plan: without a thread, a rig or a judgement."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec.structs import replace

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import Plan, loads
from logger.reading import Frame, Sample
from logger.recording.firing_state import Armed, FiringState, Standing, keep_armed

START_US = 1_900_000_000_000_000  # 2030-03-17: an invented firing
PLAN = loads('title = "Three bowls, invented"\n[[probe]]\nname = "k0"\nreads = "air"\nzone = "upper"\n')
OTHER = replace(PLAN, title="Two jars, invented")


class Bench:
    def __init__(self, path: Path) -> None:
        self.path = path
        self.writer = JournalWriter(path)

    def state(self, plan: Plan | None = None) -> FiringState:
        """As after a start of the logger."""
        made = FiringState(plan, title="By the command line", invented=True)
        with contextlib.closing(JournalReader(self.path)) as reader:
            self.damage = made.resume(self.writer, reader, START_US)
        return made

    def begin(self, state: FiringState) -> Standing:
        batches, troubles = state.convert([(Frame("a1", 0, 0, {"k0": Sample(c=20.0)}), START_US)])
        assert (state.begins(batches), troubles) == (START_US, [])
        assert state.begins(batches) is None, "it begins once"
        with self.writer.transaction():
            standing = state.open(self.writer)
        state.opened(standing)
        return standing


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "journal.sqlite")
    yield made
    made.writer.close()


def test_the_first_reading_opens_a_firing_and_a_restart_goes_on_with_it(bench: Bench) -> None:
    firing = bench.begin(bench.state()).firing
    assert firing is not None
    assert (firing.title, firing.started_us, firing.invented) == ("By the command line", START_US, True)
    again = bench.state().now.firing
    assert again is not None
    assert again.id == firing.id


def test_a_plan_gives_the_title_and_another_takes_its_place(bench: Bench) -> None:
    state = bench.state(PLAN)
    assert state.channels == ["k0"]
    firing = bench.begin(state).firing
    assert firing is not None
    assert firing.title == "Three bowls, invented"
    assert bench.state().plan == PLAN, "the firing's own goes on"
    assert bench.state(OTHER).plan == OTHER
    assert bench.writer.firing(firing.id).plan == OTHER


def test_what_was_armed_goes_before_the_plan_of_the_command_line(bench: Bench) -> None:
    keep_armed(bench.writer, Armed(OTHER))
    state = bench.state(PLAN)
    assert state.plan == OTHER
    firing = bench.begin(state).firing
    assert firing is not None
    assert firing.title == "Two jars, invented"
    assert state.now.armed == Armed(OTHER, firing.id)
    assert bench.state(PLAN).plan == OTHER, "until that firing ends"
    bench.writer.finish_firing(firing.id, START_US)
    assert bench.state(PLAN).plan == PLAN


def test_a_plan_that_cannot_be_read_ends_nothing(bench: Bench) -> None:
    firing = bench.begin(bench.state(PLAN)).firing
    assert firing is not None
    bench.writer.change_firing(firing.id, plan_toml="target_c = 'hot'")
    state = bench.state()
    assert state.now.firing is not None
    assert state.plan is None
    assert "target_c" in bench.damage


def test_the_next_firing_begins_afresh(bench: Bench) -> None:
    state = bench.state(PLAN)
    standing = bench.begin(state)
    assert not state.change(standing), "nothing has changed"
    assert standing.firing is not None
    bench.writer.finish_firing(standing.firing.id, START_US)
    assert state.change(Standing(None, holding=True)), "finished"
    assert not state.change(Standing(None)), "asked for another"
    assert state.change(Standing(None, armed=Armed(OTHER)))
    assert state.plan == OTHER
    second = bench.begin(state).firing
    assert second is not None
    assert second.id != standing.firing.id
