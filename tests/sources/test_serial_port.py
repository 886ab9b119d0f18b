"""Rigs on serial ports, over real pseudo-terminals that are really unplugged."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import itertools
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from rig_cables import Cable, Running, descriptors, frame, stays, until

from logger.rig_line.beacon import Show, beacon_line
from logger.rig_line.dialogue import AGAIN, acknowledgement
from logger.rig_line.wire import MAX_LINE, decode, encode
from logger.sources import serial_port
from logger.sources.listening import Heard, listen
from logger.sources.serial_line import Port, candidates
from logger.sources.serial_port import SerialPort


def is_free(port: str) -> bool:
    """Check that nobody else has it open; raises if somebody has."""
    with serial.Serial(port, exclusive=True):
        return True


async def told(cable: Cable) -> bytes:
    """The next thing the logger says to the rig."""
    said: list[bytes] = []
    await until(lambda: bool(said.append(cable.said()) or said[-1]))
    return said[-1]


async def test_lines_come_in_however_they_are_cut(cable: Cable) -> None:
    async with Running(SerialPort(cable.port, set())) as running:
        await until(lambda: running.kinds == ["connected"])
        stream = b"".join(encode(frame(seq)) for seq in range(20))
        before_s = time.monotonic()
        for i in range(0, len(stream), 37):
            cable.write(stream[i : i + 37])
            await asyncio.sleep(0)
        await running.came(*range(20))
        times = [arrival.monotonic_s for arrival in running.arrivals]
        assert before_s <= times[0]
        assert times == sorted(times)
        assert times[-1] <= time.monotonic()
        assert {arrival.source for arrival in running.arrivals} == {cable.port}


async def test_what_was_sent_while_nobody_read_is_not_thrown_away(cable: Cable) -> None:
    cable.send(0, 1, 2)
    async with Running(SerialPort(cable.port, set())) as running:
        await running.came(0, 1, 2)


async def test_replug_under_the_same_name_resumes_within_two_seconds(cable: Cable) -> None:
    async with Running(SerialPort(cable.port, set())) as running:
        cable.send(0, 1)
        await running.came(0, 1)
        cable.write(encode(frame(2))[:30])  # the plug comes out in the middle of a line
        cable.unplug()
        await until(lambda: running.kinds == ["connected", "lost"])
        await stays(lambda: running.kinds == ["connected", "lost"], 1.0)  # the same trouble is reported once
        cable.plug()
        cable.write(encode(frame(3))[25:])  # and goes back in, in the middle of another
        cable.send(4)
        await running.came(0, 1, 4, within_s=2.0)
        assert running.kinds == ["connected", "lost", "connected"]
        assert "unplugged" in running.reports[1][1]["detail"]


async def test_rig_is_found_again_under_another_name_and_no_other_rig_is_taken_for_it(
    cable: Cable, tmp_path: Path
) -> None:
    foreign = Cable(tmp_path / "ttyFOREIGN")
    silent = Cable(tmp_path / "ttySILENT")
    ports: list[Port] = [(cable.port, "")]
    taken: set[str] = set()
    try:
        async with Running(SerialPort(cable.port, taken, find=lambda: ports)) as running:
            cable.send(0)
            await running.came(0)
            cable.unplug()
            await until(lambda: "lost" in running.kinds)
            ports[:] = [(foreign.port, ""), (silent.port, ""), (str(tmp_path / "ttyNEW"), "")]
            for seq in range(90, 100):
                foreign.send(seq, rig="b7")
            cable.plug(tmp_path / "ttyNEW")
            cable.send(1, 2, 3)
            await running.came(0, 1, 2, 3, within_s=2.0)
            assert taken == {cable.port}
            assert running.reports[-1] == ("connected", {"detail": cable.port})
            assert {arrival.source for arrival in running.arrivals} == {running.source.name}
        assert taken == set()
    finally:
        foreign.unplug()
        silent.unplug()


async def test_ports_that_were_there_before_are_left_alone(cable: Cable, tmp_path: Path) -> None:
    """Opening a port restarts many boards: one that has nothing to do with us must not notice our search."""
    bystander = Cable(tmp_path / "ttyOTHER")
    try:
        ports = [(cable.port, ""), (bystander.port, "")]
        async with Running(SerialPort(cable.port, set(), find=lambda: ports)) as running:
            cable.send(0)
            await running.came(0)
            cable.unplug()
            await until(lambda: "lost" in running.kinds)
            bystander.send(1)
            await stays(lambda: is_free(bystander.port), 1.0)
            assert running.seqs == [0]
    finally:
        bystander.unplug()


@pytest.mark.parametrize("first", [0, 10], ids=["the same names", "other names"])
async def test_rigs_get_each_others_names_after_their_hub_was_unplugged(tmp_path: Path, first: int) -> None:
    names = ["a1", "b2", "c3"]
    cables = {name: Cable(tmp_path / f"tty{i}") for i, name in enumerate(names)}
    ports: list[Port] = [(cable.port, "") for cable in cables.values()]
    taken: set[str] = set()

    async def chatter() -> None:
        for seq in range(10_000):
            for name, cable in cables.items():
                if cable._ours is not None:
                    cable.send(seq, rig=name)
            await asyncio.sleep(0.1)

    runs = {
        name: Running(SerialPort(cable.port, taken, find=lambda: ports)) for name, cable in cables.items()
    }
    try:
        async with runs["a1"], runs["b2"], runs["c3"]:
            talking = asyncio.create_task(chatter())
            await until(lambda: all(len(run.seqs) > 3 for run in runs.values()))
            for cable in cables.values():
                cable.unplug()
            await until(lambda: all(run.kinds[-1] == "lost" for run in runs.values()))
            for run in runs.values():
                run.arrivals.clear()
            ports[:] = []
            for i, cable in enumerate(cables.values()):
                cable.plug(tmp_path / f"tty{first + (i + 1) % 3}")
                ports.append((cable.port, ""))
            await until(lambda: all(len(run.seqs) >= 5 for run in runs.values()))
            talking.cancel()
            heard = {decode(arrival.line).rig for run in runs.values() for arrival in run.arrivals[1:]}
            assert heard == set(names)
            assert len(taken) == 3
    finally:
        for cable in cables.values():
            cable.unplug()


async def test_a_hundred_replugs_leak_nothing(cable: Cable, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_port, "_RETRY_S", 0.01)
    async with Running(SerialPort(cable.port, set())) as running:
        cable.send(0)
        await running.came(0)
        before = descriptors()
        for seq in range(1, 101):
            cable.unplug()
            await until(lambda: running.kinds[-1] == "lost")
            cable.plug()
            cable.send(seq)
            await running.came(*range(seq + 1))
        assert descriptors() == before
    assert running.kinds == ["connected", "lost"] * 100 + ["connected"]


async def test_cancelling_lets_go_of_the_port(cable: Cable) -> None:
    before = descriptors()
    async with Running(SerialPort(cable.port, set())) as running:
        await until(lambda: running.kinds == ["connected"])
    assert descriptors() == before
    with serial.Serial(cable.port, exclusive=True):
        pass


async def test_port_in_use_by_another_program_is_told_and_taken_when_free(cable: Cable) -> None:
    other = os.open(cable.port, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)
    async with Running(SerialPort(cable.port, set())) as running:
        await until(lambda: running.kinds == ["lost"])
        assert "in use by another program" in running.reports[0][1]["detail"]
        os.close(other)
        cable.send(0)
        await running.came(0, within_s=2.0)


async def test_missing_port_is_told_once_and_opened_when_it_comes(tmp_path: Path) -> None:
    async with Running(SerialPort(str(tmp_path / "ttyRIG"), set())) as running:
        await until(lambda: running.kinds == ["lost"])
        await stays(lambda: running.kinds == ["lost"], 0.7)
        assert running.reports[0][1]["detail"] == f"{tmp_path / 'ttyRIG'} isn't there; plug the rig in"
        cable = Cable(tmp_path / "ttyRIG")
        try:
            cable.send(0)
            await running.came(0, within_s=2.0)
        finally:
            cable.unplug()


async def test_what_is_no_serial_port_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no port")
    async with Running(SerialPort(str(tmp_path / "file"), set())) as running:
        await until(lambda: running.kinds == ["lost"])
        assert "is it a serial port?" in running.reports[0][1]["detail"]


async def test_any_port_with_a_rig_will_do_if_none_is_given(cable: Cable) -> None:
    async with Running(SerialPort(None, set(), find=lambda: [(cable.port, "")])) as running:
        cable.write(b"booting\r\n")
        cable.send(0, 1)
        await running.came(0, 1)
        assert running.arrivals[0].line == b"booting\r", "nothing heard while searching is lost"


async def test_a_second_rig_beside_the_one_that_is_read_is_said(cable: Cable, tmp_path: Path) -> None:
    second = Cable(tmp_path / "ttySECOND")
    try:
        ports: list[Port] = [(cable.port, ""), (second.port, "")]
        async with Running(SerialPort(None, set(), find=lambda: ports)) as running:
            cable.send(0, rig="a1")
            await running.came(0)
            assert running.reports == [("connected", {"detail": cable.port})]
            second.send(7, rig="b2")
            await until(lambda: len(running.reports) == 2)
            kind, facts = running.reports[1]
            both = f"--serial {cable.port} --serial {second.port}"
            assert kind == "connected"
            assert f"rig b2 on {second.port} is not read" in facts["detail"]
            assert facts["detail"].endswith(f"start with {both}")
            assert running.seqs == [0], "the other rig's frames are no part of this source"
            assert is_free(second.port), "and it is let go of"
    finally:
        second.unplug()


async def test_a_port_that_is_plugged_in_later_is_said_and_not_opened(
    cable: Cable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_port, "UNREADABLE_S", 0.1)
    later = Cable(tmp_path / "ttyLATER")
    try:
        ports: list[Port] = [(cable.port, "")]
        async with Running(SerialPort(None, set(), find=lambda: ports)) as running:
            cable.send(0)
            await running.came(0)
            ports.append((later.port, ""))
            await until(lambda: "plugged in since and not read" in running.reports[-1][1]["detail"])
            assert running.reports[-1][1]["detail"].endswith(f"--serial {cable.port} --serial {later.port}")
            said = len(running.reports)
            await stays(lambda: len(running.reports) == said, 0.35)  # said once
    finally:
        later.unplug()


async def test_no_room_holds_the_sender_and_loses_nothing(cable: Cable) -> None:
    async with Running(SerialPort(cable.port, set())) as running:
        await until(lambda: running.kinds == ["connected"])
        running.room.clear()
        sent = 0
        with contextlib.suppress(BlockingIOError):
            while sent < 100_000:
                cable.send(sent)
                sent += 1
                if sent % 20 == 0:
                    await asyncio.sleep(0.001)
        assert sent < 100_000, "the source would take any amount into memory"
        running.room.set()
        await running.came(*range(sent))


async def test_bytes_without_end_are_no_trouble(cable: Cable) -> None:
    async with Running(SerialPort(cable.port, set())) as running:
        await until(lambda: running.kinds == ["connected"])
        for _ in range(40):
            cable.write(b"\x00" * 1024)
            await asyncio.sleep(0.001)
        cable.write(b"\n")
        cable.send(5)
        await running.came(5)
        assert [len(arrival.line) for arrival in running.arrivals[:-1]] == [MAX_LINE + 1]


async def test_frames_on_disk_are_acknowledged_once_a_second(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with Running(SerialPort(cable.port, set())) as running:
        await until(lambda: running.kinds == ["connected"])
        assert cable.said() == AGAIN
        cable.send(3, 4)
        cable.write(b"damaged\n")
        await until(lambda: len(running.arrivals) == 3)
        tokens = [arrival.token for arrival in running.arrivals]
        assert tokens == [3, 4, None]
        running.source.acknowledge([])
        running.source.acknowledge([3])
        running.source.acknowledge([4])
        assert await told(cable) == acknowledgement(3), "no more than one a second"
        monkeypatch.setattr(serial_port, "ACKNOWLEDGE_EVERY_S", 0.0)
        running.source.acknowledge([3, 4])
        assert await told(cable) == acknowledgement(4)
        cable.write(b"damaged\n")
        await until(lambda: len(running.arrivals) == 4)
        assert cable.said() == AGAIN, "after a damaged line the rig is asked for it again"


async def test_rig_that_does_not_read_holds_up_nothing(cable: Cable) -> None:
    async with Running(SerialPort(cable.port, set())) as running:
        cable.send(0)
        await running.came(0)
        for _ in range(3000):
            running.source.say("a1", b"x" * 99 + b"\n")
        cable.send(1)
        await running.came(0, 1)


async def test_answers_go_their_own_way_and_lines_only_to_the_rig_they_are_for(cable: Cable) -> None:
    answers: list[tuple[str, str | None, bytes]] = []
    take = lambda *said: answers.append(said)  # noqa: E731
    async with Running(SerialPort(cable.port, set(), answer=take)) as running:
        cable.write(b'#{"rig":"a1"}*00000000\n')
        cable.send(0)
        await running.came(0)
        assert answers == [(cable.port, None, b'#{"rig":"a1"}*00000000')]
        assert len(running.arrivals) == 1
        cable.said()
        line = beacon_line(1, Show.OFF)
        running.source.say("b7", line)
        running.source.say("a1", line)
        assert await told(cable) == line


@pytest.fixture
def others(tmp_path: Path) -> Iterator[tuple[Cable, Cable]]:
    silent, noisy = Cable(tmp_path / "ttySILENT"), Cable(tmp_path / "ttyNOISY")
    yield silent, noisy
    silent.unplug()
    noisy.unplug()


async def test_listening_tells_which_port_has_a_rig(
    cable: Cable, others: tuple[Cable, Cable], tmp_path: Path
) -> None:
    silent, noisy = others
    cable.write(encode(frame(0))[20:])
    cable.send(1, 2)
    noisy.write(b"$GPGGA,123519*47\r\n" * 4)
    before = descriptors()
    heard = await listen(
        [
            (silent.port, ""),
            (noisy.port, "some receiver"),
            (cable.port, "a board"),
            (str(tmp_path / "no"), ""),
        ],
        for_s=0.3,
    )
    assert heard == [
        Heard(silent.port),
        Heard(noisy.port, "some receiver", lines=4, last="$GPGGA,123519*47"),
        Heard(cable.port, "a board", lines=2, frames=1, rig="a1", channels=("k0", "k1"), last=heard[2].last),
        Heard(str(tmp_path / "no"), trouble="isn't there; plug the rig in"),
    ]
    assert descriptors() == before


def test_candidates_are_ports_on_usb() -> None:
    assert all(port.startswith("/dev/") for port, _ in candidates())


async def test_a_port_that_speaks_and_is_no_rig_is_not_called_connected(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another device, or another speed: said once, with what to do; and withdrawn when a rig is there."""
    monkeypatch.setattr("logger.sources.serial_port.UNREADABLE_S", 0.2)
    async with Running(SerialPort(cable.port, set())) as running:
        await until(lambda: running.kinds == ["connected"])

        def speaks(line: bytes, until_told: str) -> bool:
            cable.write(line)
            return running.kinds[-1] == until_told

        await until(lambda: speaks(b"$GPGGA,123519*47\r\n\xff\x00\x13", "unreadable"))
        assert "isn't the rig's line" in running.reports[-1][1]["detail"]
        numbers = itertools.count(1)
        await until(lambda: speaks(b"\n" + encode(frame(next(numbers))), "connected"))
        assert running.kinds == ["connected", "unreadable", "connected"]


async def test_a_board_that_prints_numbers_where_a_rig_is_looked_for_is_told_the_way_on(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.sources.serial_port.UNREADABLE_S", 0.6)
    async with Running(SerialPort(f"{cable.port}@9600", set())) as running:

        def speaks() -> bool:
            cable.write(b"21.5,22.0\r\n")
            return running.kinds[-1:] == ["unreadable"]

        await until(speaks)
    told = running.reports[-1][1]["detail"]
    assert "n1 21.5, n2 22" in told
    assert f"--serial {cable.port}@9600 --as lines" in told


async def test_a_rig_that_is_merely_quiet_is_not_called_unreadable(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.sources.serial_port.UNREADABLE_S", 0.05)
    async with Running(SerialPort(cable.port, set())) as running:
        cable.send(0)
        await running.came(0)
        await stays(lambda: running.kinds == ["connected"], 0.3)


async def test_asked_to_send_again_a_rig_hears_it(cable: Cable) -> None:
    async with Running(SerialPort(cable.port, set())) as running:
        cable.send(0)
        await running.came(0)
        cable.said()
        running.source.ask_again([0])
        await until(lambda: cable.said() == AGAIN)
        running.source.refuse([0])
        await stays(lambda: cable.said() == b"", 0.05)
