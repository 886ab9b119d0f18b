"""A board that prints numbers in lines on a serial port."""

from __future__ import annotations

import asyncio
import time
from typing import Final

from logger.plan.sources import PlanSource
from logger.sources import Arrival, Put, Report, Sampled, Source, told_once
from logger.sources.plain.reader import LineReader
from logger.sources.serial_line import SerialLine, why

_RETRY_S: Final = 0.5
_OURS: Final = "is already open in this logger, which looks for a rig there; name each port only once"
_PATIENCE_S: Final = 5.0
"""How long a board may print no numbers before that is reported. [s]"""


class PrintedLines(Source):
    """One such board, of format `lines`; it can't be acknowledged or spoken to.

    `taken` are ports that other sources hold, shared between them.
    """

    proof = "none"

    def __init__(self, source: PlanSource, taken: set[str]) -> None:
        assert source.port is not None
        self.name = f"{source.port}@{source.baud}"
        self._source = source
        self._port = source.port
        self._taken = taken

    async def run(self, put: Put, report: Report) -> None:
        """Read lines until cancelled; see `Source`."""
        report = told_once(report)
        while True:
            try:
                line = SerialLine(self._port, self._source.baud, returns=True)
            except OSError as exc:
                trouble = _OURS if self._port in self._taken else why(exc, self._port)
                report("lost", {"detail": f"{self._port} {trouble}"})
                await asyncio.sleep(_RETRY_S)
                continue
            self._taken.add(self._port)
            try:
                await self._read(line, put, report)
                report("lost", {"detail": f"{self._port} was unplugged; plug the board in again"})
            finally:
                line.close()
                self._taken.discard(self._port)
            await asyncio.sleep(_RETRY_S)

    async def _read(self, line: SerialLine, put: Put, report: Report) -> None:
        """Pass on what comes, until the other end has gone."""
        source = self._source
        reader = LineReader(source.channels, source.unit, source.decimal)
        opened_s, said, connected, warned = time.monotonic(), b"", False, False
        while True:
            try:
                async with asyncio.timeout(_PATIENCE_S):
                    came = await line.next()
            except TimeoutError:
                came = (b"", time.monotonic())
            if came is None:
                return
            text, read_s = came
            samples = reader.sample(text, read_s) if text else None
            said = text or said
            connected |= samples is not None
            if connected:
                report("connected", {"detail": self._said(reader)})
            elif not warned and read_s - opened_s >= _PATIENCE_S:
                report("lost", {"detail": self._nothing(said, reader.lines.trouble, line.received)})
                warned = True
            if samples is not None:
                await put(Sampled(source.rig_name, samples, read_s, self.name))
            elif connected and text:
                await put(Arrival(text, read_s, self.name))  # not a frame either: counted as malformed

    def _said(self, reader: LineReader) -> str:
        said = "numbers in lines, without a checksum"
        if reader.counts and not self._source.channels:
            said += f"; left out: {', '.join(reader.counts)} (counts, clocks, not temperatures)"
        if reader.lines.names_f and self._source.unit != "F":
            said += "; in °F by a line above them; add --unit F in case the logger misses that line"
        return f"{said}; but it {reader.fewer}" if reader.fewer else said

    def _nothing(self, said: bytes, trouble: str, received: int) -> str:
        shown = said[:60].decode("ascii", "replace").replace("�", "?")
        if said and trouble:
            return f"{self.name} {trouble} (last {shown!r})"
        if said:
            return (
                f"{self.name} prints none of the wanted numbers, last {shown!r}; is the speed right "
                "(PORT@9600), do numbers stand as in 21.5,22.0 or T1=21.5, and do the plan's fields match?"
            )
        if received:
            return (
                f"{self.name} sends {received} bytes, but no line ends; is the speed right (PORT@9600), "
                "and does the board end each line (println)?"
            )
        return f"{self._port} is silent; is the board powered, and does it print by itself?"
