"""The mirror against servers that refuse, stall, forget and come back; first against the test's own."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from logger.home import Home
from logger.journal.schema import beside
from logger.journal.writer import JournalWriter
from logger.mirror.mirror import OVERLAP_S, PING_S, Mirror
from logger.mirror.progress import REFUSED, mirror_health
from logger.mirror.target import Target
from tests.journal.journal_batches import START_US, firing_batch, make_batch
from tests.mirror.servers import Answer, Gate
from tests.processes import until

pytestmark = pytest.mark.real


class Clock:
    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def firing(writer: JournalWriter) -> str:
    return writer.open_firing("Jars, invented", None, START_US, invented=True).id


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def mirror(home: Home, gate: Gate, clock: Clock) -> Iterator[Mirror]:
    made = Mirror(home, Target(gate.url), clock)
    yield made
    made.close()


def fill(
    writer: JournalWriter, firing: str, frames: int, *, first: int = 0, k: int = 2, at_once: int = 10
) -> None:
    """Frames at 10 Hz in batches, as the logger delivers them."""
    for n in range(first, first + frames, at_once):
        writer.append(firing, firing_batch(min(at_once, first + frames - n), k, first=n))


def settle(mirror: Mirror, steps: int = 200) -> None:
    """Step until the journal's end is reached."""
    for _ in range(steps):
        mirror.step()
        assert mirror._outbox is not None
        if mirror._state == "running" and mirror._cursor.arrival >= mirror._outbox.newest():
            return
    raise AssertionError(f"not there after {steps} steps: {mirror._state} {mirror._detail}")


def burn(mirror: Mirror, writer: JournalWriter, firing: str, clock: Clock, steps: int) -> None:
    """A second of the fire every ten seconds, sent at once."""
    for n in range(steps):
        fill(writer, firing, 10, first=10 * n)
        clock.s += 10
        mirror.step()


def send(home: Home, target: Target, clock: Callable[[], float] = time.monotonic) -> None:
    """A mirror that is started, sends everything, and ends."""
    with contextlib.closing(Mirror(home, target, clock)) as mirror:
        settle(mirror)


def sent(gate: Gate, measurement: str = "reading") -> list[str]:
    lines = [line for body in gate.bodies for line in body.split("\n")]
    return [line for line in lines if line.startswith(f"{measurement},")]


def test_everything_goes_out_once(home: Home, writer: JournalWriter, firing: str, gate: Gate) -> None:
    fill(writer, firing, 500)
    writer.add_event(firing, START_US, "note", {"kind": "wood", "text": 'a "thick" piece,\nwet'}, "one")
    writer.add_event(firing, START_US, "note", {"kind": "wood"}, "two")
    mirror = Mirror(home, Target(gate.url, site="meadow"))
    settle(mirror)
    lines = sent(gate)
    assert len(lines) == len(set(lines)) == 1000
    assert lines[0].startswith(f"reading,site=meadow,rig=a1,channel=k0,firing={firing},probe=k0")
    events = sent(gate, "event")
    assert len(events) == 2
    assert len({line.rsplit(" ", 1)[1] for line in events}) == 2  # in one microsecond, yet distinct
    assert len(sent(gate, "firing")) == 1
    before = len(gate.bodies)
    mirror.step()
    assert len(gate.bodies) == before
    fill(writer, firing, 10, first=500)
    writer.finish_firing(firing, START_US + 51_000_000)
    mirror.close()


def test_what_changes_of_a_firing_takes_the_place_of_what_was(
    writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror, clock: Clock
) -> None:
    settle(mirror)
    writer.change_firing(firing, title="Bowls, invented")
    clock.s += 2
    mirror.step()
    writer.finish_firing(firing, START_US + 1)
    clock.s += 2
    mirror.step()
    lines = sent(gate, "firing")
    assert [line.split(" ")[0] for line in lines] == [f"firing,firing={firing}"] * 3
    assert {line.rsplit(" ", 1)[1] for line in lines} == {f"{START_US}000"}
    assert 'title="Bowls, invented"' in lines[1]
    assert f"ended_us={START_US + 1}i" in lines[2]


def test_the_loggers_health_goes_along_and_is_overwritten(
    writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror, clock: Clock
) -> None:
    for n in range(3):
        writer.heartbeat({"pid": 1, "verdict": {"line": f"look {n}"}})
        clock.s += 1
        mirror.step()
    beats = sent(gate, "logger")
    assert len(beats) == 3
    assert {line.rsplit(" ", 1)[1] for line in beats} == {f"{START_US}000"}


@pytest.mark.parametrize("status", [400, 422])
def test_bad_lines_are_put_aside_and_the_rest_goes_on(
    status: int, home: Home, writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror, clock: Clock
) -> None:
    def refuse(lines: list[str]) -> Answer | None:
        bad = any(line.endswith(f"{START_US + 4_700_000}000") and "channel=k1" in line for line in lines)
        return (
            (status, {"Content-Type": "application/json"}, b'{"message": "no such thing"}') if bad else None
        )

    gate.refuse = refuse
    fill(writer, firing, 500)
    settle(mirror)
    taken = {line for body in gate.bodies for line in body.split("\n") if refuse(body.split("\n")) is None}
    assert len([line for line in taken if line.startswith("reading,")]) == 999
    assert len(gate.bodies) < 40
    aside = (home.root / REFUSED).read_text().splitlines()
    assert len(aside) == 2
    assert aside[0].startswith("# 2")
    assert aside[0].endswith(f"{status} no such thing")
    assert aside[1].startswith("reading,rig=a1,channel=k1")
    mirror._doubt()  # everything again: the series is known by now
    settle(mirror)
    mirror.close()
    send(home, Target(gate.url), clock)
    assert (home.root / REFUSED).read_text().splitlines() == aside
    health = mirror_health(home)
    assert health is not None
    assert (health["state"], health["refused"], health["behind"]) == ("stopped", 1, 0)


def test_what_the_server_counts_as_dropped_is_not_sent_line_by_line(
    home: Home, writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror
) -> None:
    """Readings older than a bucket keeps: InfluxDB accepts the others, and says how many it dropped."""

    def refuse(lines: list[str]) -> Answer | None:
        old = sum(line.startswith("reading,") for line in lines)
        text = json.dumps({"message": f"partial write: points beyond retention policy dropped={old}"})
        return (422, {}, text.encode()) if old else None

    gate.refuse = refuse
    fill(writer, firing, 500)
    settle(mirror)
    assert len(gate.bodies) < 40
    assert mirror_health(home)["refused"] == 1000  # type: ignore[index]


@pytest.mark.parametrize("status", [400, 401, 403, 404, 422])
def test_a_server_that_refuses_everything_is_waited_for(
    status: int, home: Home, writer: JournalWriter, firing: str, gate: Gate
) -> None:
    """A wrong token, bucket or address makes no line bad."""
    gate.refuse = lambda lines: (status, {}, b'{"message": "no"}')
    fill(writer, firing, 100)
    mirror = Mirror(home, Target(gate.url, token="s3cret"))
    mirror.step()
    assert len(gate.bodies) <= 2
    assert not (home.root / REFUSED).exists()
    assert mirror_health(home)["detail"].endswith(f"({status})" if status not in (400, 422) else "no")  # type: ignore[index]
    gate.bodies.clear()
    gate.refuse = lambda lines: None
    settle(mirror)
    assert len(set(sent(gate))) == 200
    assert len(sent(gate, "firing")) == 1
    mirror.close()
    kept = "".join(p.read_text(errors="replace") for p in home.root.iterdir() if p.suffix == ".json")
    assert "s3cret" not in kept


def test_a_batch_that_is_too_large_is_cut(
    home: Home, writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror
) -> None:
    gate.refuse = lambda lines: (413, {}, b"") if len(lines) > 300 else None
    fill(writer, firing, 500)
    settle(mirror)
    taken = [line for body in gate.bodies if body.count("\n") < 300 for line in body.split("\n")]
    assert len({line for line in taken if line.startswith("reading,")}) == 1000
    assert not (home.root / REFUSED).exists()


@pytest.mark.parametrize(
    ("status", "headers", "least_s"),
    [(429, {"Retry-After": "7"}, 7), (503, {"Retry-After": "3"}, 3), (503, {}, 0.25), (500, {}, 0.25)],
)
def test_a_busy_server_is_left_alone_as_long_as_it_asks(
    status: int,
    headers: dict[str, str],
    least_s: float,
    writer: JournalWriter,
    firing: str,
    gate: Gate,
    mirror: Mirror,
) -> None:
    gate.refuse = lambda lines: (status, headers, b"")
    fill(writer, firing, 100)
    assert mirror.step() >= least_s
    assert len(gate.bodies) == 1
    gate.bodies.clear()
    gate.refuse = lambda lines: None
    settle(mirror)
    assert len(set(sent(gate))) == 200
    assert len(sent(gate, "firing")) == 1


def test_waits_grow_and_differ(home: Home, writer: JournalWriter, firing: str) -> None:
    """Nobody listens there: the waits double up to a minute, with some randomness."""
    mirror = Mirror(home, Target("http://127.0.0.1:9"))
    waits = [mirror.step() for _ in range(40)]
    mirror.close()
    assert max(waits[:3]) < 5
    assert 30 < max(waits) <= 60.25
    assert len(set(waits)) > 30


@pytest.mark.parametrize("how", ["error", "restarted"])
def test_after_a_doubt_what_was_acknowledged_lately_goes_out_again(
    how: str, writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror, clock: Clock
) -> None:
    burn(mirror, writer, firing, clock, 12)
    gate.bodies.clear()
    if how == "error":
        gate.refuse = lambda lines: (500, {}, b"")
        clock.s += PING_S
        fill(writer, firing, 1, first=120)
        mirror.step()
        gate.bodies.clear()
        gate.refuse = lambda lines: None
    else:
        break_connections(gate)
        clock.s += PING_S
        mirror.step()
    settle(mirror)
    times = {int(line.rsplit(" ", 1)[1]) // 1_000_000_000 - START_US // 1_000_000 for line in sent(gate)}
    # What was acknowledged 30 s before the last good answer was not repeated, everything later was.
    oldest = 12 - OVERLAP_S // 10
    assert times == set(range(int(oldest), 13 if how == "error" else 12))


@pytest.mark.parametrize("where", ["running", "away"])
def test_a_server_that_was_started_again_gets_more_than_the_overlap(
    where: str,
    home: Home,
    writer: JournalWriter,
    firing: str,
    gate: Gate,
    monkeypatch: pytest.MonkeyPatch,
    mirror: Mirror,
    clock: Clock,
) -> None:
    """InfluxDB 2 reports when it started. What is far enough back isn't sent again, everything else is."""
    monkeypatch.setattr("logger.mirror.mirror.FORGETS_LINES", 200)
    monkeypatch.setattr("logger.mirror.mirror._MARK_LINES", 10)
    started = "2026-11-25T10:00:00Z"

    def answer(port: int, method: str, path: str, *_: object) -> Answer:
        return (200, {}, json.dumps({"started": started}).encode()) if path == "/ready" else (204, {}, b"")

    monkeypatch.setattr(Gate, "_hand_on", staticmethod(answer))
    burn(mirror, writer, firing, clock, 40)
    assert len(sent(gate)) == len(set(sent(gate))) == 800
    for again in range(3):
        started = f"2026-11-25T11:0{again}:00Z"
        gate.bodies.clear()
        if where == "away":
            mirror.close()
            mirror = Mirror(home, Target(gate.url), clock)
        else:
            break_connections(gate)
        clock.s += PING_S
        mirror.step()
        settle(mirror)
        there = {int(line.rsplit(" ", 1)[1]) // 1_000_000 - START_US // 1000 for line in sent(gate)}
        # 200 lines are 100 frames; at most as many again, since progress isn't noted more often.
        assert there >= set(range(30_000, 40_000, 100))
        assert min(there) >= 18_000
    mirror.close()


def break_connections(gate: Gate) -> None:
    """Like a restart of the server: the next request finds its connection dead, and opens another."""
    for connection in list(gate.connections):
        with contextlib.suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)
    until(lambda: not gate.connections, "the connections' end")


def test_a_restart_goes_on_with_an_overlap(
    home: Home, writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror, clock: Clock
) -> None:
    burn(mirror, writer, firing, clock, 12)
    mirror.close()
    gate.bodies.clear()
    send(home, Target(gate.url), clock)
    assert len(sent(gate)) == 2 * 10 * OVERLAP_S // 10


@pytest.mark.parametrize("other", ["bucket", "site", "file", "damaged"])
def test_what_was_sent_elsewhere_or_of_another_journal_does_not_count(
    other: str, home: Home, writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror, clock: Clock
) -> None:
    burn(mirror, writer, firing, clock, 12)
    target = Target(gate.url)
    match other:
        case "bucket":
            target = Target(gate.url, bucket="other")
        case "site":
            target = Target(gate.url, site="other")
        case "file":  # as when a salvaged journal replaces a damaged one
            copy = home.root / "copy"
            copy.write_bytes(home.journal.read_bytes())
            writer._db.execute("VACUUM INTO ?", (str(home.root / "whole"),))
            for ending in ("-wal", "-shm"):  # as when a journal is set aside
                beside(home.journal, ending).unlink(missing_ok=True)
            (home.root / "whole").replace(home.journal)
        case "damaged":
            mirror.close()
            (home.root / "mirror.json").write_text("{")
    gate.bodies.clear()
    if other == "file":
        settle(mirror)
        mirror.close()
    else:
        if other != "damaged":
            mirror.close()
        send(home, target, clock)
    assert len(set(sent(gate))) == 240


def test_numbers_that_are_given_again_are_noticed(
    writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror
) -> None:
    fill(writer, firing, 100)
    settle(mirror)
    with writer.transaction():
        writer._db.execute("DELETE FROM recent WHERE arrival > 3")
    mirror.step()
    gate.bodies.clear()
    fill(writer, firing, 10, first=200)
    settle(mirror)
    assert any(line.endswith(f"{START_US + 20_000_000}000") for line in sent(gate))


def test_a_journal_that_comes_later(home: Home, gate: Gate, mirror: Mirror) -> None:
    mirror.step()
    writer = JournalWriter(home.journal)
    firing = writer.open_firing("", None, START_US).id
    fill(writer, firing, 10)
    settle(mirror)
    writer.close()
    assert len(sent(gate)) == 20


def test_a_slow_server_gets_less_at_a_time(
    home: Home, writer: JournalWriter, firing: str, gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.mirror.influx.TIMEOUT_S", 0.2)

    def slow(lines: list[str]) -> None:
        time.sleep(len(lines) / 2000)

    gate.refuse = slow
    fill(writer, firing, 1000)
    mirror = Mirror(home, Target(gate.url))
    settle(mirror)
    assert len(set(sent(gate))) == 2000
    assert mirror._influx.size < 1000
    mirror.close()


def test_a_journal_that_goes_and_one_that_is_none_are_told_and_waited_for(
    home: Home, writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror
) -> None:
    fill(writer, firing, 10)
    settle(mirror)
    away = home.journal.rename(home.root / "away.sqlite")
    mirror.step()
    assert (mirror._state, mirror._detail) == ("running", "there is no journal yet")
    home.journal.write_bytes(b"no journal at all" * 400)
    assert mirror.step() > 1.0
    assert mirror._state == "waiting"
    assert str(home.journal) in mirror._detail
    away.rename(home.journal)
    fill(writer, firing, 10, first=10)
    settle(mirror)
    mirror.close()
    assert len(set(sent(gate))) == 40


def test_how_far_it_came_can_be_lost_and_nothing_else_is(
    home: Home,
    writer: JournalWriter,
    firing: str,
    gate: Gate,
    caplog: pytest.LogCaptureFixture,
    mirror: Mirror,
) -> None:
    (home.root / "mirror.json").mkdir()
    fill(writer, firing, 10)
    settle(mirror)
    mirror.close()
    assert len(sent(gate)) == 20
    assert "the mirror's progress can't be saved" in caplog.text


def test_packed_minutes_late_frames_and_two_rigs(
    writer: JournalWriter, firing: str, gate: Gate, mirror: Mirror
) -> None:
    """Whatever arrives while it sends, in whatever order it is packed: nothing is skipped."""
    rng = np.random.default_rng(4)
    there: set[tuple[str, int]] = set()
    frames = rng.permutation(3000)
    for part in np.array_split(frames, 100):
        rig = str(rng.choice(["a1", "b2"]))
        t_us = START_US + 100_000 * part
        writer.append(firing, make_batch(t_us, rng.normal(300, 50, (len(part), 2)), rig=rig))
        there |= {(rig, int(t)) for t in t_us}
        if rng.random() < 0.2:
            mirror.step()
        if rng.random() < 0.1:
            writer.pack(firing)
    settle(mirror)
    mirror.close()
    got = {(line.split("rig=")[1][:2], int(line.rsplit(" ", 1)[1]) // 1000) for line in sent(gate)}
    assert got == there


def test_a_plan_that_cannot_be_read_holds_up_nothing(
    writer: JournalWriter, gate: Gate, mirror: Mirror
) -> None:
    made = writer.open_firing("Jars, invented", "of another = version", START_US)
    fill(writer, made.id, 10)
    settle(mirror)
    mirror.close()
    assert len(sent(gate)) == 20
    assert "channel=k0,firing=" in sent(gate)[0]
    assert "of another = version" in sent(gate, "firing")[0]


@pytest.mark.parametrize(("status", "state"), [(401, "running"), (404, "running"), (503, "waiting")])
def test_only_a_server_that_fails_is_missed_at_a_ping(
    status: int,
    state: str,
    writer: JournalWriter,
    firing: str,
    gate: Gate,
    monkeypatch: pytest.MonkeyPatch,
    mirror: Mirror,
    clock: Clock,
) -> None:
    settle(mirror)
    monkeypatch.setattr(Gate, "_hand_on", staticmethod(lambda *_: (status, {}, b"")))
    clock.s += PING_S
    mirror.step()
    assert gate.paths[-1] == "/ping"
    assert mirror._state == state
