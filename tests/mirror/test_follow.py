"""A firing that runs elsewhere, followed through an InfluxDB into a journal on this machine."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.home import Home
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.mirror.archive import Archive
from logger.mirror.follow import FULL_US, THIN_S, Follower
from logger.mirror.influx import Influx, InfluxError
from logger.mirror.mirror import Mirror
from logger.mirror.target import Target
from logger.reading import Status
from tests.journal.journal_batches import START_US, firing_batch, make_batch
from tests.mirror.servers import Gate, InfluxDB1, InfluxDB2
from tests.mirror.test_mirror import Clock, settle

pytestmark = pytest.mark.real


@pytest.fixture
def gate(influx: InfluxDB1 | InfluxDB2) -> Iterator[Gate]:
    with Gate(influx.port, old=influx.old) as made:
        yield made


@pytest.fixture
def target(influx: InfluxDB1 | InfluxDB2, gate: Gate) -> Target:
    return Target(gate.url, token=influx.token)


@pytest.fixture
def pace() -> Clock:
    """The mirror's own clock."""
    return Clock()


@pytest.fixture
def mirror(home: Home, target: Target, pace: Clock) -> Iterator[Mirror]:
    made = Mirror(home, target, pace)
    yield made
    made.close()


@pytest.fixture
def follow(target: Target, tmp_path: Path) -> Iterator[Any]:
    """Make a follower; its journal is at `seen`."""
    with contextlib.ExitStack() as stack:
        asked = stack.enter_context(contextlib.closing(Influx(target)))

        def make(**given: Any) -> Follower:
            made = Follower(Archive(asked), tmp_path / "seen", **given)
            stack.callback(made.close)
            return made

        yield make


def run(follower: Follower, steps: int = 100) -> None:
    for _ in range(steps):
        if follower.step() > 0:
            return
    raise AssertionError("it never had enough")


def seen(tmp_path: Path) -> JournalReader:
    return JournalReader(tmp_path / "seen")


def test_readings_events_and_health_as_they_come(
    writer: JournalWriter, mirror: Mirror, pace: Clock, follow: Any, tmp_path: Path
) -> None:
    made = writer.open_firing("Jars, invented", None, START_US, invented=True, facts={"pots": 6})
    writer.append(made.id, firing_batch(50, 2))
    settle(mirror)
    clock = Clock()
    follower = follow(clock=clock)
    run(follower)
    with contextlib.closing(seen(tmp_path)) as there:
        info = there.firing("last")
        assert (info.id, info.title, info.invented, info.facts) == (made.id, made.title, True, {"pots": 6})
        assert info.running
        assert info.readings == 100
        for n in range(50, 80, 10):
            writer.append(made.id, firing_batch(10, 2, first=n))
            writer.append(
                made.id, make_batch([START_US + 100_000 * n - 700_000], [[30.0]], rig="b2", names=["q"])
            )
            writer.add_event(made.id, START_US + n, "note", {"kind": "wood"}, "one")
            writer.heartbeat({"pid": 1, "verdict": {"line": f"at {n}"}})
            pace.s += 0.5
            settle(mirror)
            run(follower)
        kept = JournalReader(writer.path)
        a, b = kept.readings(made.id), there.readings(made.id)
        kept.close()
        assert [c.channel for c in b.columns] == [c.channel for c in a.columns] == ["k0", "k1", "q"]
        for j in range(3):
            np.testing.assert_array_equal(b.t_us[j], a.t_us[j])
            np.testing.assert_array_equal(b.temperature_c[j], a.temperature_c[j])
        assert [e.t_us - START_US for e in there.events(made.id)] == [50, 60, 70]
        assert there.heartbeat()["verdict"] == {"line": "at 70"}  # type: ignore[index]
        writer.change_firing(made.id, title="Bowls, invented")
        writer.finish_firing(made.id, START_US + 8_000_000)
        pace.s += 1.1
        settle(mirror)
        clock.s += 5
        run(follower)
        info = there.firing("last")
        assert (info.title, info.ended_us, info.running) == ("Bowls, invented", START_US + 8_000_000, False)


def test_a_long_firing_comes_newest_first_and_thinned(
    writer: JournalWriter, mirror: Mirror, follow: Any, tmp_path: Path
) -> None:
    made = writer.open_firing("Jars, invented", None, START_US)
    batch = firing_batch(4 * 3600, 2, hz=1.0)
    writer.append(made.id, batch)
    settle(mirror)
    follower = follow()
    assert follower.step() == 0.0
    with contextlib.closing(seen(tmp_path)) as there:
        traces = there.readings(made.id)
        assert traces.t_us[0][-1] == batch.t_us[-1]  # the present at once
        run(follower)
        traces = there.readings(made.id)
    whole = batch.t_us >= batch.t_us[-1] - 60_000_000 - FULL_US
    for j in range(2):
        at = np.searchsorted(batch.t_us, traces.t_us[j][traces.status[j] == Status.OK])
        assert set(np.flatnonzero(whole)) <= set(at.tolist())
        assert len(at) == len(set(at.tolist()))
        assert len(at) < whole.sum() + 2 * (~whole).sum() / THIN_S + 10
        got = traces.temperature_c[j][traces.status[j] == Status.OK]
        np.testing.assert_array_equal(got, batch.temperature_c[at, j])
        assert got.max() == batch.temperature_c[:, j].max()


def test_it_outlives_a_server_that_goes_and_comes(
    writer: JournalWriter, mirror: Mirror, follow: Any, influx: InfluxDB1 | InfluxDB2, tmp_path: Path
) -> None:
    made = writer.open_firing("Jars, invented", None, START_US)
    writer.append(made.id, firing_batch(50, 1))
    settle(mirror)
    follower = follow(clock=Clock())
    run(follower)
    influx.stop()
    writer.append(made.id, firing_batch(50, 1, first=50))
    assert follower.step() > 0
    assert mirror.step() > 0
    influx.start()
    settle(mirror)
    run(follower)
    with contextlib.closing(seen(tmp_path)) as there:
        np.testing.assert_array_equal(there.readings(made.id).t_us[0], firing_batch(100, 1).t_us)


def test_a_firing_that_ends_while_the_server_fails_is_ended_when_it_is_back(
    writer: JournalWriter,
    mirror: Mirror,
    pace: Clock,
    follow: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Otherwise the page would show it as burning until another begins."""
    made = writer.open_firing("Jars, invented", None, START_US)
    writer.append(made.id, firing_batch(5, 1))
    settle(mirror)
    clock = Clock()
    follower = follow(clock=clock)
    run(follower)
    writer.finish_firing(made.id, START_US + 1_000_000)
    pace.s += 1.1
    settle(mirror)

    def fails(*_: Any) -> Any:
        raise InfluxError("it is starting")

    with monkeypatch.context() as patch:
        patch.setattr(Archive, "readings", fails)
        clock.s += 5
        assert follower.step() > 0
    with contextlib.closing(seen(tmp_path)) as there:
        assert there.firing("last").running
        clock.s += 5
        run(follower)
        assert there.firing("last").ended_us == START_US + 1_000_000


def test_which_firing_is_followed(
    writer: JournalWriter, mirror: Mirror, pace: Clock, follow: Any, tmp_path: Path
) -> None:
    """The running one; when it has ended, the next that runs; never one of another site."""
    first = writer.open_firing("One", None, START_US)
    writer.append(first.id, firing_batch(5, 1))
    settle(mirror)
    clock = Clock()
    mine, elsewhere = follow(clock=clock), follow(clock=clock, site="barn")
    run(mine)
    run(elsewhere)
    with contextlib.closing(seen(tmp_path)) as there:
        assert [f.id for f in there.firings()] == [first.id]
        writer.finish_firing(first.id, START_US + 1_000_000)
        second = writer.open_firing("Two", None, START_US + 60_000_000)
        pace.s += 1.1
        settle(mirror)
        clock.s += 5
        run(mine)
        run(elsewhere)
        assert [(f.id, f.running) for f in there.firings()] == [(second.id, True), (first.id, False)]
