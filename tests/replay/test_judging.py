"""The judgement's feeder: the same words live, after a restart and in rehearsal; several rigs on one time line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel, Status
from logger.replay.judging import Judging, rehearse
from logger.simulator import SimulatedFiring, simulate
from tests.invented_firings import part_of

START_US = 1_795_000_000_000_000


@pytest.fixture(scope="module")
def fire() -> SimulatedFiring:
    """Forty minutes in which alarms are raised and cleared."""
    return part_of(simulate(11, rate_hz=0.5, mishaps="any", probes=4), 2400.0, 4800.0)


def batches(fire: SimulatedFiring, rigs: int = 1, step: int = 7, until: int | None = None) -> list[Batch]:
    """The firing as batches; its columns are shared among several rigs, whose frames alternate."""
    made = []
    n = until or len(fire.t_s)
    for a in range(0, n, step):
        rows = slice(a, min(a + step, n))
        for rig in range(rigs):
            values = fire.temperature_c[rows, rig::rigs]
            shape = values.shape
            made.append(
                Batch(
                    rig=f"r{rig}",
                    channels=tuple(Channel(p.channel, "celsius") for p in fire.plan.probes[rig::rigs]),
                    t_us=START_US + np.round(fire.t_s[rows] * 1e6).astype(np.int64) + 1000 * rig,
                    seq=np.arange(a, a + shape[0]),
                    ms=np.round(fire.t_s[rows] * 1000).astype(np.int64),
                    raw=values,
                    raw_cj=np.full(shape, np.nan),
                    temperature_c=values,
                    cold_junction_c=np.full(shape, np.nan),
                    status=fire.status[rows, rig::rigs],
                )
            )
    return made


def seen(fire: SimulatedFiring, rigs: int = 1) -> list[tuple[str, str]]:
    return [(f"r{rig}", p.channel) for rig in range(rigs) for p in fire.plan.probes[rig::rigs]]


def journal(path: Path, fire: SimulatedFiring, made: list[Batch]) -> JournalReader:
    writer = JournalWriter(path)
    firing = writer.open_firing(fire.plan.title, fire.plan.dumps(), START_US, invented=True)
    with writer.transaction():
        for batch in made:
            writer.append(firing.id, batch)
    writer.close()
    return JournalReader(path)


@pytest.mark.parametrize("rigs", [1, 2])
def test_rehearsal_says_what_was_said_live(fire: SimulatedFiring, rigs: int, tmp_path: Path) -> None:
    live = Judging(fire.plan, START_US)
    live.rebuild(seen(fire, rigs))
    made = batches(fire, rigs)
    said = [e for i in range(0, len(made), rigs) for e in live.take(made[i : i + rigs])]
    reader = journal(tmp_path / "j.sqlite", fire, made)
    try:
        firing = reader.firing("last")
        again = Judging(fire.plan, START_US)
        again.rebuild(firing.seen)
        assert again.replay(reader, firing.id, None) == said
        assert any(e.kind == "alarm" for e in said), "a firing in which nothing is said shows nothing"
        raised = [e for e in said if e.kind == "alarm" and e.data["transition"] == "raised"]
        assert len(rehearse(reader, firing)["alarms"]) == len(raised)
    finally:
        reader.close()


def test_a_restart_goes_on_to_the_second(fire: SimulatedFiring, tmp_path: Path) -> None:
    made = batches(fire)
    straight = Judging(fire.plan, START_US)
    straight.rebuild(seen(fire))
    for batch in made[:100]:
        straight.take([batch])
    state = straight.snapshot()
    for batch in made[100:150]:
        straight.take([batch])
    reader = journal(tmp_path / "j.sqlite", fire, made[:150])
    try:
        restarted = Judging(fire.plan, START_US)
        since_us = restarted.restore(state, seen(fire))
        assert since_us == made[99].t_us[-1] + 1
        restarted.replay(reader, reader.firing("last").id, since_us)
    finally:
        reader.close()
    for batch in made[150:]:
        assert restarted.take([batch]) == straight.take([batch])


def test_a_snapshot_that_knows_fewer_channels_is_not_gone_on_from(fire: SimulatedFiring) -> None:
    few = Judging(None, START_US)
    few.rebuild(seen(fire)[:2])
    for batch in batches(fire, until=50):
        few.take([batch])
    state = few.snapshot()
    more = Judging(None, START_US)
    assert more.restore(state, seen(fire)) is None
    assert len(more.plan.probes) == 4
    for batch in batches(fire, until=50):  # everything is judged again, with all columns
        more.take([batch])
    assert more.restore(None, seen(fire)) is None


def test_what_comes_late_is_not_judged_any_more(fire: SimulatedFiring) -> None:
    made = batches(fire, until=140)
    late = Judging(fire.plan, START_US)
    late.rebuild(seen(fire))
    for batch in [*made[:5], *made[10:], *made[5:10]]:
        late.take([batch])
    without = Judging(fire.plan, START_US)
    without.rebuild(seen(fire))
    for batch in [*made[:5], *made[10:]]:
        without.take([batch])
    assert late.snapshot() == without.snapshot()


def test_an_absent_channel_is_nothing_at_all(fire: SimulatedFiring) -> None:
    judging = Judging(fire.plan, START_US)
    judging.rebuild(seen(fire))
    batch = batches(fire, until=7)[0]
    batch.status[:] = Status.ABSENT
    assert judging.take([batch]) == []


def test_readings_behind_the_time_that_was_let_pass_are_not_judged(fire: SimulatedFiring) -> None:
    """A slow network delivers them one by one, each too late for the judgement; the journal has them."""
    made = batches(fire, until=140)
    late, without = Judging(fire.plan, START_US), Judging(fire.plan, START_US)
    for judging in (late, without):
        judging.rebuild(seen(fire))
        for batch in made[:5]:
            judging.take([batch])
        judging.advance(int(made[8].t_us[-1]))
    for batch in made[5:7]:
        late.take([batch])
    for judging in (late, without):
        judging.advance(int(made[9].t_us[-1]))
        assert judging.take(made[15:]) is not None
    assert late.judge.snapshot() == without.judge.snapshot()
