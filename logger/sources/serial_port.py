"""Rigs on serial ports: read as they come, found by listening, picked up again after a replug.

Opening a port restarts many boards (the port's DTR line is wired to their reset), so no port is opened
unasked, except those that appear while a rig is missing.
"""

from __future__ import annotations

import asyncio
import errno
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from logger.rig_line.dialogue import ACKNOWLEDGE_EVERY_S, AGAIN, acknowledgement, is_answer
from logger.rig_line.wire import BadCrc, WireError, decode
from logger.sources import Answer, Arrival, Put, Report, Source
from logger.sources.listening import LISTEN_S
from logger.sources.plain.reader import LineReader
from logger.sources.serial_line import (
    BAUD,
    GONE,
    NOT_THERE,
    Port,
    SerialLine,
    candidates,
    port_and_baud,
    why,
)

_NO_TEMPERATURE: Final = 10_000.0
"""Larger than any temperature before lighting, even in hundredths of a degree."""
UNREADABLE_S: Final = 5.0
"""Bytes for this long without a frame: it isn't a rig. [s]"""
_RETRY_S: Final = 0.4


class SerialPort(Source):
    """One rig on a serial port, PORT or PORT@BAUD; with None, a rig searched for on any port.

    If the port goes away, it is tried again twice a second; a rig that comes back on another port is found by
    its own name, on the ports that `find` lists. Ports in `taken`, shared between sources, are held by
    others. `answer` gets what the rig says besides frames.
    """

    def __init__(
        self,
        port: str | None,
        taken: set[str],
        *,
        answer: Answer | None = None,
        find: Callable[[], Sequence[Port]] = candidates,
    ) -> None:
        self.name = port or "any serial port"
        self._given: str | None = None
        self._baud = BAUD
        if port is not None:
            self._given, self._baud = port_and_baud(port)
        self._taken = taken
        self._answer = answer
        self._find = find
        self._rig: str | None = None
        self._line: SerialLine | None = None
        self._last = self._given  # the rig's last port
        self._others: frozenset[str] = frozenset()  # other ports that were there
        self._beside: dict[str, str] = {}  # ports on which another rig was heard, during the search for ours
        self._still: set[asyncio.Task[None]] = set()  # still listening to ports other than the one found
        self._said_s = self._asked_s = float("-inf")
        self._sound = 0  # frames since the last look
        self._plain = LineReader()  # what a board prints that isn't the rig's line

    async def run(self, put: Put, report: Report) -> None:
        """Read lines until cancelled; see `Source`."""
        told = ""
        while True:
            try:
                line, heard = await self._reach()
            except OSError as exc:
                trouble = why(exc, self._given)
                if trouble != told:
                    report("lost", {"detail": f"{self.name} {trouble}"})
                    told = trouble
                await asyncio.sleep(_RETRY_S)
                continue
            try:
                self._line, self._last, told = line, line.port, NOT_THERE
                self._others = frozenset(port for port, _ in self._find()) - {line.port}
                report("connected", {"detail": line.port})
                self._ask_again()
                looking = asyncio.create_task(self._look(line, report), name=f"look[{line.port}]")
                try:
                    for came in heard:
                        await self._hand_on(*came, put)
                    while (next_one := await line.next()) is not None:
                        await self._hand_on(*next_one, put)
                finally:
                    for task in (looking, *self._still):
                        task.cancel()
                report("lost", {"detail": f"{line.port} was unplugged; plug the rig in again"})
            finally:
                self._line = None
                self._let_go(line)
            await asyncio.sleep(_RETRY_S / 4)

    def acknowledge(self, tokens: Iterable[object]) -> None:
        """Tell the rig, once a second, which frame is on disk; a rig that keeps frames can then drop it.

        The tokens are the frames' `seq`, in order of arrival.
        """
        now_s = time.monotonic()
        if self._line is None or now_s - self._said_s < ACKNOWLEDGE_EVERY_S:
            return
        for seq in deque(tokens, maxlen=1):
            assert isinstance(seq, int)
            self._said_s = now_s
            self._line.say(acknowledgement(seq))

    def ask_again(self, tokens: Iterable[object]) -> None:
        """Have the rig send again what hasn't been acknowledged; see `Source`."""
        if self._line is not None:
            self._line.say(AGAIN)

    def say(self, rig: str, line: bytes) -> None:
        """Send a line to the rig, if it is this one; see `Source`."""
        if self._line is not None and rig == self._rig:
            self._line.say(line)

    async def _look(self, line: SerialLine, report: Report) -> None:
        """Report if the sender on the port isn't a rig, when it is one again, and which rigs aren't read."""
        readable = True
        if self._given is None:
            await asyncio.gather(*self._still)
            self._tell_beside(line, report)
        while True:
            self._sound = line.received = 0
            await asyncio.sleep(UNREADABLE_S)
            if self._given is None:
                self._tell_plugged_in(line, report)
            if readable and not self._sound and line.received:
                report("unreadable", {"detail": self._unreadable(line.port)})
                readable = False
            elif not readable and self._sound:
                report("connected", {"detail": line.port})
                readable = True

    def _unreadable(self, port: str) -> str:
        """Describe what comes in instead of frames; numbers in lines can still be recorded."""
        numbers = [f"{name} {v:g}" for name, v in self._plain.values.items() if abs(v) < _NO_TEMPERATURE]
        if numbers:
            shown = ", ".join(numbers[:4])
            start = f"--serial {port}@{self._baud} --as lines"
            return f"it prints numbers ({shown}), not the rig's line; to record them, start with {start}"
        text = "this isn't the rig's line; is it the right port, and the rig's speed"
        return f"{text} ({self._baud} Bd)? `stokewatch listen` tells you more"

    def _tell_beside(self, line: SerialLine, report: Report) -> None:
        if self._beside:
            rigs = " and ".join(f"rig {rig} on {port}" for port, rig in sorted(self._beside.items()))
            all_of_them = " ".join(f"--serial {port}" for port in sorted({line.port, *self._beside}))
            isnt = "is" if len(self._beside) == 1 else "are"
            text = f"{line.port}; {rigs} {isnt} not read. To read all of them, start with {all_of_them}"
            report("connected", {"detail": text})

    def _tell_plugged_in(self, line: SerialLine, report: Report) -> None:
        there = frozenset(port for port, _ in self._find())
        new = sorted(there - self._others - self._taken)
        self._others = there - {line.port}
        if new:
            ports = " ".join(f"--serial {port}" for port in (line.port, *new))
            text = f"{line.port}; plugged in since and not read: {', '.join(new)}"
            report("connected", {"detail": f"{text}. If that is a second rig, start with {ports}"})

    async def _hand_on(self, line: bytes, read_s: float, put: Put) -> None:
        if is_answer(line):
            if self._answer is not None:
                self._answer(self.name, None, line)
            return
        token = frame = None
        try:
            frame = decode(line)
        except WireError as exc:
            if isinstance(exc, BadCrc):
                self._ask_again()
            if not self._sound:
                self._plain.take(line, read_s)
        else:
            self._rig, token = frame.rig, frame.seq
            self._sound += 1
        await put(Arrival(line, read_s, self.name, token=token, frame=frame))

    def _ask_again(self) -> None:
        """Ask for what hasn't been acknowledged, but no more often than is useful."""
        now_s = time.monotonic()
        if self._line is not None and now_s - self._asked_s >= ACKNOWLEDGE_EVERY_S:
            self._asked_s = now_s
            self._line.say(AGAIN)

    async def _reach(self) -> tuple[SerialLine, list[tuple[bytes, float]]]:
        """Open our port, or one on which our rig (or any) is heard; return the lines heard so far."""
        self._still, self._beside = set(), {}
        for port in dict.fromkeys((self._last, self._given)):
            # Another source may have this port by now: names are reused after a replug.
            if port is None or port in self._taken:
                continue
            try:
                line = SerialLine(port, self._baud)
            except OSError as exc:
                if exc.errno not in GONE or self._rig is None:
                    raise
            else:
                self._taken.add(port)
                return line, []
        found: list[tuple[SerialLine, list[tuple[bytes, float]]]] = []
        there = frozenset(port for port, _ in self._find())
        self._others &= there  # names are reused: a port that went and came back may be our rig
        pending = {
            asyncio.create_task(self._seek(port, found), name=f"listen[{port}]")
            for port in there - self._others - self._taken
        }
        try:
            while pending and not found:
                done, pending = await asyncio.wait(pending, return_when=asyncio.FIRST_COMPLETED)
                for task in done:
                    task.result()
        except BaseException:
            for line, _ in found:
                self._let_go(line)
            raise
        finally:
            if found and self._given is None:
                self._still = pending  # they are open anyway, so other rigs on them are reported
            else:
                for task in pending:
                    task.cancel()
        if not found:
            raise FileNotFoundError(errno.ENOENT, "no rig on any port")
        return found[0]

    async def _seek(self, port: str, found: list[tuple[SerialLine, list[tuple[bytes, float]]]]) -> None:
        """Listen to a port; if our rig is there and not found yet, leave it open in `found`."""
        try:
            line = SerialLine(port)
        except OSError:
            return
        self._taken.add(port)
        try:
            heard, frame = await line.until_frame(LISTEN_S)
            if frame is not None and not found and self._rig in (None, frame.rig):
                found.append((line, heard))
            elif frame is not None:
                self._beside[port] = frame.rig
        finally:
            if not any(line is ours for ours, _ in found):
                self._let_go(line)

    def _let_go(self, line: SerialLine) -> None:
        line.close()
        self._taken.discard(line.port)
