"""A board that prints numbers in lines on a serial port."""

from __future__ import annotations

import asyncio
import time
from typing import Final

from logger.plan.sources import PlanSource
from logger.sources import Arrival, Deaf, Put, Report, Sampled
from logger.sources.plain.numbers import mark_of
from logger.sources.plain.reader import LineReader
from logger.sources.serial_line import SerialLine, why

_RETRY_S: Final = 0.5
_OURS: Final = "is open in this logger, which looks for a rig there; name each port in one way only"
_PATIENCE_S: Final = 5.0
"""A board that has said nothing with numbers in it for so long is told. [s]"""


class PrintedLines(Deaf):
    """One such board, of format `lines`; it can't be acknowledged, and hears nothing.

    `taken` are ports that other sources hold; shared between them.
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
        told = ""
        while True:
            try:
                line = SerialLine(self._port, self._source.baud, returns=True)
            except OSError as exc:
                trouble = _OURS if self._port in self._taken else why(exc, self._port)
                if trouble != told:
                    report("lost", {"detail": f"{self._port} {trouble}"})
                    told = trouble
                await asyncio.sleep(_RETRY_S)
                continue
            told = ""
            self._taken.add(self._port)
            try:
                await self._read(line, put, report)
                report("lost", {"detail": f"{self._port} was unplugged; plug the board in again"})
            finally:
                line.close()
                self._taken.discard(self._port)
            await asyncio.sleep(_RETRY_S)

    async def _read(self, line: SerialLine, put: Put, report: Report) -> None:
        """Hand on what comes, until the other end has gone."""
        source = self._source
        marks = [mark_of(channel, source.unit) for channel in source.channels]
        reader = LineReader(marks, source.unit, source.decimal)
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
            if samples is not None:
                if not connected:
                    detail = "numbers in lines, without a checksum"
                    if reader.counts and not self._source.channels:
                        detail += (
                            f"; left out: {', '.join(reader.counts)} (counts, clocks, or no temperature)"
                        )
                    report("connected", {"detail": detail})
                    connected = True
                await put(Sampled(self._source.rig_name, samples, read_s, self.name))
            elif connected and text:
                await put(Arrival(text, read_s, self.name))  # no frame either: counted as malformed
            elif not connected and not warned and read_s - opened_s >= _PATIENCE_S:
                report("lost", {"detail": self._nothing(said, reader.trouble, line.received)})
                warned = True

    def _nothing(self, said: bytes, trouble: str, received: int) -> str:
        if not said and received:
            return (
                f"{self.name} sends {received} bytes, but no end of a line; is the speed right (PORT@9600), "
                "and does the board end each line (println)?"
            )
        if not said:
            return f"{self._port} says nothing; is the board powered, and does it print by itself?"
        shown = said[:60].decode("ascii", "replace").replace("�", "?")
        if trouble:
            return f"{self.name} {trouble} (last {shown!r})"
        return (
            f"{self.name} says nothing with the numbers in it that are looked for, last {shown!r}; "
            "is the speed right (PORT@9600), and are the fields in the plan?"
        )
