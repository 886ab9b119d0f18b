"""A stored firing as a source: its readings are sent again as true lines, at their own pace or faster."""

from __future__ import annotations

import asyncio
import time
from typing import Final

from logger.reading import MAX_CHANNELS, Floats, Frame, Ints, Sample
from logger.rig_line.came import WRAP
from logger.rig_line.wire import encode
from logger.sources import Arrival, Put, Report, Source, SourceError

RIG: Final = "stored"
# The rig's name and clock are invented; with a clock this high it can't be taken for a rig just started.
_FIRST_MS: Final = 3_600_000


class StoredFiring(Source):
    """Sends the lines that a rig would have sent, at `speed` times real time.

    `t_us` (n,) ascends; `temperature_c` (n, k) is NaN where there was no reading, and the channel is left out
    of that line. SourceError: it has no readings, or too many columns for a rig.
    """

    def __init__(self, name: str, t_us: Ints, temperature_c: Floats, *, speed: float = 1.0) -> None:
        if not len(t_us) or not 1 <= temperature_c.shape[1] <= MAX_CHANNELS:
            raise SourceError(
                f"{name}: can't be shown again; it needs readings in 1 to {MAX_CHANNELS} columns"
            )
        self.name = name
        self._t_us = t_us
        self._temperature_c = temperature_c
        self._speed = speed

    async def run(self, put: Put, report: Report) -> None:
        """Send each line when it is due, then wait to be cancelled; see `Source`."""
        report("connected", {"detail": f"showing {self.name} again"})
        begun_s = time.monotonic()
        for seq in range(len(self._t_us)):
            since_us = int(self._t_us[seq] - self._t_us[0])
            wait_s = begun_s + since_us / 1e6 / self._speed - time.monotonic()
            if wait_s > 0:
                await asyncio.sleep(wait_s)
            if (line := self.line(seq)) is not None:
                await put(Arrival(line, time.monotonic(), self.name))
        report("lost", {"detail": f"{self.name} has ended"})
        await asyncio.Event().wait()

    def line(self, seq: int) -> bytes | None:
        """Make a reading's line, counted from 0, without its newline; None if no channel had a value."""
        values = self._temperature_c[seq].tolist()
        samples = {channel_name(i): Sample(c=value) for i, value in enumerate(values) if value == value}
        if not samples:
            return None
        ms = _FIRST_MS + int(self._t_us[seq] - self._t_us[0]) // 1000
        return encode(Frame(RIG, seq % WRAP, ms % WRAP, samples)).rstrip(b"\n")


def channel_name(column: int) -> str:
    """Invent a channel's name for a column, counted from 0."""
    return f"k{column}"
