"""A board that prints numbers in lines on a serial port."""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Sequence
from typing import Final

from logger.plan.sources import PlanSource, SourceChannel
from logger.reading import Sample
from logger.sources import Arrival, Put, Report, Sampled, Source, told_once
from logger.sources.plain.ambiguity import Lines
from logger.sources.plain.numbers import MOST_FIELDS, Printed, Unit, channel_names
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
                report("lost", {"detail": self._nothing(said, reader.trouble, line.received)})
                warned = True
            if samples is not None:
                await put(Sampled(source.rig_name, samples, read_s, self.name))
            elif connected and text:
                await put(Arrival(text, read_s, self.name))  # not a frame either: counted as malformed

    def _said(self, reader: LineReader) -> str:
        said = "numbers in lines, without a checksum"
        if reader.counts and not self._source.channels:
            said += f"; left out: {', '.join(reader.counts)} (counts, clocks, not temperatures)"
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


class LineReader:
    """Turns a board's lines into samples.

    Without `channels` every number is one, under its own name or as `n1`, `n2`, …; `unit` is for these, if
    the line doesn't give one.

    There is no checksum: only its looks distinguish a whole line from half of one, or from what a board
    prints at start-up. Consecutive lines with the same keys for `SETTLE_S` settle what a sample is; a line
    with other keys isn't one. If a board changes what it prints, that is followed after `FOLLOW_S`. Not if it
    has printed `FIRM` samples by place and now leaves a place out: the others would be mistaken. The first
    sample waits up to `DECIDED_S` for numbers that may be a clock, so that channels come in their order.
    """

    SETTLE_S: Final = 0.4
    FOLLOW_S: Final = 5.0
    FIRM: Final = 5
    DECIDED_S: Final = 2.5

    def __init__(
        self, channels: Sequence[SourceChannel] = (), unit: Unit = "C", decimal: str | None = None
    ) -> None:
        self._channels = {channel.name or "": channel for channel in channels}
        self._printed = Printed(unit)
        self._settled: tuple[str, ...] | None = None
        self._before: tuple[str, ...] | None = None
        self._since_s = 0.0
        self._lines = Lines(decimal)
        self._take_turns = self._of_turn = False
        self._first_s: dict[str, float] = {}
        self._samples, self._sampled_s, self._began_s = 0, 0.0, math.inf
        self.fewer = ""
        """Why lines are left alone that have fewer numbers than before, in words that go on after "it"."""

    @property
    def counts(self) -> tuple[str, ...]:
        """Names of numbers that only count, or aren't temperatures by name: no channels unless marked."""
        counting = (key for key, count in self._lines.counts.items() if count.counts)
        return tuple(sorted(channel_names([key])[0] for key in counting))

    @property
    def trouble(self) -> str:
        """Why lines are ignored, in words that follow a port's name; else empty."""
        return self._lines.trouble

    def sample(self, line: bytes, at_s: float) -> dict[str, Sample] | None:
        """Read a line by channel; None if it isn't a sample: chatter, half a line, the first of its kind."""
        found = self._lines.fields(line, at_s)
        if not found or not self._is_sample(tuple(f.key for f in found), at_s):
            return None
        counts = self._lines.counts
        wanted = self._channels
        if not wanted:
            self._began_s = min(self._began_s, at_s)
            if at_s - self._began_s < self.DECIDED_S and any(
                counts[f.key].may_count and not counts[f.key].counts for f in found
            ):
                return None  # else a probe that might be a clock would come last of all
            named = zip(channel_names([f.key for f in found]), found, strict=True)
            wanted = {n: SourceChannel(field=f.key) for n, f in named if not counts[f.key].may_count}
        by_key = {f.key: f for f in found}
        samples = {}
        for name, channel in wanted.items():
            field = by_key.get(str(channel.field))
            if field is None:
                continue
            # A word where the plan says that a number is: there is none, even if none ever came.
            value = math.nan if field.word and self._channels else field.value
            if value is not None:
                samples[name] = self._printed.reading(name, channel, value, field.unit)
        return samples or None

    def _is_sample(self, keys: tuple[str, ...], at_s: float) -> bool:
        if keys != self._before:
            self._before, self._since_s = keys, at_s
        turn = self._lines.turn
        if len(self._first_s) > 2 * MOST_FIELDS:
            self._first_s.clear()
        first_s = self._first_s.setdefault(turn, at_s)
        if keys == self._settled:
            self._sampled_s = at_s
            self._samples += 1
            self.fewer = ""
            return True
        other = self._settled is None or at_s - self._sampled_s >= self.FOLLOW_S
        if turn and (other or self._take_turns or self._of_turn):
            # T1: 21.5 on one line, T2: 22.0 on the next: each is a sample of one channel.
            often = self._lines.in_turn
            if len(often) > 1 and turn in often and at_s - first_s >= self.SETTLE_S:
                self._take_turns = True
                return True
        patience_s = self.SETTLE_S if self._settled is None else self.FOLLOW_S
        if at_s - self._since_s < patience_s or self._leaves_a_place_out(keys):
            return False
        self._settled, self._of_turn, self._samples = keys, bool(turn), 0
        return True

    def _leaves_a_place_out(self, keys: tuple[str, ...]) -> bool:
        before = self._settled or ()
        by_place = all(key.isdigit() for key in (*before, *keys))
        if self._samples < self.FIRM or len(keys) >= len(before) or not by_place:
            return False
        self.fewer = (
            f"prints {len(keys)} numbers now where it printed {len(before)}; nothing is recorded, since "
            "which probe is missing can't be told: mend it, or start the logger again"
        )
        return True
