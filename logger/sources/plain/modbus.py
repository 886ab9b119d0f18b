"""Modbus thermocouple modules, over a serial line (RTU) or the network (TCP)."""

from __future__ import annotations

import asyncio
import logging
import math
import termios
import time
from collections.abc import AsyncIterator, Sequence
from typing import Any, Final
from urllib.parse import urlsplit

from logger.conversion.printed import as_reading
from logger.plan.sources import WORDS, PlanSource, SourceChannel
from logger.reading import Sample
from logger.sources import Put, Report, Sampled, Source, told_once

_ANSWER_S: Final = 1.0
_RETRY_S: Final = 1.0
_LEAST: Final = 1e-6
"""What is nearer to 0 than this is no float of a thermocouple, but one whose halves are in another order."""
_ODD: Final = "{} read what no thermocouple can; check 'type', 'word_order' and 'byte_order'"
_NOT_THERE: Final = (10, 11)
"""From a gateway that can't reach the unit, or gets no answer from it (protocol V1.1b3, section 7)."""
_TOO_MANY: Final = (2, 3)
"""One of the registers is not there, or the unit gives fewer at once (as above)."""
_BUSY: Final = (5, 6)
"""The unit asks to wait (as above)."""
_MANUAL: Final = {3: "input", 4: "holding"}
"""Manuals count registers from 30001 and 40001 (common practice; the protocol itself counts from 0)."""
_MOST: Final = 100
"""Registers read at a time; the protocol's own limit is 125 (Modbus application protocol V1.1b3, 6.3)."""

_REST_S: Final = 10.0
"""How long a unit that doesn't answer is left alone, since waiting for it holds up the others. [s]"""
Span = tuple[int, str, int, int, tuple[SourceChannel, ...]]
"""Unit id, table, first register, how many, and their channels."""
Read = tuple[dict[str, Sample], list[str]]
"""Readings, and what is wrong."""


class Module(Source):
    """One module, of format `modbus`, whose registers are read again and again; see `Source`."""

    proof = "none"

    def __init__(self, source: PlanSource) -> None:
        self._source = source
        self.name = f"{source.port}@{source.baud}" if source.port else str(source.url)
        self._spans = spans(source.channels, source.unit_id)
        self._rests_until_s: dict[int, float] = {}
        self._odd: dict[str, None] = {}
        self._asked = b""
        self._echoes = False  # the adapter gives back what it sends, as some for RS-485 do

    async def run(self, put: Put, report: Report) -> None:
        """Ask until cancelled; see `Source`."""
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # its troubles are reported here, once
        report = told_once(report)
        units = sorted({unit for unit, *_ in self._spans})
        said = f"Modbus, unit{'s' if len(units) > 1 else ''} {', '.join(map(str, units))}"
        while True:
            client = self._client()
            try:
                if not await client.connect():
                    raise ConnectionError(self._unreachable())
                async for samples, trouble in self._ask(client):
                    report("connected", {"detail": f"{said}{'; but ' if trouble else ''}{trouble}"})
                    await put(Sampled(self._source.rig_name, samples, time.monotonic(), self.name))
            except OSError as exc:
                report("lost", {"detail": str(exc)})
            except termios.error:
                source = self._source
                detail = (
                    f"{self.name} can't be set to parity {source.parity} with {source.stop_bits} stop bits; "
                    "use an adapter that can, or set the module otherwise"
                )
                report("lost", {"detail": detail})
            finally:
                client.close()
            await asyncio.sleep(_RETRY_S)

    async def _ask(self, client: Any) -> AsyncIterator[tuple[dict[str, Sample], str]]:
        """Give a round's readings, and what is wrong, again and again; ConnectionError: there are none."""
        due_s = time.monotonic()
        while True:
            samples, troubles = await self._read_all(client, self._spans)
            if not samples:
                self._rests_until_s.clear()
                raise ConnectionError("; ".join(troubles))
            yield samples, "; ".join(troubles)
            now_s = time.monotonic()
            due_s = max(due_s + self._source.every_s, now_s)
            await asyncio.sleep(due_s - now_s)

    async def _read_all(self, client: Any, wanted: Sequence[Span]) -> Read:
        read = [await self._read(client, span) for span in wanted]
        samples = {name: sample for found, _ in read for name, sample in found.items()}
        return samples, list(dict.fromkeys(trouble for _, troubles in read for trouble in troubles))

    async def _read(self, client: Any, span: Span) -> Read:
        """Ask for a span; what it reads, and what is wrong. If it is refused, each channel by itself."""
        from pymodbus.exceptions import ModbusException

        unit, table, first, count, channels = span
        if self._rests_until_s.get(unit, 0.0) > time.monotonic():
            return {}, [self._silent(unit)]
        read = client.read_input_registers if table == "input" else client.read_holding_registers
        try:
            answer = await read(first, count=count, device_id=unit)
        except ModbusException:
            self._rests_until_s[unit] = time.monotonic() + _REST_S
            return {}, [self._silent(unit)]
        if answer.retries and self._source.port:  # a late answer mustn't be taken for the next request's
            await asyncio.sleep(2 * _ANSWER_S)
        if not answer.isError() and len(answer.registers) != count:
            given = f"{len(answer.registers)} registers where {count} were asked for"
            return {}, [f"{self.name}: unit {unit} gives {given}; check 'register' and 'type'"]
        if not answer.isError():
            found = self._decode(client, first, answer.registers, channels)
            floats = (c.name for c in channels if c.type == "float32")
            self._odd |= dict.fromkeys(name for name in floats if name and found[name].fault == "range")
            return found, [_ODD.format(", ".join(self._odd))] if self._odd else []
        refused = [self._refused(unit, table, first, count, answer)]
        if len(channels) == 1 or answer.exception_code not in _TOO_MANY:
            return {}, refused
        alone = [one for channel in channels for one in spans([channel], unit)]
        samples, troubles = await self._read_all(client, alone)
        if not samples:
            return {}, refused
        self._spans = [s for s in self._spans if s is not span] + alone
        return samples, troubles

    def _heard(self, sending: bool, packet: bytes) -> bytes:
        if sending:
            self._asked = packet
        elif self._asked and packet.startswith(self._asked):
            self._echoes = True  # for the next connection
        return packet

    def _decode(
        self, client: Any, first: int, registers: Sequence[int], channels: Sequence[SourceChannel]
    ) -> dict[str, Sample]:
        found = {}
        for channel in channels:
            at = (channel.register or 0) - first
            words = list(registers[at : at + WORDS[channel.type]])
            if channel.byte_order == "little":
                words = [(word & 0xFF) << 8 | word >> 8 for word in words]
            number = client.convert_from_registers(
                words, client.DATATYPE[channel.type.upper()], channel.word_order
            )
            if channel.type == "float32" and 0 < abs(number) < _LEAST:
                number = math.inf
            found[channel.name or ""] = as_reading(channel, float(number), self._source.unit)
        return found

    def _client(self) -> Any:
        from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

        source = self._source
        common: dict[str, Any] = {"timeout": _ANSWER_S, "retries": 1, "reconnect_delay": 0}
        if source.port:
            return AsyncModbusSerialClient(
                source.port,
                baudrate=source.baud,
                parity=source.parity,
                stopbits=source.stop_bits,
                handle_local_echo=self._echoes,
                trace_packet=self._heard,
                **common,
            )
        parts = urlsplit(source.url or "")
        return AsyncModbusTcpClient(parts.hostname or "", port=parts.port or 502, **common)

    def _unreachable(self) -> str:
        if self._source.port:
            return f"{self._source.port} can't be opened; is the adapter plugged in, and may you use it?"
        return f"{self.name} can't be reached; is the module switched on, and on this network?"

    def _silent(self, unit: int) -> str:
        fix = "A and B, the speed, the parity and the unit id" if self._source.port else "the unit id"
        return f"{self.name}: unit {unit} doesn't answer; check {fix}"

    def _refused(self, unit: int, table: str, first: int, count: int, answer: Any) -> str:
        code = getattr(answer, "exception_code", "?")
        if code in _NOT_THERE:
            return self._silent(unit)
        if code in _BUSY:
            return f"{self.name}: unit {unit} is busy (exception {code}); is 'every_s' too short?"
        what = f"{self.name}: unit {unit} refuses {table} registers {first} to {first + count - 1}"
        fix = "check 'register' and 'table' against the module's own list"
        if (base := _MANUAL.get(first // 10_000)) is not None and first % 10_000:
            fix = f"a manual's {first} is register {first % 10_000 - 1} of table '{base}'"
        return f"{what} (exception {code}); {fix}"


def spans(channels: Sequence[SourceChannel], unit_id: int) -> list[Span]:
    """Combine adjacent registers into one request; `unit_id` is for channels that name none.

    Registers in between are never read: many modules refuse those that they don't have.
    """
    found: list[Span] = []
    placed = [(unit_id if c.unit_id is None else c.unit_id, c.table, c.register or 0, c) for c in channels]
    for unit, table, first, channel in sorted(placed, key=lambda p: p[:3]):
        end = first + WORDS[channel.type]
        if found and found[-1][:2] == (unit, table):
            _, _, start, count, mine = found[-1]
            until = max(start + count, end)
            if first <= start + count and until - start <= _MOST:
                found[-1] = (unit, table, start, until - start, (*mine, channel))
                continue
        found.append((unit, table, first, end - first, (channel,)))
    return found
