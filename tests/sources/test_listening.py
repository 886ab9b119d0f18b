"""`ports` and `listen` on real pseudo-terminals: they take no line from anybody, and know other kinds of boards."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import itertools
import json
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from click.testing import CliRunner
from rig_cables import Cable, Running, frame, until

from logger.cli import cli
from logger.diagnosis.listen import PortTaken, listen
from logger.home import Home
from logger.journal.writer import JournalWriter
from logger.plan.sources import PlanSource
from logger.rig_line import wire
from logger.sources import SourceError, listening, serial_line
from logger.sources.plain.lines import PrintedLines
from logger.sources.serial_line import holder, holder_words, port_and_baud, why

pytestmark = pytest.mark.real


@contextlib.contextmanager
def saying(cable: Cable, *lines: bytes, every_s: float = 0.05) -> Iterator[None]:
    """Repeat lines in a thread, as a board would."""
    over = threading.Event()

    def say() -> None:
        for line in itertools.cycle(lines):
            if over.wait(every_s):
                return
            with contextlib.suppress(BlockingIOError):
                cable.write(line)

    thread = threading.Thread(target=say)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def test_a_board_that_prints_numbers_is_recognised(cable: Cable) -> None:
    with saying(cable, b"21.5,22.0,nan\r\n"):
        (heard,) = asyncio.run(listening.listen([(cable.port, "")], for_s=0.6))
        shown = CliRunner().invoke(cli, ["ports", cable.port])
    assert heard.rig is None
    assert heard.numbers == pytest.approx({"n1": 21.5, "n2": 22.0, "n3": float("nan")}, nan_ok=True)
    assert f"run --serial {cable.port}@115200 --as lines" in shown.output


@pytest.mark.parametrize(
    ("said", "numbers"),
    [
        (b"21.5,22.0\r", {"n1": 21.5, "n2": 22.0}),
        ("T1: 21.5 °C\r\n".encode(), {"T1": 21.5}),
        ("T1: 21.5 °C\r\n".encode("latin-1"), {"T1": 21.5}),
        ("oben: 21.5 ℃\r\n".encode(), {"oben": 21.5}),
        (b"\x1b[1mTop\x1b[0m 21.5\r\n", {"Top": 21.5}),
    ],
    ids=["carriage returns alone", "degree sign", "degree sign of one byte", "one sign", "bold"],
)
def test_text_is_known_as_text(cable: Cable, said: bytes, numbers: dict[str, float]) -> None:
    with saying(cable, said):
        (heard,) = asyncio.run(listening.listen([(cable.port, "")], for_s=0.6))
    assert (heard.numbers, heard.unreadable, heard.baud) == (numbers, 0, 115_200)


PARITY = bytes(b | 0x80 * (b.bit_count() % 2) for b in b"T1=21.5 T2=22.0\r") + b"\n"


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ([b"21,%d,30,%d\r\n" % (i * 7 % 10, i * 3 % 10) for i in range(10)], "decimal commas"),
        ([b"0x0158 0x01E0\n"], "hexadecimal"),
        ([b"T1=21.5 T2=22.0"], "end"),
        ([b"1,21.5\n", b"2,22.0\n"], "n1 21.5, n2 22"),
        ([b"T1=21.5 T2=22.0\r"], "T1 21.5, T2 22"),
        ([PARITY], "T1 21.5, T2 22"),
    ],
    ids=["decimal commas", "hexadecimal", "no end of a line", "numbered", "carriage returns", "7E1"],
)
def test_ports_and_listen_and_the_logger_say_the_same(cable: Cable, said: list[bytes], words: str) -> None:
    """Each of them reads what the others read, and leaves other lines alone with the same words."""
    source = PlanSource(format="lines", port=cable.port)

    async def record() -> Running:
        async with Running(PrintedLines(source, set())) as running:
            await until(lambda: bool(running.reports), within_s=15)
        return running

    with saying(cable, *said):
        ports = CliRunner().invoke(cli, ["ports", cable.port]).output
        listened = CliRunner().invoke(cli, ["listen", cable.port, "--seconds", "2"]).output
        running = asyncio.run(record())
    assert words in ports
    assert words in listened
    kind, told = running.reports[0]
    if "21.5" in words:
        assert kind == "connected"
    else:
        assert kind == "lost"
        assert words in told["detail"]
        assert not running.arrivals


def test_a_board_that_prints_every_few_seconds_is_heard_out(cable: Cable) -> None:
    """It has said one line when the time is over, in which others say three."""
    with saying(cable, b"21.5,22.0\n", every_s=0.8):
        (heard,) = asyncio.run(listening.listen([(cable.port, "")], for_s=0.6))
    assert heard.numbers == {"n1": 21.5, "n2": 22.0}


def test_a_board_that_waits_for_a_key_is_told_by_what_it_says(cable: Cable) -> None:
    with saying(cable, b"Press any key to start\r\n"):
        shown = CliRunner().invoke(cli, ["ports", cable.port])
    assert "no readings in them, last 'Press any key to start'" in shown.output
    assert "set it to print by itself" in shown.output


def test_bytes_that_are_no_text_are_tried_at_other_speeds(cable: Cable) -> None:
    """A pseudo-terminal has no speed, so all of them are tried in vain here."""
    with saying(cable, b"\xf1\x8f\x00\xe3\n"):
        (heard,) = asyncio.run(listening.listen([(cable.port, "")], for_s=0.2))
    assert heard.unreadable > 0
    assert heard.baud == 38_400


def test_a_rig_is_still_a_rig(cable: Cable) -> None:
    with saying(cable, wire.encode(frame(7))):
        (heard,) = asyncio.run(listening.listen([(cable.port, "")], for_s=1))
    assert (heard.rig, heard.channels, heard.numbers, heard.unreadable) == ("a1", ("k0", "k1"), {}, 0)


def test_two_rigs_on_two_ports_are_both_named_with_the_way_to_read_both(cable: Cable, tmp_path: Path) -> None:
    second = Cable(tmp_path / "ttySECOND")
    try:
        with saying(cable, wire.encode(frame(7))), saying(second, wire.encode(frame(9, rig="b2"))):
            shown = CliRunner().invoke(cli, ["ports", cable.port, second.port]).output
    finally:
        second.unplug()
    assert "rig a1" in shown
    assert "rig b2" in shown
    assert (
        "2 rigs: on its own, `run` reads the first one it hears. To read them all: "
        f"stokewatch run --serial {cable.port} " in shown
    )


def test_listen_names_the_ports_that_it_does_not_listen_to(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_line, "candidates", lambda: [(cable.port, ""), ("/dev/ttyACM7", "")])
    with saying(cable, wire.encode(frame(7))):
        shown = CliRunner().invoke(cli, ["listen", cable.port, "--seconds", "1"]).output
    assert "Not checked: /dev/ttyACM7. `stokewatch ports` checks every port." in shown


def test_listen_takes_no_line_from_another_reader(cable: Cable) -> None:
    with serial.Serial(cable.port, exclusive=True), pytest.raises(PortTaken, match="is in use by"):
        listen(cable.port, seconds=1)


def test_beside_a_running_logger_its_own_counts_are_shown(cable: Cable, tmp_path: Path) -> None:
    home = Home(tmp_path / "home")
    home.create()
    with home.logger_lock(), serial.Serial(cable.port, exclusive=True):
        with contextlib.closing(JournalWriter(home.journal)) as writer:
            writer.heartbeat({"frames": 120, "bad_crc": 0, "malformed": 0, "missing": 2})
        done = CliRunner().invoke(cli, ["listen", cable.port, "--json", "--home", str(home.root)])
    assert done.exit_code == 0, done.output
    said = json.loads(done.output)
    assert (said["read_by"], said["frames"], said["missing"], said["right"]) == ("logger", 120, 2, True)


def test_beside_a_logger_that_reads_numbers_their_count_is_shown(cable: Cable, tmp_path: Path) -> None:
    """Such a board sends no frames: none is missing."""
    home = Home(tmp_path / "home")
    home.create()
    detail = "numbers in lines, without a checksum"
    source = {"name": f"{cable.port}@9600", "state": "connected", "detail": detail, "proof": "none"}
    with home.logger_lock(), serial.Serial(cable.port, exclusive=True):
        with contextlib.closing(JournalWriter(home.journal)) as writer:
            writer.heartbeat({"frames": 0, "readings": 360, "sources": [source]})
        done = CliRunner().invoke(cli, ["listen", f"{cable.port}@9600", "--home", str(home.root)])
    assert done.exit_code == 0, done.output
    assert f"{detail}. Readings since it started: 360." in done.output


def test_who_holds_a_port_is_named(cable: Cable) -> None:
    """This very process is left out; a child that holds the port is found by its number."""
    fd = os.open(cable.port, os.O_RDWR | os.O_NOCTTY)
    child = os.fork()
    if child == 0:  # pragma: no cover - holds the inherited descriptor until it is ended
        threading.Event().wait(30)
        os._exit(0)
    try:
        os.close(fd)
        found = holder(cable.port)
        assert found is not None
        assert found[0] == child
        assert f"process {child}" in holder_words(found)
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)


def test_the_usual_takers_of_ports_are_named() -> None:
    assert "sudo systemctl stop ModemManager" in holder_words((312, "ModemManager"))
    assert "sudo apt remove brltty" in holder_words((313, "brltty"))
    assert "ModemManager and brltty" in holder_words(None)


@pytest.mark.parametrize("number", [errno.EACCES, errno.EPERM])
def test_who_may_not_open_a_port_is_told_the_group(number: int) -> None:
    assert "sudo adduser $USER dialout" in why(OSError(number, "no"), "/dev/ttyX")


@pytest.mark.parametrize(
    ("text", "port", "baud"),
    [("/dev/ttyUSB0", "/dev/ttyUSB0", 115_200), ("/dev/ttyUSB0@9600", "/dev/ttyUSB0", 9600)],
)
def test_a_port_and_its_speed(text: str, port: str, baud: int) -> None:
    assert port_and_baud(text) == (port, baud)


@pytest.mark.parametrize("text", ["/dev/ttyUSB0@fast", "/dev/ttyUSB0@", "/dev/ttyUSB0@0", "/dev/ttyUSB0@²"])
def test_what_is_no_speed_is_refused(text: str) -> None:
    with pytest.raises(SourceError, match=r"write PORT@BAUD, such as /dev/ttyUSB0@9600"):
        port_and_baud(text)
