"""The form for a rig that doesn't speak the wire line: its fields, reading them, and the plan. Pure."""

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import dash_mantine_components as dmc
import msgspec

from dashboard.parts.frame import UNAIDED, options
from logger.errors import UserError
from logger.plan import guess_reads
from logger.plan.sources import WORDS

FORMATS: Final = (
    ("lines", "A board that prints numbers (serial)"),
    ("mqtt", "Numbers on a broker's topics (MQTT)"),
    ("rtu", "A Modbus module on a serial line (RTU)"),
    ("tcp", "A Modbus module on the network (TCP)"),
)
_ALL: Final = ("lines", "mqtt", "rtu", "tcp")
_SERIAL: Final = ("lines", "rtu")
_MODBUS: Final = ("rtu", "tcp")
_ENDS: Final = (("big", "the high one first"), ("little", "the low one first"))
_REGISTERS: Final = (("input", "input (30001 …)"), ("holding", "holding (40001 …)"))


class _Field(NamedTuple):
    label: str
    formats: tuple[str, ...]  # those that have it
    value: str = ""  # at first
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()  # where one is to be chosen


FIELDS: Final = {
    "format": _Field("Kind of rig", _ALL, "lines", choices=FORMATS),
    "port": _Field("Serial port", _SERIAL),
    "baud": _Field("Speed, baud", _SERIAL, "115200"),
    "parity": _Field("Parity", ("rtu",), "N", choices=(("N", "none"), ("E", "even"), ("O", "odd"))),
    "stop_bits": _Field("Stop bits", ("rtu",), "1", choices=(("1", "1"), ("2", "2"))),
    "url": _Field("Address", ("mqtt", "tcp"), hint="A broker: mqtt://host. A module: tcp://host:502"),
    "topic": _Field("Topic to listen to", ("mqtt",), "#", "# for all"),
    "unit_id": _Field("Unit ID", _MODBUS, "1", "Several modules on one line: 1 2 3"),
    "every_s": _Field("Seconds between reads", _MODBUS, "1"),
    "table": _Field("Registers", _MODBUS, "input", choices=_REGISTERS),
    "first": _Field("First register, counting from 0", _MODBUS, "0"),
    "count": _Field("How many values", _MODBUS, "8"),
    "type": _Field("Number type", _MODBUS, "int16", choices=tuple((t, t) for t in WORDS)),
    "word_order": _Field("Order of two registers", _MODBUS, "big", choices=_ENDS),
    "byte_order": _Field("Order of a register's bytes", _MODBUS, "big", choices=_ENDS),
    "scale": _Field("Multiply by", _ALL, "1", "0.1 if it counts tenths of a degree"),
    "unit": _Field("Unit", _ALL, "C", choices=(("C", "°C"), ("F", "°F"), ("K", "K"))),
    "broken": _Field("A broken wire reads", _ALL, hint="What it sends then, such as 32767 -32768"),
    "rig": _Field("Name", _ALL, hint="If empty, its port or host"),
}
ASKED: Final = ("topic", "first", "count", "units")
"""Used only while listening; never in a plan."""
OF_CHANNELS: Final = ("table", "type", "word_order", "byte_order", "scale", "broken")
"""Set for each channel in a plan, for all at once in the form."""
_SPEEDS: Final = ("115200", "57600", "38400", "19200", "9600")
_WHOLE: Final = ("baud", "stop_bits", "first", "count")
_MAY_BE_EMPTY: Final = ("topic", "broken", "rig")


class Number(msgspec.Struct):
    """A number found in what a rig sends."""

    key: str
    name: str  # empty: its topic names it
    mark: dict[str, Any]  # where it is in what the rig sends
    stood: bool = False  # already in the plan, and not heard since


def source_fields(ports: Sequence[str]) -> list[Any]:
    """Make the form, offering the serial ports found."""
    fields = []
    for name, field in FIELDS.items():
        own = {"id": {"type": "prepare-source", "name": name}, "label": field.label, "value": field.value}
        if field.choices:
            fields.append(dmc.Select(**own, data=options(field.choices), allowDeselect=False))
            continue
        more: dict[str, Any] = {"description": field.hint} if field.hint else {}
        kind: Any = dmc.TextInput
        if name in ("port", "baud"):
            kind, more["data"] = dmc.Autocomplete, list(ports if name == "port" else _SPEEDS)
        if name == "port" and ports:
            own["value"] = ports[0]
        fields.append(kind(**own, **more, attributes=UNAIDED))
    return fields


def table_of(given: Mapping[str, Any]) -> dict[str, Any]:
    """Read the form, whoever sent it; UserError names an impossible field, and the fix.

    The table is as `logger.diagnosis.hear.hear` takes it, with `broken`, `every_s`, `rig`, `unit` as in a
    plan.
    """
    form = str(given.get("format"))
    table: dict[str, Any] = {"format": "modbus" if form in ("rtu", "tcp") else form}
    for name, field in FIELDS.items():
        text = str(given.get(name) or "").strip()[:200]
        if name == "format" or form not in field.formats or (name in _MAY_BE_EMPTY and not text):
            continue
        if name in _WHOLE:
            if not re.fullmatch(r"\d{1,7}", text):
                raise UserError(
                    f"{field.label}: “{text}” isn't a whole number; give one such as {field.value}"
                )
            table[name] = int(text)
        elif name == "unit_id":
            if not re.fullmatch(r"\d{1,3}([\s,;]+\d{1,3}){0,15}", text):
                raise UserError(f"{field.label}: “{text}” isn't one; give 1, or 1 2 3 for several")
            table[name], *others = dict.fromkeys(int(part) for part in re.split(r"[\s,;]+", text))
            table |= {"units": others} if others else {}
        elif name in ("scale", "every_s"):
            table[name] = _number(name, text, "1, or 0.1 for tenths" if name == "scale" else "seconds")
            if table[name] == 0:
                raise UserError(f"{field.label}: it can't be 0; give another number")
        elif name == "broken":
            parts = filter(None, re.split(r"[\s;]+|,\s+", text))
            table[name] = [_number(name, part, "32767, say") for part in parts]
        elif not text:
            needs = {"port": "Name the serial port.", "url": "Give the address."}
            raise UserError(needs.get(name, f"{field.label} is empty"))
        else:
            table[name] = text
    return table


def _number(name: str, text: str, such: str) -> float:
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UserError(f"{FIELDS[name].label}: “{text}” isn't a number; give {such}")
    return number


def form_of(source: Mapping[str, Any]) -> dict[str, str]:
    """Write a plan's `[[source]]` as values of the form, by field; its first channel stands for all."""
    channels = channels_of(source)
    said = {k: v for k, v in source.items() if k != "channel"}
    said |= {k: v for k, v in (channels[0] if channels else {}).items() if k in OF_CHANNELS}
    form = str(said.get("format"))
    if form == "modbus":
        form = "rtu" if said.get("port") else "tcp"
    registers = [r for c in channels if isinstance(r := c.get("register"), int)]
    if registers:
        words = WORDS.get(str(said.get("type", "int16")), 1)
        said |= {"first": min(registers), "count": (max(registers) - min(registers)) // words + 1}
    own = said.get("unit_id", 1)
    said["unit_id"] = " ".join(map(str, dict.fromkeys([own, *(c.get("unit_id", own) for c in channels)])))
    broken = said.get("broken")
    said["broken"] = " ".join(f"{n:.15g}" for n in broken) if isinstance(broken, list) else ""
    values = {name: said.get(name, field.value) for name, field in FIELDS.items()}
    return {n: f"{v:.15g}" if isinstance(v, float) else str(v) for n, v in values.items()} | {"format": form}


def channels_of(source: Mapping[str, Any]) -> list[dict[str, Any]]:
    """List a source's channels, leaving out anything that isn't one."""
    channels = source.get("channel")
    return [c for c in channels if isinstance(c, dict)] if isinstance(channels, list) else []


def key_of(mark: Mapping[str, Any]) -> str:
    """Name the number that a `[[source.channel]]` reads, as `logger.diagnosis.hear` does."""
    if "register" in mark:
        return (f"u{mark['unit_id']}" if "unit_id" in mark else "") + f"r{mark['register']}"
    if "topic" in mark:
        return f"{mark['topic']} {mark.get('path') or ''}".strip()
    return str(mark.get("field"))


def source_at(doc: Mapping[str, Any], i: Any) -> dict[str, Any] | None:
    """Return the plan's source of this index; None if there is none."""
    return dict(enumerate(doc.get("source", []))).get(i) if isinstance(i, int) else None


def named_in(doc: Mapping[str, Any], source: Mapping[str, Any] | None) -> dict[str, tuple[str, str]]:
    """Return the channel and the probe's name of each number that a source of the plan names, by key."""
    probes = {_channel(p): str(p.get("name")) for p in doc["probe"]}
    named = [c for c in channels_of(source or {}) if c.get("name")]
    return {key_of(c): (c["name"], probes.get(c["name"], c["name"])) for c in named}


def with_source(
    doc: dict[str, Any], table: dict[str, Any], chosen: list[Number], called: dict[str, str], at: Any
) -> dict[str, Any]:
    """Return a copy of a plan with a source (`table_of`) in it, and a probe for each of its numbers.

    `chosen` are the numbers to read, `called` the potter's name for each, by key. It replaces the source `at`
    that index, if there is one; numbers already in the plan take over only what changed in the form.
    """
    sources, probes = list(doc.get("source", [])), [dict(p) for p in doc["probe"]]
    own = {k: v for k, v in table.items() if k not in (*ASKED, *OF_CHANNELS)}
    said = {k: table.get(k) for k in ("scale", "broken")}
    standing = source_at(doc, at)
    before = table_of(form_of(standing)) if standing else {}
    new = {k: v for k, v in said.items() if v != before.get(k)}
    known = named_in(doc, standing)
    taken = {str(c["name"]) for source in sources for c in channels_of(source) if c.get("name")}
    channels: list[dict[str, Any]] = []
    for f in chosen:
        marked = {**f.mark, **(new if f.stood else said)}
        mark = {k: v for k, v in marked.items() if v is not None and (k, v) != ("scale", 1)}
        if not f.name:
            channels.append(mark)
            continue
        name, probe = known.get(f.key, ("", ""))
        if not name:
            others = (f"{f.name[:28]}_{n}" for n in itertools.count(2))
            name = next(free for free in itertools.chain([f.name], others) if free not in taken)
        taken.add(name)
        channels.append({"name": name, **mark})
        word = called[f.key]
        has = next((p for p in probes if _channel(p) == name), None)
        if has is None:
            place = {"height_cm": None, "side": "", "reads": guess_reads(word), "zone": word, "type": ""}
            probes.append({"name": word, "channel": name, **place})
        elif probe and word != probe:
            has |= {"name": word, "channel": name}
    gone = {n for n, _ in known.values()} - {str(c.get("name")) for c in channels}
    at = at if standing else len(sources)
    sources[at : at + 1] = [{**own, "channel": channels}]
    return {**doc, "source": sources, "probe": [p for p in probes if _channel(p) not in gone]}


def _channel(probe: Mapping[str, Any]) -> Any:
    return probe.get("channel") or probe.get("name")
