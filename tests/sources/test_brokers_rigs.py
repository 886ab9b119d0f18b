"""One broker and many rigs: several loggers share them out, rigs come and go, and no two have the same name."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
from pathlib import Path

import pytest
from rig_cables import Running, until

from logger.journal.reader import JournalReader
from logger.reading import Frame, Sample
from logger.rig_line.wire import decode, encode
from logger.sources import SourceError
from logger.sources.mqtt import Broker
from tests.broker import Mosquitto
from tests.processes import STOKEWATCH, process, stokewatch
from tests.processes import until as wait_until

pytestmark = pytest.mark.real


def line(rig: str, seq: int, ms: int, c: float = 20.0) -> bytes:
    return encode(Frame(rig, seq, ms, {"k0": Sample(c=c)}))


async def send(mosquitto: Mosquitto, *frames: tuple[str, int]) -> None:
    for rig, seq in frames:
        await mosquitto.publish(f"stokewatch/{rig}/frame", line(rig, seq, 100 * seq))


def linked(home: Path) -> None:
    wait_until(
        lambda: "connected" in str(stokewatch("status", home=home)["logger"]["sources"]), "the broker", 30
    )


def heard(running: Running) -> list[str | None]:
    return [arrival.rig for arrival in running.arrivals]


async def test_two_loggers_share_the_rigs_out(mosquitto: Mosquitto) -> None:
    one = Broker(mosquitto.url, "one", rigs=("a1", "a2"))
    two = Broker(mosquitto.url, "two", rigs=("b1",))
    async with Running(one) as first, Running(two) as second:
        await until(lambda: "connected" in first.kinds and "connected" in second.kinds, 20)
        await send(mosquitto, ("a1", 0), ("b1", 0), ("c1", 0), ("a2", 0), ("b1", 1), ("a1", 1))
        await send(mosquitto, ("a2", 99), ("b1", 99))  # the last of each: nothing else came before it
        await until(lambda: len(first.arrivals) >= 4 and len(second.arrivals) >= 3)
        assert heard(first) == ["a1", "a2", "a1", "a2"]
        assert heard(second) == ["b1", "b1", "b1"]


async def test_what_an_earlier_start_asked_for_is_let_go(mosquitto: Mosquitto) -> None:
    """The broker keeps a session with its subscriptions: first for all rigs, then for different ones."""
    for rigs in ((), ("a1",), ("b1",)):
        async with Running(Broker(mosquitto.url, "logger", rigs=rigs)) as running:
            await until(lambda: "connected" in running.kinds, 20)
    await send(mosquitto, ("a1", 0), ("c1", 0), ("b1", 0))
    async with Running(Broker(mosquitto.url, "logger", rigs=("b1",))) as running:
        await until(lambda: len(running.arrivals) >= 1, 20)
        await send(mosquitto, ("b1", 1))
        await until(lambda: len(running.arrivals) >= 2)
        assert heard(running) == ["b1", "b1"]


@pytest.mark.parametrize("name", ["", "+", "a/b", "#", "a 2"])
def test_what_is_no_name(name: str) -> None:
    with pytest.raises(SourceError, match="can't be a rig's name"):
        Broker("mqtt://host", "logger", rigs=(name,))


@pytest.mark.timeout(120)
def test_two_rigs_of_one_name_are_told_apart_and_the_second_set_apart(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Two devices running at once under one name: the first one's line stays clean, and the fault names it."""

    async def both() -> int:
        begun_s = time.monotonic()
        n = 0
        while (now_s := time.monotonic() - begun_s) < 14:
            ms = round(1000 * now_s)
            await mosquitto.publish("stokewatch/a1/frame", line("a1", 10_000 + n, 1_000_000 + ms, 20.0))
            await mosquitto.publish("stokewatch/a1/frame", line("a1", 77 + n, 7_700 + ms, 900.0))
            n += 1
            await asyncio.sleep(0.2)
        return n

    home = tmp_path / "home"
    with process([*STOKEWATCH, "log", "--mqtt", mosquitto.url], home):
        linked(home)
        sent = asyncio.run(both())
        wait_until(
            lambda: stokewatch("status", home=home)["logger"]["set_apart"] >= sent - 2, "the second's frames"
        )
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        firing = reader.firing("last").id
        apart = reader.set_apart(firing)
        assert {decode(row.line).ch["k0"].c for row in apart} == {900.0}
        traces = reader.readings(firing)
        newest = traces.temperature_c[0][traces.t_us[0] > traces.t_us[0][-1] - 10_000_000]
        assert set(newest.tolist()) == {20.0}
        assert (
            traces.t_us[0].size + len(apart) == reader.heartbeat()["frames"] + reader.heartbeat()["set_apart"]
        )
        faults = [e.data for e in reader.events(firing) if e.kind == "fault"]
    assert len(faults) == 1
    assert faults[0]["rig"] == "a1"
    assert "two rigs have this name" in faults[0]["text"]


@pytest.mark.timeout(120)
def test_one_fire_with_several_rigs_that_come_and_go_and_a_fire_of_its_own_each(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Three rigs on one broker: two for one logger's fire, the third for another's."""
    shared, own = tmp_path / "shared", tmp_path / "own"

    async def burn(first: int, count: int, *rigs: str) -> None:
        for n in range(first, first + count):
            for rig in rigs:
                ms = round(time.monotonic() * 1000) % 2**32  # each rig's clock runs with ours
                await mosquitto.publish(f"stokewatch/{rig}/frame", line(rig, n, ms))

    def frames(home: Path) -> int:
        return int(stokewatch("status", home=home)["logger"]["frames"])

    two = [*STOKEWATCH, "log", "--mqtt", mosquitto.url, "--rig", "a1", "--rig", "a2"]
    one = [*STOKEWATCH, "log", "--mqtt", mosquitto.url, "--rig", "b1"]
    with process(two, shared), process(one, own):
        linked(shared)
        linked(own)
        asyncio.run(burn(0, 10, "a1", "b1"))
        asyncio.run(burn(10, 10, "a1", "a2", "b1"))
        mosquitto.restart(signal.SIGTERM)
        asyncio.run(burn(20, 10, "a2", "b1"))
        wait_until(lambda: frames(shared) == 40 and frames(own) == 30, "every frame", 40)
    with contextlib.closing(JournalReader(shared / "journal.sqlite")) as reader:
        seen = reader.readings(reader.firing("last").id)
        assert {c.rig: len(t) for c, t in zip(seen.columns, seen.t_us, strict=True)} == {"a1": 20, "a2": 20}
    with contextlib.closing(JournalReader(own / "journal.sqlite")) as reader:
        assert [c.rig for c in reader.columns(reader.firing("last").id)] == ["b1"]
