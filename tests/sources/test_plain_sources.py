"""Boards that don't speak the rig's line: over a real pseudo-terminal, a real broker, and pymodbus's own server."""

from __future__ import annotations

import asyncio
import os
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from pymodbus.client import ModbusTcpClient
from pymodbus.framer import FramerRTU, FramerType
from pymodbus.pdu import ExceptionResponse
from pymodbus.pdu.register_message import ReadInputRegistersResponse
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from rig_cables import Cable, Running, until

from logger.plan.sources import PlanSource, read_sources
from logger.reading import Sample
from logger.refusals import Mistake
from logger.sources import Arrival, Sampled
from logger.sources.plain.lines import PrintedLines
from logger.sources.plain.modbus import Module, spans
from logger.sources.plain.topics import Topics
from tests.broker import Mosquitto
from tests.modbus_rig import device, serial_line, serving
from tests.processes import free_port

pytestmark = pytest.mark.real


def test_one_port_has_one_reader() -> None:
    with pytest.raises(Mistake, match="another source also uses /dev/ttyX; a port has one reader") as caught:
        read_sources(
            [{"format": "lines", "port": "/dev/ttyX", "rig": name, "baud": 9600} for name in ("a", "b")]
        )
    assert caught.value.path == ("source", 1, "port")


def source_of(**table: Any) -> PlanSource:
    (source,) = read_sources([table])
    return source


def samples(running: Running) -> list[dict[str, Sample]]:
    return [came.samples for came in running.arrivals if isinstance(came, Sampled)]


async def printing(cable: Cable, line: bytes, until_true: Callable[[], bool]) -> None:
    """Print a line every tenth of a second, as a board would, until it has had an effect."""
    async with asyncio.timeout(10):
        while not until_true():
            with suppress(BlockingIOError):
                cable.write(line)
            await asyncio.sleep(0.1)


# --- lines ---


async def test_a_board_that_prints_numbers(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "tty-board")
    source = source_of(format="lines", port=cable.port, baud=9600)
    async with Running(PrintedLines(source, set())) as running:
        cable.write(
            b"booting v1.2\r\n.5,22.0\r\n"
        )  # chatter, and the end of a line that began before we came
        await printing(cable, b"21.5,22.0,nan\r\n", lambda: len(samples(running)) >= 3)
        expected = {"n1": Sample(c=21.5), "n2": Sample(c=22.0), "n3": Sample(fault="open")}
        assert samples(running)[0] == expected
        assert {(came.rig, came.source) for came in running.arrivals} == {("tty-board", f"{cable.port}@9600")}
        assert running.reports[0][0] == "connected"
        assert "without a checksum" in running.reports[0][1]["detail"]
        cable.write(b"21.5,2\r\n")  # torn
        await until(lambda: any(isinstance(came, Arrival) for came in running.arrivals))


@pytest.mark.parametrize("told", ["C", "F"])
async def test_names_that_give_the_unit_may_be_missed_another_time(tmp_path: Path, told: str) -> None:
    cable = Cable(tmp_path / "tty-board")
    async with Running(PrintedLines(source_of(format="lines", port=cable.port, unit=told), set())) as running:
        cable.write(b"booting\r\nT1_F,T2_F\r\n")
        await printing(cable, b"212.0,68.0\r\n", lambda: bool(samples(running)))
        assert samples(running)[0] == {"n1": Sample(c=100.0), "n2": Sample(c=20.0)}
        assert ("add --unit F" in running.reports[0][1]["detail"]) is (told == "C")


async def test_a_board_that_is_pulled_out_and_put_back(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "tty-board")
    source = source_of(format="lines", port=cable.port, channel=[{"name": "top", "field": "T1"}])
    async with Running(PrintedLines(source, set())) as running:
        await printing(cable, b"T1=21.5 C\n", lambda: bool(samples(running)))
        cable.unplug()
        await until(lambda: running.kinds[-1] == "lost")
        before = len(samples(running))
        cable.plug()
        await printing(cable, b"T1=22.5 C\n", lambda: len(samples(running)) > before)
        assert samples(running)[-1] == {"top": Sample(c=22.5)}
        assert running.kinds[-1] == "connected"


async def test_a_board_at_the_wrong_speed_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Garbage isn't 'connected'; what it said is shown, and what to check."""
    monkeypatch.setattr("logger.sources.plain.lines._PATIENCE_S", 0.3)
    cable = Cable(tmp_path / "tty-board")
    async with Running(PrintedLines(source_of(format="lines", port=cable.port), set())) as running:
        await printing(cable, b"\xf0\x1f\xe3\x00\x88\n", lambda: bool(running.reports))
        kind, data = running.reports[0]
        assert kind == "lost"
        assert "is the speed right (PORT@9600)" in data["detail"]


async def test_the_next_opening_restarts_no_board(tmp_path: Path) -> None:
    """DTR stays up when the port is closed (HUPCL is off): a pseudo-terminal has the flag, if not the line."""
    import termios

    cable = Cable(tmp_path / "tty-board")
    async with Running(PrintedLines(source_of(format="lines", port=cable.port), set())):
        await until(lambda: not termios.tcgetattr(cable._theirs)[2] & termios.HUPCL)


# --- MQTT ---


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    running = Mosquitto(tmp_path)
    running.start()
    yield running
    running.stop()


async def test_numbers_on_topics(broker: Mosquitto) -> None:
    source = source_of(
        format="mqtt",
        url=f"mqtt://127.0.0.1:{broker.port}",
        rig="yard",
        channel=[
            {"topic": "yard/+/temperature", "unit": "F"},
            {"name": "wall", "topic": "yard/json", "path": "stack.1", "scale": 0.1, "broken": [32767]},
        ],
    )
    async with (
        Running(Topics(source, "stokewatch-test")) as running,
        aiomqtt.Client("127.0.0.1", broker.port) as client,
    ):
        await until(lambda: running.kinds == ["connected"])
        await client.publish("yard/old/temperature", "999", qos=1, retain=True)
        for topic, payload in (
            ("yard/coals/temperature", "1472"),
            ("yard/top/temperature", "nan"),
            ("yard/json", '{"stack":[1,6125]}'),
            ("yard/json", '{"stack":[1,32767]}'),
            ("yard/json", '{"stack":[1,null]}'),
            ("yard/json", "no JSON"),
            ("yard/coals/temperature", "hot"),
            ("elsewhere/coals/temperature", "1"),
            ("yard/json", '{"stack":[1,6135]}'),
        ):
            await client.publish(topic, payload, qos=1)
        await until(lambda: samples(running)[-1:] == [{"wall": Sample(c=613.5)}])
        assert [s for s in samples(running) if "old" not in s] == [
            {"coals": Sample(c=800.0)},
            {"top": Sample(fault="open")},
            {"wall": Sample(c=612.5)},
            {"wall": Sample(fault="open")},
            {"wall": Sample(fault="open")},
            {"wall": Sample(c=613.5)},
        ]


async def test_numbers_that_came_while_the_logger_was_away(broker: Mosquitto) -> None:
    """The broker keeps them until they are acknowledged: the second start gets what the first hadn't got on disk."""
    table = {"name": "top", "topic": "yard/top"}
    source = source_of(format="mqtt", url=f"mqtt://127.0.0.1:{broker.port}", channel=[table])
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        async with Running(Topics(source, "stokewatch-test")) as first:
            await until(lambda: first.kinds == ["connected"])
            await client.publish("yard/top", "20.5", qos=1)
            await until(lambda: len(samples(first)) == 1)  # and isn't acknowledged
        await client.publish("yard/top", "21.5", qos=1)
        async with Running(Topics(source, "stokewatch-test")) as second:
            await until(lambda: len(samples(second)) == 2)
            assert [s["top"].c for s in samples(second)] == [20.5, 21.5]


# --- Modbus ---


CHANNELS = [
    {"name": "coals", "register": 0, "scale": 0.1},
    {"name": "top", "register": 1, "scale": 0.1},
    {"name": "wall", "register": 2, "scale": 0.1, "broken": [32767]},
    {"name": "frost", "register": 3, "scale": 0.1},
    {"name": "core", "register": 10, "table": "holding", "type": "float32"},
    {"name": "old", "register": 30, "table": "holding", "unit": "F"},
]
READ = {
    "coals": Sample(c=21.5),
    "top": Sample(c=612.5),
    "wall": Sample(fault="open"),
    "frost": Sample(c=-0.5),
    "core": Sample(c=612.5),
    "old": Sample(c=800.0),
}


async def test_a_module_in_the_network(tmp_path: Path) -> None:
    port = free_port()
    source = source_of(
        format="modbus", url=f"tcp://127.0.0.1:{port}", rig="rack", unit_id=7, every_s=0.1, channel=CHANNELS
    )
    async with Running(Module(source)) as running:
        await until(lambda: running.kinds == ["lost"])  # nobody there yet
        assert "can't be reached" in running.reports[0][1]["detail"]
        async with serving(ModbusTcpServer(device(7), address=("127.0.0.1", port))):
            await until(lambda: len(samples(running)) >= 3)
            assert samples(running)[0] == READ
            assert running.kinds == ["lost", "connected"]
        await until(lambda: running.kinds[-1] == "lost")
        async with serving(ModbusTcpServer(device(7), address=("127.0.0.1", port))):
            await until(lambda: running.kinds[-1] == "connected")


async def test_a_module_on_a_serial_line(tmp_path: Path) -> None:
    async with serial_line() as (ours, theirs):
        server = ModbusSerialServer(device(1), framer=FramerType.RTU, port=theirs, baudrate=9600)
        source = source_of(format="modbus", port=ours, baud=9600, every_s=0.1, channel=CHANNELS)
        async with serving(server), Running(Module(source)) as running:
            await until(lambda: len(samples(running)) >= 2, within_s=15)
            assert samples(running)[0] == READ


@asynccontextmanager
async def odd_module(port: str, *late_s: float, short: int = 0) -> AsyncIterator[None]:
    """An invented module at the end of a line: 20.0 °C in register 0, 90.0 °C in register 10, in tenths.

    Its first answers are late, each by so much.
    """
    loop, line = asyncio.get_running_loop(), os.open(port, os.O_RDWR | os.O_NOCTTY)
    late = iter(late_s)

    def asked() -> None:
        question = os.read(line, 8)
        first, count = struct.unpack(">HH", question[2:6])
        words = [{0: 200, 10: 900}[first + i] for i in range(count - short)]
        body = question[:2] + struct.pack(f">B{len(words)}h", 2 * len(words), *words)
        answer = body + FramerRTU.compute_CRC(body).to_bytes(2, "big")
        loop.call_later(next(late, 0.0), os.write, line, answer)

    loop.add_reader(line, asked)
    try:
        yield
    finally:
        loop.remove_reader(line)
        os.close(line)


APART = [{"name": "low", "register": 0, "scale": 0.1}, {"name": "high", "register": 10, "scale": 0.1}]


async def test_a_late_answer_is_not_taken_for_another_registers() -> None:
    """Modbus RTU numbers no request; here the first, repeated after a second, is answered twice."""
    async with serial_line() as (ours, theirs), odd_module(theirs, 1.2, 0.5, 0.5):
        source = source_of(format="modbus", port=ours, baud=9600, every_s=0.1, channel=APART)
        async with Running(Module(source)) as running:
            await until(lambda: len(samples(running)) >= 2, within_s=20)
    for one in samples(running):
        assert one == {"low": Sample(c=20.0), "high": Sample(c=90.0)}


async def test_an_answer_with_too_few_registers_is_told_and_ends_nothing() -> None:
    async with serial_line() as (ours, theirs), odd_module(theirs, short=1):
        source = source_of(format="modbus", port=ours, baud=9600, every_s=0.1, channel=APART)
        async with Running(Module(source)) as running:
            await until(lambda: bool(running.reports), within_s=10)
            assert "unit 1 gives 0 registers where 1 were asked for" in running.reports[0][1]["detail"]
            assert samples(running) == []


async def test_a_module_that_does_not_answer_is_said(tmp_path: Path) -> None:
    async with serial_line() as (ours, _):
        source = source_of(format="modbus", port=ours, baud=9600, unit_id=3, channel=CHANNELS)
        async with Running(Module(source)) as running:
            await until(lambda: bool(running.reports), within_s=10)
            assert "unit 3 doesn't answer; check A and B" in running.reports[0][1]["detail"]


async def test_what_a_module_refuses_is_said() -> None:
    port = free_port()
    source = source_of(
        format="modbus",
        url=f"tcp://127.0.0.1:{port}",
        unit_id=7,
        channel=[{"name": "x", "register": 900}],
    )
    words = "refuses input registers 900 to 900 (exception 2)"
    async with (
        serving(ModbusTcpServer(device(7), address=("127.0.0.1", port))),
        Running(Module(source)) as running,
    ):
        await until(lambda: bool(running.reports) and words in running.reports[-1][1]["detail"], within_s=10)
        assert samples(running) == []


def silent_unit_3(sending: bool, packet: bytes) -> bytes:
    """Hold back what the server would answer for a unit that it doesn't have."""
    return b"" if sending and packet[:1] == b"\x03" else packet


async def test_two_modules_on_one_line_and_a_third_that_is_silent() -> None:
    """Each channel may name its module; one that is gone, or refuses, no longer takes the others with it."""
    channels = [
        {"name": "coals", "register": 0, "scale": 0.1},
        {"name": "top", "register": 0, "scale": 0.1, "unit_id": 2},
        {"name": "wall", "register": 0, "scale": 0.1, "unit_id": 3},
        {"name": "odd", "register": 30001, "scale": 0.1},
    ]
    async with serial_line() as (ours, theirs):
        devices = [device(1), device(2)]
        server = ModbusSerialServer(
            devices, framer=FramerType.RTU, port=theirs, baudrate=9600, trace_packet=silent_unit_3
        )
        source = source_of(format="modbus", port=ours, baud=9600, every_s=0.1, channel=channels)
        async with serving(server), Running(Module(source)) as running:
            await until(lambda: len(samples(running)) >= 5, within_s=30)
            assert samples(running)[-1] == {"coals": Sample(c=21.5), "top": Sample(c=21.5)}
            assert set(running.kinds) == {"connected"}
            detail = running.reports[-1][1]["detail"]
    assert "units 1, 2, 3; but" in detail
    assert "unit 3 doesn't answer" in detail
    assert "a manual's 30001 is register 0 of table 'input'" in detail


@pytest.mark.parametrize(
    ("word_order", "byte_order", "layout"),
    [
        ("big", "big", (0, 1, 2, 3)),
        ("little", "big", (2, 3, 0, 1)),
        ("big", "little", (1, 0, 3, 2)),
        ("little", "little", (3, 2, 1, 0)),
    ],
)
async def test_a_float_in_any_order_of_its_bytes(
    word_order: str, byte_order: str, layout: tuple[int, ...]
) -> None:
    """612.5 as IEEE 754 single precision is 44 19 20 00."""
    plain = struct.pack(">f", 612.5)
    sent = bytes(plain[i] for i in layout)
    words = list(struct.unpack(">HH", sent))
    channel = {"name": "x", "register": 5, "type": "float32"}
    orders = {"word_order": word_order, "byte_order": byte_order}
    source = source_of(format="modbus", port="/dev/ttyX", channel=[channel | orders])
    module = Module(source)
    assert module._decode(ModbusTcpClient("127.0.0.1"), 5, words, source.channels) == {"x": Sample(c=612.5)}


def test_a_second_source_on_a_serial_port_is_told_the_way_on() -> None:
    one = {"format": "modbus", "port": "/dev/ttyX", "channel": [{"name": "a", "register": 0}]}
    with pytest.raises(
        Mistake, match="put all its channels in one source, each with the 'unit_id' of its module"
    ):
        read_sources([one | {"rig": "left"}, one | {"rig": "right", "unit_id": 2}])
    lines = {"format": "lines", "port": "/dev/ttyX", "rig": "board"}
    with pytest.raises(Mistake, match=r"put all its channels in one source$"):
        read_sources([one, lines])


async def test_a_messages_own_unit_and_a_line_of_several_numbers(broker: Mosquitto) -> None:
    channels = [
        {"name": "top", "topic": "yard/top", "path": "value"},
        {"name": "base", "topic": "yard/base"},
        {"name": "left", "topic": "yard/all", "path": "2"},
        {"name": "right", "topic": "yard/named", "path": "T2"},
        {"name": "sure", "topic": "yard/sure", "path": "value", "unit": "C"},
    ]
    sent = {
        "yard/top": '{"value": 70.7, "unit": "F"}',
        "yard/base": "70.7 F",
        "yard/all": "20.5,21.5,22.5",
        "yard/named": "T1=20.5 T2=21.5",
        "yard/sure": '{"value": 21.5, "unit": "F"}',
    }
    source = source_of(format="mqtt", url=f"mqtt://127.0.0.1:{broker.port}", channel=channels)
    async with (
        aiomqtt.Client("127.0.0.1", broker.port) as client,
        Running(Topics(source, "stokewatch-test")) as running,
    ):
        await until(lambda: running.kinds == ["connected"])
        for topic, payload in sent.items():
            await client.publish(topic, payload, qos=1)
        await until(lambda: len(samples(running)) == 5)
    got = {name: sample for one in samples(running) for name, sample in one.items()}
    assert got == {name: Sample(c=21.5) for name in ("top", "base", "left", "right", "sure")}


async def test_messages_without_the_number_that_is_looked_for_are_told(broker: Mosquitto) -> None:
    """Alone in a message a comma is the decimal sign; several numbers in one need a path."""
    wanted = source_of(format="mqtt", url=broker.url, channel=[{"topic": "yard/+/temp"}])
    async with Running(Topics(wanted, "numbers")) as running, aiomqtt.Client("127.0.0.1", broker.port) as rig:
        await until(lambda: "connected" in running.kinds)
        await rig.publish("yard/a/temp", '{"value": 70.7, "unit": "°F"}', qos=1)
        await rig.publish("yard/b/temp", "21,5", qos=2)
        await rig.publish("yard/c/temp", "unavailable", qos=0)
        await rig.publish("yard/d/temp", '{"temp": 21.5, "battery": 3.7}', qos=1)
        await until(lambda: len(samples(running)) == 3 and len(running.reports) == 2)
    assert {name: s for one in samples(running) for name, s in one.items()} == {
        "a": Sample(c=21.5),
        "b": Sample(c=21.5),
        "c": Sample(fault="open"),
    }
    assert "yard/d/temp has several numbers (temp, battery)" in running.reports[1][1]["detail"]


async def test_a_topic_on_which_several_probes_take_turns(broker: Mosquitto) -> None:
    """Which one a message is about it says itself; one number for all of them would be nobody's."""
    named = [{"topic": "yard", "path": "#1.c", "name": "a"}, {"topic": "yard", "path": "#2.c", "name": "b"}]
    one = {"topic": "one", "path": "c", "name": "alone"}
    both = source_of(format="mqtt", url=broker.url, channel=[*named, one])
    mixed = source_of(format="mqtt", url=broker.url, channel=[{"topic": "yard", "path": "c", "name": "x"}])
    async with (
        Running(Topics(both, "both")) as right,
        Running(Topics(mixed, "mixed")) as wrong,
        aiomqtt.Client("127.0.0.1", broker.port) as rig,
    ):
        await until(lambda: right.kinds == wrong.kinds == ["connected"])
        for _ in range(4):
            await rig.publish("yard", '{"ch": 1, "c": 21.5}', qos=1)
            await rig.publish("yard", '{"ch": 2, "c": 22.5}', qos=1)
            await rig.publish("one", '{"id": 7, "c": 23.5}', qos=1)
        await until(lambda: len(samples(right)) == 11 and len(wrong.reports) == 2)
    got = [(name, sample.c) for one in samples(right) for name, sample in one.items()]
    assert {name: (got.count((name, c))) for name, c in got} == {"a": 4, "b": 4, "alone": 3}
    assert set(got) == {("a", 21.5), ("b", 22.5), ("alone", 23.5)}
    assert samples(wrong) == []
    assert "yard tells of 1, 2, … by turns; begin each 'path' with '#1.'" in wrong.reports[1][1]["detail"]


async def test_a_topic_on_which_nothing_comes_is_told(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.sources.plain.topics.QUIET_S", 0.5)
    wanted = source_of(format="mqtt", url=broker.url, channel=[{"topic": "a/+"}, {"topic": "b", "name": "b"}])
    async with Running(Topics(wanted, "quiet")) as running, aiomqtt.Client("127.0.0.1", broker.port) as rig:
        await until(lambda: "connected" in running.kinds)
        await rig.publish("a/1", "21.5", qos=1)
        await until(lambda: len(running.reports) == 2)
    assert "nothing has come on b yet" in running.reports[1][1]["detail"]


def test_registers_that_follow_one_another_are_asked_for_at_once() -> None:
    source = source_of(format="modbus", port="/dev/ttyX", channel=CHANNELS)
    asked = [(table, first, count) for _, table, first, count, _ in spans(source.channels, 1)]
    assert asked == [("holding", 10, 2), ("holding", 30, 1), ("input", 0, 4)]


class Few(ModbusTcpClient):
    """A module that has two registers, and gives one at a time."""

    async def read_input_registers(self, address: int, *, count: int, device_id: int) -> Any:  # type: ignore[override]
        if count > 1 or address > 1:
            return ExceptionResponse(4, 3 if count > 1 else 2)
        return ReadInputRegistersResponse(registers=[215 + address])


async def test_a_module_that_gives_fewer_registers_at_once_is_asked_for_each() -> None:
    """And one register that it doesn't have doesn't take the others with it."""
    table = [{"name": f"k{i}", "register": i, "scale": 0.1} for i in range(3)]
    module = Module(source_of(format="modbus", url="tcp://127.0.0.1:5020", channel=table))
    client = Few("127.0.0.1")
    for spans_before in (1, 3):
        assert len(module._spans) == spans_before
        read = [await module._read(client, span) for span in tuple(module._spans)]
        assert {k: v for samples, _ in read for k, v in samples.items()} == {
            "k0": Sample(c=21.5),
            "k1": Sample(c=21.6),
        }
        (trouble,) = [words for _, troubles in read for words in troubles]
        assert "refuses input registers 2 to 2" in trouble


async def test_an_adapter_that_gives_back_what_it_sends(tmp_path: Path) -> None:
    came = b""

    def echo(sending: bool, packet: bytes) -> bytes:
        nonlocal came
        came = came if sending else packet
        return came + packet if sending else packet

    async with serial_line() as (ours, theirs):
        server = ModbusSerialServer(
            device(1), framer=FramerType.RTU, port=theirs, baudrate=9600, trace_packet=echo
        )
        source = source_of(format="modbus", port=ours, baud=9600, every_s=0.1, channel=CHANNELS)
        async with serving(server), Running(Module(source)) as running:
            await until(lambda: len(samples(running)) >= 2, within_s=20)
            assert samples(running)[0] == READ


async def test_a_port_that_can_not_be_set_so_is_told_and_ends_nothing() -> None:
    """A pseudo-terminal takes no parity."""
    async with serial_line() as (ours, _):
        source = source_of(format="modbus", port=ours, parity="E", channel=CHANNELS)
        async with Running(Module(source)) as running:
            await until(lambda: bool(running.reports), within_s=10)
            assert "can't be set to parity E" in running.reports[0][1]["detail"]


async def test_floats_whose_halves_are_the_other_way_round_are_told() -> None:
    """212.9 and 295.4 with the halves swapped are -2.7e23 and -4e-8."""
    source = source_of(
        format="modbus",
        url="tcp://127.0.0.1:5020",
        channel=[{"name": f"k{i}", "register": 2 * i, "type": "float32"} for i in range(2)],
    )
    client = ModbusTcpClient("127.0.0.1")
    words = [w for c in (212.9, 295.4) for w in struct.unpack(">HH", struct.pack(">f", c))[::-1]]

    async def read(*_: Any, **__: Any) -> Any:
        return ReadInputRegistersResponse(registers=words)

    module = Module(source)
    client.read_input_registers = read  # type: ignore[method-assign,assignment]
    found, troubles = await module._read(client, module._spans[0])
    assert {sample.fault for sample in found.values()} == {"range"}
    assert "word_order" in "".join(troubles)
