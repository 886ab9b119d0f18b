"""A rig on a pseudo-terminal that can be unplugged, and a source that runs while a test watches."""

from __future__ import annotations

import asyncio
import os
import termios
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from logger.reading import Frame, Sample
from logger.rig_line.wire import WireError, decode, encode
from logger.sources import Arrival, Sampled, Source


def frame(seq: int, rig: str = "a1", c: float = 20.5) -> Frame:
    return Frame(rig, seq, 50 * seq, {"k0": Sample(c=c), "k1": Sample(uv=800.0, cj=20.5)})


def descriptors() -> int:
    """How many files this process has open."""
    return len(list(Path("/proc/self/fd").iterdir()))


async def until(true: Callable[[], bool], within_s: float = 20.0) -> None:
    """Wait for something to be true; fail if it takes too long."""
    async with asyncio.timeout(within_s):
        while not true():  # noqa: ASYNC110 - what is waited for is outside of the loop
            await asyncio.sleep(0.005)


async def stays(true: Callable[[], object], for_s: float) -> None:
    """Check for a while that something stays true."""
    loop = asyncio.get_running_loop()
    end = loop.time() + for_s
    while loop.time() < end:
        assert true()
        await asyncio.sleep(0.005)


class Cable:
    """A pseudo-terminal: the rig's end here, the logger's end under a name of our choice."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self._ours: int | None = None
        self.plug()

    @property
    def port(self) -> str:
        return str(self.link)

    def plug(self, link: Path | None = None) -> None:
        self.link = link or self.link
        self._ours, theirs = os.openpty()
        tty.setraw(theirs, termios.TCSANOW)
        self._theirs = theirs  # otherwise the first close of the other end would count as unplugged
        self.link.symlink_to(os.ttyname(theirs))
        os.set_blocking(self._ours, False)

    def unplug(self) -> None:
        if self._ours is not None:
            self.link.unlink()
            os.close(self._theirs)
            os.close(self._ours)
            self._ours = None

    def write(self, data: bytes) -> None:
        """Send bytes; BlockingIOError if there isn't room for all of them."""
        assert self._ours is not None
        if os.write(self._ours, data) < len(data):
            raise BlockingIOError

    def send(self, *numbers: int, rig: str = "a1") -> None:
        for seq in numbers:
            self.write(encode(frame(seq, rig)))

    def said(self) -> bytes:
        """What the logger has said to the rig since the last call."""
        assert self._ours is not None
        with suppress(BlockingIOError):
            return os.read(self._ours, 65_536)
        return b""


class Running:
    """A source at work, and what came of it."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.arrivals: list[Arrival | Sampled] = []
        self.reports: list[tuple[str, dict[str, Any]]] = []
        self.room = asyncio.Event()
        self.room.set()

    async def __aenter__(self) -> Running:
        self.task = asyncio.create_task(
            self.source.run(self._put, lambda kind, data: self.reports.append((kind, data)))
        )
        return self

    async def __aexit__(self, *_: object) -> None:
        self.task.cancel()
        with suppress(asyncio.CancelledError):
            await self.task

    async def _put(self, arrival: Arrival | Sampled) -> None:
        await self.room.wait()
        self.arrivals.append(arrival)

    @property
    def seqs(self) -> list[int]:
        """Of the true frames."""
        found = []
        for arrival in self.arrivals:
            with suppress(WireError):
                assert isinstance(arrival, Arrival)
                found.append(decode(arrival.line).seq)
        return found

    @property
    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.reports]

    async def came(self, *seqs: int, within_s: float = 20.0) -> None:
        """Wait until exactly these frames have arrived."""
        try:
            await until(lambda: len(self.seqs) >= len(seqs), within_s)
        finally:
            assert self.seqs == list(seqs), self.seqs
