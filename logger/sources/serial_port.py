"""Rigs on serial ports: read as they come, found by listening, picked up again after a replug.

Opening a port restarts many boards (the port's DTR line is wired to their reset), so no port is opened that
isn't asked for, but for those that show up while a rig is missing.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import termios
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import serial
from serial.tools import list_ports

from logger.reading import Frame
from logger.rig_line.dialogue import ACKNOWLEDGE_EVERY_S, AGAIN, acknowledgement, is_answer
from logger.rig_line.wire import BadCrc, LineSplitter, WireError, decode
from logger.sources import Answer, Arrival, Put, Report, SourceError
from logger.sources.plain.numbers import fields, seven_bits
from logger.sources.plain.reader import Offered, offer

BAUD: Final = 115_200
"""For rigs behind a real UART; USB and pseudo-terminals don't care. [Bd]"""
_OTHER_BAUDS: Final = (9600, 57_600, 19_200, 38_400)
_NO_TEMPERATURE: Final = 10_000.0
"""Not even in hundredths of a degree before lighting."""
LISTEN_S: Final = 2.5
"""Two frames of a rig that sends one a second. [s]"""
UNREADABLE_S: Final = 5.0
"""Bytes for so long, and no frame among them: that is no rig. [s]"""
_CHUNK: Final = 65_536
_PENDING_LINES: Final = 1_000
"""So many lines wait in this process; what more comes waits in the system's buffer."""
_RETRY_S: Final = 0.4
_PATIENCE: Final = 1.6
"""How many times as long again a port is listened to that said next to nothing."""
_NOT_THERE: Final = "is not there; plug the rig in"
_TAKERS: Final = {
    "ModemManager": "it looks for modems: sudo systemctl stop ModemManager",
    "brltty": "it takes USB-serial chips for Braille displays: sudo apt remove brltty",
}
_GONE: Final = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO)

Port = tuple[str, str]
"""A port's path and the system's words for the device."""


class _Descriptor(serial.Serial):  # type: ignore[misc]
    def _reset_input_buffer(self) -> None:
        """Keep what a rig said while nobody read: pyserial would drop it on opening."""


class SerialLine:
    """An open port, its bytes cut to lines as they come in; OSError (pyserial's too): it can't be opened.

    `returns`: a carriage return alone ends a line too, as with some boards that print numbers. `afresh`: what
    was said while nobody read is let go.
    """

    def __init__(self, port: str, baud: int = BAUD, *, returns: bool = False, afresh: bool = False) -> None:
        self.port = port
        self._returns = returns
        try:
            self._serial = _Descriptor(port, baud, timeout=0, exclusive=True)
        except termios.error as exc:  # of a port that goes away while it is opened
            raise OSError(*exc.args) from exc
        self._fd: int = self._serial.fileno()
        keep_dtr(self._fd)
        if afresh:
            termios.tcflush(self._fd, termios.TCIFLUSH)
        self.received = 0
        """Bytes that came in; whoever counts may set it back."""
        self._loop = asyncio.get_running_loop()
        self._splitter = LineSplitter()
        self._lines: deque[tuple[bytes, float]] = deque()
        self._more = asyncio.Event()
        self._ended = False
        self._reading = False
        self._read_on(True)

    async def next(self) -> tuple[bytes, float] | None:
        """Give the next line and when it was read [s]; None when the other end has gone."""
        while not self._lines:
            if self._ended:
                return None
            self._read_on(True)
            self._more.clear()
            await self._more.wait()
        return self._lines.popleft()

    @property
    def unfinished(self) -> bytes:
        """What came after the last line's end."""
        return self._splitter.tail

    def say(self, line: bytes) -> None:
        """Write a line, as far as there is room: to a rig that doesn't read it is of no use later either."""
        with contextlib.suppress(OSError):
            os.write(self._fd, line)

    def close(self) -> None:
        """Let go of the port."""
        self._read_on(False)
        self._ended = True
        with contextlib.suppress(OSError, termios.error):
            self._serial.reset_output_buffer()  # or closing waits for a rig that doesn't read
        with contextlib.suppress(OSError, termios.error):
            self._serial.close()

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, _CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        now_s = time.monotonic()
        self.received += len(data)
        if not data:
            self._ended = True
            self._read_on(False)
        if self._returns:
            data = data.replace(b"\r", b"\n")
        self._lines.extend((line, now_s) for line in self._splitter.feed(data))
        if len(self._lines) >= _PENDING_LINES:
            self._read_on(False)
        self._more.set()

    def _read_on(self, wanted: bool) -> None:
        if wanted and not self._reading and not self._ended:
            self._loop.add_reader(self._fd, self._readable)
            self._reading = True
        elif self._reading and not wanted:
            self._loop.remove_reader(self._fd)
            self._reading = False


def keep_dtr(fd: int) -> None:
    """Leave DTR up when the port is closed: its next opening then restarts no board.

    The first opening after the board was plugged in still does, on boards whose reset hangs on that line: the
    system raises it before any program has a say.
    """
    with contextlib.suppress(termios.error, OSError):
        attributes = termios.tcgetattr(fd)
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(fd, termios.TCSANOW, attributes)


@dataclass(slots=True)
class Heard:
    """What a port says when one listens to it."""

    port: str
    description: str = ""  # the system's words for the device
    lines: int = 0
    frames: int = 0  # how many of the lines were true frames
    rig: str | None = None  # its name, if there was a frame
    channels: tuple[str, ...] = field(default=())
    trouble: str = ""  # why it could not be listened to
    baud: int = BAUD  # at which it was listened to last
    # what it prints, where that isn't the rig's line; NaN where it says none
    numbers: dict[str, float] = field(default_factory=dict)
    unreadable: int = 0  # bytes that made no line of text
    last: str = ""  # the last line of text
    left_alone: str = ""


def candidates() -> list[Port]:
    """Serial ports on USB and their descriptions; built-in ones nearly always lead nowhere."""
    return [(p.device, p.description or "") for p in sorted(list_ports.comports()) if p.vid is not None]


async def listen(ports: Iterable[Port], for_s: float = LISTEN_S) -> list[Heard]:
    """Listen to ports, all at once, and tell what each says, in the order given.

    A port that gave two frames isn't listened to any longer; one that says what can't be read is listened to
    at other speeds, too.
    """

    async def one(heard: Heard) -> Heard:
        for baud in (BAUD, *_OTHER_BAUDS):
            heard.baud = baud
            await _listen_once(heard, for_s)
            if heard.trouble or not heard.unreadable:
                break
        return heard

    return await asyncio.gather(*(one(Heard(port, description)) for port, description in ports))


async def _listen_once(heard: Heard, for_s: float) -> None:
    """Listen to a port at one speed, and note what it says."""
    try:
        line = SerialLine(heard.port, heard.baud, returns=True)
    except OSError as exc:
        heard.trouble = why(exc, heard.port)
        return
    said: list[bytes] = []
    try:
        for more in (1.0, _PATIENCE):  # a board may print every few seconds only
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(more * for_s):
                    while heard.frames < 2 and (came := await line.next()) is not None:
                        said.append(came[0])
                        if (frame := _frame(came[0])) is not None:
                            heard.frames += 1
                            heard.rig, heard.channels = frame.rig, tuple(frame.ch)
            offered = Offered()
            for line_of_text in [] if heard.frames else filter(_is_text, said):
                offered.take(line_of_text)
            if heard.frames or (len(said) > 2 and offered.settled) or (line.received and not said):
                break
    finally:
        line.close()
    text = [one for one in said if _is_text(one)]
    heard.lines = len(said)
    heard.unreadable = line.received if len(text) * 2 <= len(said) and not heard.frames else 0
    heard.last = seven_bits(text[-1])[:60].decode("utf-8", "replace") if text else ""
    heard.numbers, heard.left_alone = offered.values, offered.trouble
    if (
        not heard.frames
        and not heard.numbers
        and 0 < len(text) < 3
        and len({len(fields(t)) for t in text}) == 1
    ):
        heard.numbers = offer([*text, *text, *text])  # one or two lines of a slow board


def _is_text(line: bytes) -> bool:
    """Say whether a line is a text, with degree signs of any kind in it."""
    line = seven_bits(line)
    for sign in (b"\xc2\xb0", b"\xb0", b"\xdf", b"\xf8"):
        line = line.replace(sign, b"")
    if line.isascii():
        return True
    try:
        return line.decode("utf-8").isprintable()
    except UnicodeDecodeError:
        return False


def why(exc: OSError, port: str | None = None) -> str:
    """Say why a port can't be opened, and how to fix it, in a few words that go on after its name.

    For the `port` given it looks up what other program holds it open.
    """
    if exc.errno in _GONE:
        return _NOT_THERE
    if exc.errno in (errno.EACCES, errno.EPERM):
        return "may not be opened by you; join the group that may (on Debian: sudo adduser $USER dialout)"
    if exc.errno in (errno.EAGAIN, errno.EBUSY):
        return holder_words(holder(port)) if port else "is in use by another program; close that one"
    return f"can't be opened ({exc}); is it a serial port?"


def port_and_baud(text: str) -> tuple[str, int]:
    """Take PORT[@BAUD] apart; SourceError: what stands behind the @ is no speed."""
    port, at, baud = text.rpartition("@")
    if not at:
        return text, BAUD
    if not (baud.isascii() and baud.isdigit() and 50 <= int(baud[:9]) <= 4_000_000):
        raise SourceError(f"{text}: {baud!r} is no speed; write PORT@BAUD, such as {port}@9600")
    return port, int(baud)


def holder(port: str) -> tuple[int, str] | None:
    """Find the program (pid, name) that has a port open; another user's programs show nothing."""
    wanted = os.path.realpath(port)
    for entry in Path("/proc").glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            if str(entry.readlink()) == wanted and entry.parts[2] != str(os.getpid()):
                return int(entry.parts[2]), Path("/proc", entry.parts[2], "comm").read_text().strip()
    return None


def holder_words(found: tuple[int, str] | None) -> str:
    """Say who (from `holder`) holds a port, and how to get it back; goes on after the port's name."""
    if found is None:
        return (
            "is in use by another program; close it. Two that take ports by themselves are ModemManager and "
            "brltty (sudo systemctl stop ModemManager; sudo apt remove brltty)"
        )
    pid, name = found
    fix = _TAKERS.get(name, "close it")
    return f"is in use by {name} (process {pid}); {fix}"


class SerialPort:
    """One rig on a serial port, PORT or PORT@BAUD; with None, a rig looked for on any port.

    When the port goes away it is tried again twice a second; a rig that comes back under another port's name
    is found by its own name, on the ports that `find` lists. Ports in `taken`, shared between sources, are
    held by others. `answer` is given what the rig says besides frames.
    """

    proof = "crc"

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
        self._last = self._given  # where the rig was last
        self._others: frozenset[str] = frozenset()  # ports that were there beside ours
        self._beside: dict[str, str] = {}  # ports that another rig was heard on, while ours was looked for
        self._still: set[asyncio.Task[None]] = set()  # listening to ports beside the one that was found
        self._said_s = self._asked_s = float("-inf")
        self._sound = 0  # frames, since the last look
        self._plain = Offered()  # what a board that prints numbers says

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
                self._line, self._last, told = line, line.port, _NOT_THERE
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
        """Tell the rig, once a second, which frame is on disk; a rig that keeps frames then lets go of it.

        The tokens are the frames' `seq`, in the order they came in.
        """
        now_s = time.monotonic()
        if self._line is None or now_s - self._said_s < ACKNOWLEDGE_EVERY_S:
            return
        for seq in deque(tokens, maxlen=1):
            assert isinstance(seq, int)
            self._said_s = now_s
            self._line.say(acknowledgement(seq))

    def refuse(self, tokens: Iterable[object]) -> None:
        """Say nothing: what isn't acknowledged the rig keeps; see `Source`."""

    def ask_again(self, tokens: Iterable[object]) -> None:
        """Have the rig count nothing as arrived that hasn't been acknowledged; see `Source`."""
        if self._line is not None:
            self._line.say(AGAIN)

    def say(self, rig: str, line: bytes) -> None:
        """Send a line to the rig, if it is this one; see `Source`."""
        if self._line is not None and rig == self._rig:
            self._line.say(line)

    async def _look(self, line: SerialLine, report: Report) -> None:
        """Say so where what speaks on the port is no rig, when it is one again, and who isn't read."""
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
        """Say what comes in that is no frame: numbers in lines have a way on."""
        numbers = [f"{name} {v:g}" for name, v in self._plain.values.items() if abs(v) < _NO_TEMPERATURE]
        if numbers:
            shown = ", ".join(numbers[:4])
            start = f"--serial {port}@{self._baud} --as lines"
            return f"it prints numbers ({shown}), not the rig's line; to record them start with {start}"
        text = "what comes in is no rig's line; is it the right port, and the rig's speed"
        return f"{text} ({self._baud} Bd)? `stokewatch listen` says more"

    def _tell_beside(self, line: SerialLine, report: Report) -> None:
        if self._beside:
            rigs = " and ".join(f"rig {rig} on {port}" for port, rig in sorted(self._beside.items()))
            all_of_them = " ".join(f"--serial {port}" for port in sorted({line.port, *self._beside}))
            isnt = "is" if len(self._beside) == 1 else "are"
            text = f"{line.port}; {rigs} {isnt} not read. To read all of them start with {all_of_them}"
            report("connected", {"detail": text})

    def _tell_plugged_in(self, line: SerialLine, report: Report) -> None:
        there = frozenset(port for port, _ in self._find())
        new = sorted(there - self._others - self._taken)
        self._others = there - {line.port}
        if new:
            ports = " ".join(f"--serial {port}" for port in (line.port, *new))
            text = f"{line.port}; plugged in since and not read: {', '.join(new)}"
            report("connected", {"detail": f"{text}. For a second rig there start with {ports}"})

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
                self._plain.take(line)
        else:
            self._rig, token = frame.rig, frame.seq
            self._sound += 1
        await put(Arrival(line, read_s, self.name, token=token, frame=frame))

    def _ask_again(self) -> None:
        """Ask for what hasn't been acknowledged; no oftener than that can help."""
        now_s = time.monotonic()
        if self._line is not None and now_s - self._asked_s >= ACKNOWLEDGE_EVERY_S:
            self._asked_s = now_s
            self._line.say(AGAIN)

    async def _reach(self) -> tuple[SerialLine, list[tuple[bytes, float]]]:
        """Open our port, or the one that our rig (or any rig) is heard on, with the lines heard meanwhile."""
        self._still, self._beside = set(), {}
        for port in dict.fromkeys((self._last, self._given)):
            # A port of that name may be another source's by now: names are given out again after a replug.
            if port is None or port in self._taken:
                continue
            try:
                line = SerialLine(port, self._baud)
            except OSError as exc:
                if exc.errno not in _GONE or self._rig is None:
                    raise
            else:
                self._taken.add(port)
                return line, []
        found: list[tuple[SerialLine, list[tuple[bytes, float]]]] = []
        there = frozenset(port for port, _ in self._find())
        self._others &= there  # names are given out again: what went and came back may be our rig
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
                self._still = pending  # they were opened anyhow: whoever else is there is told
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
        heard: list[tuple[bytes, float]] = []
        try:
            async with asyncio.timeout(LISTEN_S):
                while (came := await line.next()) is not None:
                    heard.append(came)
                    if (frame := _frame(came[0])) is None:
                        continue
                    if not found and self._rig in (None, frame.rig):
                        found.append((line, heard))
                    else:
                        self._beside[port] = frame.rig
                    return
        except TimeoutError:
            return
        finally:
            if not any(line is ours for ours, _ in found):
                self._let_go(line)

    def _let_go(self, line: SerialLine) -> None:
        line.close()
        self._taken.discard(line.port)


def _frame(line: bytes) -> Frame | None:
    try:
        return decode(line)
    except WireError:
        return None
