"""A plan's `[[source]]` tables: read, written, and refused with the line of the mistake."""

from __future__ import annotations

import pytest

from logger.plan import PlanError, loads
from logger.plan.sources import MAX_SOURCES, read_sources, sources_as
from logger.refusals import Mistake

YARD = """\
title = '''
Yard'''

cool_c = 60

[[source]]
format = "lines"
port = "/dev/ttyUSB0"
baud = 9600
rig = "lid"

[[source]]
format = "mqtt"
url = "mqtt://192.168.4.1"

[[source.channel]]
topic = "yard/+/temperature"

[[source.channel]]
name = "stack"
topic = "yard/stack"
path = "walls.0"

[[source]]
format = "modbus"
url = "tcp://192.168.4.2:502"

[[source.channel]]
name = "t1"
register = 0
scale = 0.1
"""


def test_what_is_written_reads_back_equal() -> None:
    plan = loads(YARD)
    assert [source.rig_name for source in plan.sources] == ["lid", "192.168.4.1", "192.168.4.2"]
    assert plan.cool_c == 60
    assert loads(plan.dumps()) == plan


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (('format = "lines"', 'format = "telex"'), 7, "'telex' won't do; give one of lines, modbus, mqtt"),
        (("baud = 9600", "speed = 9600"), 9, "unknown key; known here: format, port, baud"),
        (("baud = 9600", "baud = 9"), 9, "source[1].baud: 9 is out of range; give a whole number from 50 to 4000000"),
        (('port = "/dev/ttyUSB0"\n', ""), 6, "is missing; name the serial port, such as"),
        (('url = "mqtt://192.168.4.1"', 'url = "192.168.4.1"'), 14, 'must be a broker, such as url = "mqtt://'),
        (('topic = "yard/+/temperature"', 'topic = "yard/top"'), 16, "is missing; the channel needs a name"),
        (('topic = "yard/stack"\n', ""), 19, "is missing; it says which value this channel reads"),
        (('url = "tcp://192.168.4.2:502"', ""), 24, 'give either a serial port, or url = "tcp://host:502"'),
        (("scale = 0.1", "scale = 0"), 31, "is 0, which makes every reading the same; use 1, or 0.1 for tenths"),
        (('name = "stack"', 'name = "a b"'), 20, "source[2].channel[2].name: 'a b' won't do; give at most 32 letters, digits, _, . or -"),
        (('"tcp://192.168.4.2:502"', '"tcp://192.168.4.1:502"'), 24, "another source is also called '192.168.4.1'"),
    ],
)  # fmt: skip
def test_a_mistake_is_refused_with_its_line(change: tuple[str, str], line: int, words: str) -> None:
    """Even after a text of several lines, which has no keys in it."""
    assert change[0] in YARD
    with pytest.raises(PlanError) as caught:
        loads(YARD.replace(*change, 1), source="yard.toml")
    assert str(caught.value).startswith(f"yard.toml line {line}: "), str(caught.value)
    assert words in str(caught.value)


def modbus(**more: object) -> dict[str, object]:
    channels = [{"name": "t1", "register": 0}]
    return {"format": "modbus", "port": "/dev/ttyUSB0", "channel": channels, **more}


@pytest.mark.parametrize(
    ("tables", "where", "words"),
    [
        ({"format": "lines"}, ("source",), "must be a list of tables"),
        ([modbus(rig=f"r{n}", port=f"/dev/tty{n}") for n in range(MAX_SOURCES + 1)], ("source", 8), "more than 8"),
        ([{}], ("source", 0, "format"), "is missing; give one of lines, modbus, mqtt"),
        ([modbus(stop_bits=3)], ("source", 0, "stop_bits"), "3 won't do; give one of 1, 2"),
        ([modbus(rig="r" * 33)], ("source", 0, "rig"), "is longer than 32 characters; shorten it"),
        (
            [modbus(channel=[{"name": "t1", "field": []}])],
            ("source", 0, "channel", 0, "field"),
            "[] won't do; give a whole number from 1 to 256, or text of at most 200 characters",
        ),
        (
            [modbus(channel=[{"name": "t1", "broken": ["open"]}])],
            ("source", 0, "channel", 0, "broken", 0),
            "'open' is not a number; give a number from -1e+09 to 1e+09",
        ),
        ([modbus(channel=[])], ("source", 0, "channel"), "write a [[source.channel]] for each value"),
        (
            [modbus(channel=[{"name": "t1", "register": 0}] * 2)],
            ("source", 0, "channel", 1, "name"),
            "'t1' appears twice; give each channel its own name",
        ),
        (
            [modbus(rig="a"), modbus(rig="b")],
            ("source", 1, "port"),
            "so put all its channels in one source, each with the 'unit_id' of its module",
        ),
    ],
)  # fmt: skip
def test_tables_that_go_wrong_together(tables: object, where: tuple[object, ...], words: str) -> None:
    with pytest.raises(Mistake) as caught:
        read_sources(tables)
    assert caught.value.path == where
    assert words in caught.value.what


def test_ports_of_the_command_line_by_their_format() -> None:
    mine = read_sources([modbus()])
    assert sources_as(None, "C", ["/dev/ttyACM0"], mine) == (("/dev/ttyACM0",), mine)
    assert sources_as("modbus", "C", [], mine) == ((), mine)
    ports, (_, slow, usual) = sources_as("lines", "F", ["/dev/tty1@9600", "/dev/tty2"], mine)
    assert ports == ()
    assert (slow.port, slow.baud, slow.unit) == ("/dev/tty1", 9600, "F")
    assert (usual.port, usual.baud, usual.format) == ("/dev/tty2", 115_200, "lines")


@pytest.mark.parametrize(
    ("form", "ports", "words"),
    [
        ("mqtt", ["/dev/tty1"], "--as mqtt needs to know which values to read; write [[source]] tables into a plan"),
        ("lines", [], "--as lines needs a port; add --serial PORT@BAUD"),
        ("lines", ["/dev/tty1@fast"], "/dev/tty1@fast: 'fast' isn't a speed; write PORT@BAUD"),
    ],
)  # fmt: skip
def test_what_does_not_go_together_on_the_command_line(form: str, ports: list[str], words: str) -> None:
    with pytest.raises(Mistake) as caught:
        sources_as(form, "C", ports, ())
    assert words in caught.value.what
