"""Listen to a rig that doesn't speak the rig's line, to help set it up. Nothing is recorded."""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Final

from logger.errors import UserError
from logger.plan.sources import WORDS, PlanSource, read_sources
from logger.refusals import Mistake

TELL_S: Final = 0.5
MOST: Final = 64
"""Most numbers shown."""
MOST_REGISTERS: Final = 32
MOST_UNITS: Final = 15
LINES: Final = 8
LONGEST: Final = 160
"""Most characters shown of a line."""

Tell = Callable[[dict[str, Any]], None]
_OWN: Final = ("format", "port", "baud", "decimal", "parity", "stop_bits", "url", "unit_id")


class HearError(UserError):
    """The request names nothing that can be listened to."""


class _Heard:
    """What has come so far: the last lines, and the newest value of each number."""

    def __init__(self) -> None:
        self.said: deque[str] = deque(maxlen=LINES)
        self.found: dict[str, dict[str, Any]] = {}
        self.trouble = ""

    def line(self, raw: bytes) -> None:
        text = raw[:LONGEST].decode("utf-8", "replace")
        self.said.append("".join(c if c.isprintable() else "·" for c in text))

    def number(self, key: str, name: str, value: float | None, mark: dict[str, Any]) -> None:
        if key in self.found or len(self.found) < MOST:
            shown = value if value is not None and abs(value) < 1e12 else None  # NaN fails too: JSON has none
            self.found[key] = {"key": key, "name": name, "value": shown, "mark": mark}


async def hear(table: dict[str, Any], seconds: float, tell: Tell) -> None:
    """Listen to a source for a while.

    `table` is a plan's `[[source]]` without channels. For `mqtt` it also has `topic` (default `#`); for
    `modbus` also `first`, `count`, `table`, `type`, `word_order`, `byte_order` and `scale` of the registers
    to read, and `units`, other modules on the same line. Twice a second `tell` gets `said` (the last lines),
    `found` (numbers: `key`, `name`, `value` or None, and `mark`, the `[[source.channel]]` that reads it) and
    `trouble`.
    """
    by_format = {"lines": _lines, "mqtt": _topics, "modbus": _registers}
    if table.get("format") not in by_format:
        raise HearError(f"{table.get('format')!r} is not a format; give lines, mqtt or modbus")
    heard = _Heard()
    end_s = time.monotonic() + seconds
    hearing = asyncio.create_task(by_format[table["format"]](table, heard))
    try:
        while time.monotonic() < end_s and not hearing.done():
            await asyncio.wait([hearing], timeout=TELL_S)
            found = list(heard.found.values())
            tell({"said": list(heard.said), "found": found, "trouble": heard.trouble})
        if hearing.done():
            hearing.result()
    finally:
        hearing.cancel()
        await asyncio.wait([hearing])


def _source(table: dict[str, Any], *channels: dict[str, Any]) -> PlanSource:
    own = {name: table[name] for name in _OWN if name in table}
    try:
        return read_sources([own | ({"channel": channels} if channels else {})])[0]
    except Mistake as exc:
        raise HearError(f"{exc.path[-1]}: {exc.what}") from exc


async def _lines(table: dict[str, Any], heard: _Heard) -> None:
    from logger.sources.plain.reader import LineReader, doubt
    from logger.sources.serial_line import SerialLine, why

    source = _source(table)
    port = source.port or ""
    reader = LineReader(decimal=source.decimal)
    try:
        line = SerialLine(port, source.baud, returns=True)
    except OSError as exc:
        heard.trouble = f"{port} {why(exc, port)}"
        return
    heard.trouble = f"nothing from {port} yet; is the board powered, and does it print by itself?"
    try:
        while (came := await line.next()) is not None:
            heard.line(came[0])
            reader.take(*came)
            numbers = reader.numbers
            heard.found = {k: v for k, v in heard.found.items() if v["name"] in numbers}
            for name, field in numbers.items():
                place = int(field.key) if field.key.isdigit() else field.key
                mark = {"field": place} | ({"unit": field.unit} if field.unit else {})
                heard.number(field.key, name, field.value, mark)
            if numbers:
                heard.trouble = doubt(reader.values)
            elif reader.lines.trouble:
                heard.trouble = f"{port} {reader.lines.trouble}"
            else:
                heard.trouble = "No numbers that repeat from line to line; is the speed right?"
        heard.trouble = f"{port} was unplugged; plug the board in again"
    finally:
        line.close()


async def _topics(table: dict[str, Any], heard: _Heard) -> None:
    import aiomqtt

    from logger.sources.mqtt import login, place
    from logger.sources.plain.topics import numbers_of

    topic = str(table.get("topic") or "#")
    broker = login(_source(table, {"topic": topic, "name": "any"}).url or "")
    heard.trouble = f"{place(broker)}: no message with numbers in it on {topic} yet"
    try:
        async with aiomqtt.Client(**broker) as client:
            await client.subscribe(topic, qos=0)
            async for message in client.messages:
                own_topic, payload = message.topic.value, bytes(message.payload or b"")[:65536]
                heard.line(f"{own_topic} ".encode() + payload)
                numbers = numbers_of(payload)[:MOST]
                for field in numbers:
                    if field.value is None:
                        continue
                    heard.trouble = ""
                    path = None if len(numbers) == 1 and field.key == "1" else field.key
                    key = f"{own_topic} {path or ''}".strip()
                    taken = [f["name"] for f in heard.found.values() if f["key"] != key]
                    mark = {"topic": own_topic} | ({"path": path} if path else {})
                    mark |= {"unit": field.unit} if field.unit else {}
                    heard.number(key, _called(own_topic, path, taken), field.value, mark)
    except aiomqtt.MqttError as exc:
        heard.trouble = (
            f"{place(broker)}: {exc}; is the broker running? Are its address, user and password right?"
        )


def _called(topic: str, path: str | None, taken: list[str]) -> str:
    """Name a number by the last part of its topic, or by the whole topic if that name is taken."""
    from logger.conversion.printed import channel_names

    for label in (topic.rsplit("/", 1)[-1], topic):
        name = channel_names([f"{label}_{path}" if path else label])[0]
        if name not in taken:
            return name
    return channel_names([*taken, name])[-1]


async def _registers(table: dict[str, Any], heard: _Heard) -> None:
    from logger.sources.plain.modbus import Module

    kind = str(table.get("type", "int16"))
    how = {k: table[k] for k in ("table", "type", "word_order", "byte_order", "scale") if k in table}
    first, count = table.get("first", 0), table.get("count", 8)
    if not isinstance(first, int) or not isinstance(count, int) or not 1 <= count <= MOST_REGISTERS:
        raise HearError(f"count: give 1 to {MOST_REGISTERS} values, with a whole number as first register")
    places = range(first, first + count * WORDS.get(kind, 1), WORDS.get(kind, 1))
    marks = {f"r{r}": {"register": r, **how} for r in places}
    others = table.get("units", [])  # other modules on the same line
    if not isinstance(others, list) or len(others) > MOST_UNITS:
        raise HearError(f"units: give a list of at most {MOST_UNITS}")
    for unit in others:
        marks |= {f"u{unit}r{r}": {"register": r, "unit_id": unit, **how} for r in places}
    source = _source(table, *({"name": name, **mark} for name, mark in marks.items()))

    async def put(came: Any) -> None:
        heard.trouble = ""
        for name, sample in came.samples.items():
            heard.number(name, name, sample.c, marks[name])
        heard.line(
            " ".join(f"{n}={s.c if s.c is not None else s.fault}" for n, s in came.samples.items()).encode()
        )

    def report(state: str, detail: dict[str, Any]) -> None:
        heard.trouble = "" if state == "connected" else str(detail.get("detail", state))

    await Module(source).run(put, report)


def run(seconds: float) -> int:
    """Listen to the source whose table is on standard input; print a JSON document per line."""
    try:
        table = json.loads(sys.stdin.read(100_000))
    except ValueError as exc:
        raise HearError(f"standard input: {exc}; give a source's table as JSON") from exc
    if not isinstance(table, dict):
        raise HearError("standard input: give a source's table as a JSON object")

    def tell(told: dict[str, Any]) -> None:
        print(json.dumps(told, ensure_ascii=False, allow_nan=False), flush=True)

    asyncio.run(hear(table, seconds, tell))
    return 0
