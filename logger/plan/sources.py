"""The plan's `[[source]]` tables: rigs that don't speak the rig's line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Annotated, Final, Literal
from urllib.parse import urlsplit

import msgspec

from logger.reading import MAX_CHANNELS, MAX_NAME
from logger.refusals import Mistake, decoded_each

Format = Literal["lines", "mqtt", "modbus"]
Name = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", max_length=MAX_NAME)]
_Text = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
_Finite = Annotated[float, msgspec.Meta(ge=-1e9, le=1e9)]
MAX_SOURCES: Final = 8
WORDS: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
"""Registers per value."""


class SourceChannel(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One channel of such a rig."""

    # what a probe's `channel` refers to; left out where a topic's `+` names it
    name: Name | None = None
    # for `lines`: the value's position, from 1, or its name, or in JSON its path ("stack.0")
    field: Annotated[int, msgspec.Meta(ge=1, le=256)] | _Text | None = None
    # for `mqtt`: the topic, with `+` for any one part of it; the value's path in a JSON message
    topic: _Text | None = None
    path: _Text | None = None
    # for `modbus`: address of the (first) register, from 0
    register: Annotated[int, msgspec.Meta(ge=0, le=65535)] | None = None
    table: Literal["input", "holding"] = "input"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"  # how registers make a number
    # which of two registers comes first, and which byte in each
    word_order: Literal["big", "little"] = "big"
    byte_order: Literal["big", "little"] = "big"
    # for `modbus`: the module on the line; default: the source's
    unit_id: Annotated[int, msgspec.Meta(ge=0, le=255)] | None = None
    # °C = number × scale + offset; scale 0.1 if the module counts tenths
    scale: _Finite = 1.0
    offset: _Finite = 0.0
    unit: Literal["C", "F", "K"] | None = None  # default: the source's
    # numbers, before scaling, that mean a broken wire
    broken: Annotated[list[_Finite], msgspec.Meta(max_length=16)] = []


class PlanSource(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One `[[source]]`."""

    format: Format
    port: _Text | None = None  # a serial port
    baud: Annotated[int, msgspec.Meta(ge=50, le=4_000_000)] = 115_200
    # of a Modbus line; most modules are 8N1, some 8E1
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    url: _Text | None = None  # a broker (`mqtt://…`), or a module on the network (`tcp://host:502`)
    rig: Name | None = None  # what to call it; default: its port or host
    unit: Literal["C", "F", "K"] = "C"
    decimal: Literal[".", ","] | None = None  # the decimal mark; without it 21,5,22,0 is refused
    every_s: Annotated[float, msgspec.Meta(ge=0.1, le=600)] = 1.0  # how often a Modbus module is asked [s]
    unit_id: Annotated[int, msgspec.Meta(ge=0, le=255)] = 1  # the module's address on its line
    # `[[source.channel]]`; for `lines`, none means that every number is a channel
    channels: Annotated[list[SourceChannel], msgspec.Meta(max_length=MAX_CHANNELS)] = msgspec.field(
        name="channel", default_factory=list
    )

    @property
    def rig_name(self) -> str:
        """The rig name of its readings."""
        if self.rig is not None:
            return self.rig
        place = self.port.rsplit("/", 1)[-1] if self.port else (urlsplit(self.url or "").hostname or "")
        return re.sub(r"[^A-Za-z0-9_.-]+", "_", place).strip("_.-")[:MAX_NAME] or self.format


def read_sources(tables: object) -> tuple[PlanSource, ...]:
    """Read the `[[source]]` tables; raises the first Mistake."""
    wrong: list[Mistake] = []
    found = decoded_sources(tables, wrong)
    for mistake in wrong:
        raise mistake
    return found


def decoded_sources(tables: object, wrong: list[Mistake]) -> tuple[PlanSource, ...]:
    """Read the `[[source]]` tables, adding every mistake to `wrong`."""
    found = decoded_each(PlanSource, tables, MAX_SOURCES, wrong, ("source",))
    names: set[str] = set()
    ports: dict[str, str] = {}
    for i, source in found.items():
        wrong += [mistake.under(("source", i)) for mistake in _wrong_with(source)]
        if source.rig_name in names:
            what = f"another source is also called {source.rig_name!r}; give each its own 'rig'"
            wrong.append(Mistake(("source", i, "rig"), what))
        names.add(source.rig_name)
        if source.port is not None and source.port in ports:
            what = (
                f"another source also uses {source.port}; a port has one reader, so put all its channels in "
                "one source"
            )
            if source.format == ports[source.port] == "modbus":
                what += ", each with the 'unit_id' of its module"
            wrong.append(Mistake(("source", i, "port"), what))
        elif source.port is not None:
            ports[source.port] = source.format
    return tuple(found.values())


def sources_as(
    form: str | None, unit: str, serial_ports: Sequence[str], plan_sources: Sequence[PlanSource]
) -> tuple[tuple[str, ...], tuple[PlanSource, ...]]:
    """Sort what command line and plan name into ports that speak the rig's line, and other sources.

    `form` is that of `--as` (None: the rig's line); a serial port is PORT or PORT@BAUD. Mistake if they don't
    go together.
    """
    if form is None:
        return tuple(serial_ports), tuple(plan_sources)
    if form != "lines":
        if any(source.format == form for source in plan_sources):
            return tuple(serial_ports), tuple(plan_sources)
        what = f"--as {form} needs to know which values to read; write [[source]] tables into a plan"
        raise Mistake(("source",), f"{what} (firmware_notes/other_rigs.md shows them)")
    if not serial_ports:
        raise Mistake(("source",), "--as lines needs a port; add --serial PORT@BAUD")
    tables = []
    for text in serial_ports:
        port, at, baud = text.rpartition("@")
        if at and not baud.isdecimal():
            raise Mistake(("source",), f"{text}: {baud!r} isn't a speed; write PORT@BAUD")
        table: dict[str, object] = {"format": "lines", "port": port if at else text, "unit": unit}
        tables.append(table | ({"baud": int(baud)} if at else {}))
    return (), (*plan_sources, *read_sources(tables))


def _wrong_with(source: PlanSource) -> Iterator[Mistake]:
    """What its format needs and the source lacks."""
    scheme = urlsplit(source.url).scheme if source.url else ""
    if source.format == "lines" and not source.port:
        yield Mistake(("port",), 'is missing; name the serial port, such as port = "/dev/ttyUSB0"')
    if source.format == "mqtt" and scheme not in ("mqtt", "mqtts"):
        yield Mistake(("url",), 'must be a broker, such as url = "mqtt://192.168.4.1"')
    if source.format == "modbus" and bool(source.port) == (scheme == "tcp"):
        yield Mistake(("port",), 'give either a serial port, or url = "tcp://host:502"')
    if source.format != "lines" and not source.channels:
        yield Mistake(("channel",), "is missing; write a [[source.channel]] for each value")
    wants = {"lines": "field", "mqtt": "topic", "modbus": "register"}[source.format]
    names: set[str] = set()
    for i, channel in enumerate(source.channels):
        at = ("channel", i)
        if getattr(channel, wants) is None:
            yield Mistake((*at, wants), "is missing; it says which value this channel reads")
        if channel.name is None:
            if source.format != "mqtt" or "+" not in (channel.topic or "").split("/"):
                yield Mistake((*at, "name"), "is missing; the channel needs a name")
        elif channel.name in names:
            yield Mistake((*at, "name"), f"{channel.name!r} appears twice; give each channel its own name")
        else:
            names.add(channel.name)
        if channel.scale == 0:
            what = "is 0, which makes every reading the same; use 1, or 0.1 for tenths"
            yield Mistake((*at, "scale"), what)
