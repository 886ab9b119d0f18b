"""The plan's `[[source]]` tables: rigs that don't speak the rig's line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit

import msgspec

from logger.reading import MAX_CHANNELS, MAX_NAME
from logger.refusals import refused

Format = Literal["lines", "mqtt", "modbus"]
Name = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", max_length=MAX_NAME)]
_Text = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
_Finite = Annotated[float, msgspec.Meta(ge=-1e9, le=1e9)]
MAX_SOURCES: Final = 8
WORDS: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
"""Registers that a value takes."""


class SourceChannel(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One channel of such a rig."""

    # the channel's name, as a probe's `channel` says it; left out where a topic's `+` names it
    name: Name | None = None
    # of `lines`: the value's place, from 1, or its name, or in JSON the way to it ("stack.0")
    field: Annotated[int, msgspec.Meta(ge=1, le=256)] | _Text | None = None
    # topic, path: of `mqtt`: the topic, `+` for any one part of it; the way to the value where the message is
    # JSON
    topic: _Text | None = None
    path: _Text | None = None
    # of `modbus`: address of the (first) register, from 0
    register: Annotated[int, msgspec.Meta(ge=0, le=65535)] | None = None
    table: Literal["input", "holding"] = "input"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"  # how registers make a number
    # word_order, byte_order: which register of two comes first, and which byte in each
    word_order: Literal["big", "little"] = "big"
    byte_order: Literal["big", "little"] = "big"
    # of `modbus`: the module on the line; left out: the source's
    unit_id: Annotated[int, msgspec.Meta(ge=0, le=255)] | None = None
    # scale, offset: °C = number × scale + offset; 0.1 where the module counts tenths
    scale: _Finite = 1.0
    offset: _Finite = 0.0
    unit: Literal["C", "F", "K"] | None = None  # left out: the source's
    # numbers, before scaling, that stand for a broken wire
    broken: Annotated[list[_Finite], msgspec.Meta(max_length=16)] = []


class PlanSource(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One `[[source]]`."""

    format: Format
    # port, baud: a serial port. [Bd]
    port: _Text | None = None
    baud: Annotated[int, msgspec.Meta(ge=50, le=4_000_000)] = 115_200
    # parity, stop_bits: of a Modbus line; most modules are 8N1, some 8E1
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    url: _Text | None = None  # a broker (`mqtt://…`), or a module in the network (`tcp://host:502`)
    rig: Name | None = None  # what to call it; left out: after its port or host
    unit: Literal["C", "F", "K"] = "C"
    decimal: Literal[".", ","] | None = None  # what the comma is in 21,5,22,0; left out: refused
    every_s: Annotated[float, msgspec.Meta(ge=0.1, le=600)] = 1.0  # how often a Modbus module is asked. [s]
    unit_id: Annotated[int, msgspec.Meta(ge=0, le=255)] = 1  # the module's address on its line
    # `[[source.channel]]`; of `lines`, none means that every number is one
    channels: Annotated[list[SourceChannel], msgspec.Meta(max_length=MAX_CHANNELS)] = msgspec.field(
        name="channel", default_factory=list
    )

    @property
    def rig_name(self) -> str:
        """What its readings are filed under."""
        if self.rig is not None:
            return self.rig
        place = self.port.rsplit("/", 1)[-1] if self.port else (urlsplit(self.url or "").hostname or "")
        return re.sub(r"[^A-Za-z0-9_.-]+", "_", place).strip("_.-")[:MAX_NAME] or self.format


class SourceMistake(ValueError):
    """What is wrong with a table, and the fix; `path` is the way to it from the document's root."""

    def __init__(self, path: tuple[str | int, ...], what: str) -> None:
        super().__init__(what)
        self.path, self.what = path, what


def read_sources(tables: object) -> tuple[PlanSource, ...]:
    """Check the `[[source]]` tables; SourceMistake says what is wrong with them."""
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise SourceMistake(("source",), "must be a list of tables; write [[source]] above each source")
    if len(tables) > MAX_SOURCES:
        raise SourceMistake(("source", MAX_SOURCES), f"more than {MAX_SOURCES} sources; leave some out")
    found = []
    for i, table in enumerate(tables):
        at: tuple[str | int, ...] = ("source", i)
        try:
            source = msgspec.convert(table, PlanSource)
        except msgspec.ValidationError as exc:
            path, what = refused(PlanSource, table, str(exc))
            raise SourceMistake((*at, *path), what) from exc
        for path, what in _wrong_with(source):
            raise SourceMistake((*at, *path), what)
        found.append(source)
    names = [source.rig_name for source in found]
    for i, name in enumerate(names):
        if name in names[:i]:
            what = f"another source is called {name!r} too; give each a 'rig' of its own"
            raise SourceMistake(("source", i, "rig"), what)
    ports = [source.port for source in found]
    for i, port in enumerate(ports):
        if port is not None and port in ports[:i]:
            what = f"{port} is another source's too; a port has one reader, so put its channels under one"
            if all(source.format == "modbus" for source in found if source.port == port):
                what += ", each with the 'unit_id' of its module"
            raise SourceMistake(("source", i, "port"), what)
    return tuple(found)


def sources_as(
    form: str | None, unit: str, serial_ports: Sequence[str], plan_sources: Sequence[PlanSource]
) -> tuple[tuple[str, ...], tuple[PlanSource, ...]]:
    """Say which ports speak the rig's line, and what else to read, of what command line and plan name.

    `form` is that of `--as` (None: the rig's line), a serial port PORT or PORT@BAUD. SourceMistake where they
    don't go together.
    """
    if form is None:
        return tuple(serial_ports), tuple(plan_sources)
    if form != "lines":
        if any(source.format == form for source in plan_sources):
            return tuple(serial_ports), tuple(plan_sources)
        what = f"--as {form} needs to know which values to read; write [[source]] tables into a plan"
        raise SourceMistake(("source",), f"{what} (firmware_notes/other_rigs.md shows them)")
    if not serial_ports:
        raise SourceMistake(("source",), "--as lines needs a port; add --serial PORT@BAUD")
    tables = []
    for text in serial_ports:
        port, at, baud = text.rpartition("@")
        if at and not baud.isdecimal():
            raise SourceMistake(("source",), f"{text}: {baud!r} is no speed; write PORT@BAUD")
        table: dict[str, object] = {"format": "lines", "port": port if at else text, "unit": unit}
        tables.append(table | ({"baud": int(baud)} if at else {}))
    return (), (*plan_sources, *read_sources(tables))


def source_table(source: PlanSource) -> dict[str, Any]:
    """Give a source as the TOML table that `read_sources` takes."""
    return dict(msgspec.to_builtins(source))


def _wrong_with(source: PlanSource) -> list[tuple[tuple[str | int, ...], str]]:
    """What a source lacks that its format needs."""
    wrong: list[tuple[tuple[str | int, ...], str]] = []
    scheme = urlsplit(source.url).scheme if source.url else ""
    if source.format == "lines" and not source.port:
        wrong.append((("port",), 'is missing; name the serial port, such as port = "/dev/ttyUSB0"'))
    if source.format == "mqtt" and scheme not in ("mqtt", "mqtts"):
        wrong.append((("url",), 'must be a broker, such as url = "mqtt://192.168.4.1"'))
    if source.format == "modbus" and bool(source.port) == (scheme == "tcp"):
        wrong.append((("port",), 'give either a serial port, or url = "tcp://host:502"'))
    if source.format != "lines" and not source.channels:
        wrong.append((("channel",), "is missing; write a [[source.channel]] for each value"))
    wants = {"lines": "field", "mqtt": "topic", "modbus": "register"}[source.format]
    names: list[str] = []
    for i, channel in enumerate(source.channels):
        at = ("channel", i)
        if getattr(channel, wants) is None:
            wrong.append(((*at, wants), "is missing; it says which value this channel is"))
        if channel.name is None:
            if source.format != "mqtt" or "+" not in (channel.topic or "").split("/"):
                wrong.append(((*at, "name"), "is missing; the channel needs a name"))
        elif channel.name in names:
            wrong.append(((*at, "name"), f"{channel.name!r} is there twice; give each channel its own name"))
        else:
            names.append(channel.name)
        if channel.scale == 0:
            wrong.append(
                ((*at, "scale"), "is 0, which makes every reading the same; use 1, or 0.1 for tenths")
            )
    return wrong
