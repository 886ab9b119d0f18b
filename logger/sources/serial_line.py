"""An open serial port, cut into lines; which ports there are, and why one can't be opened."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import termios
import time
from collections import deque
from pathlib import Path
from typing import Final

import serial
from serial.tools import list_ports

from logger.reading import Frame
from logger.rig_line.wire import LineSplitter, WireError, decode
from logger.sources import SourceError

BAUD: Final = 115_200
"""For rigs behind a real UART; USB and pseudo-terminals don't care. [Bd]"""
_CHUNK: Final = 65_536
_PENDING_LINES: Final = 1_000
"""Most lines waiting in this process; any more wait in the system's buffer."""
NOT_THERE: Final = "isn't there; plug the rig in"
_TAKERS: Final = {
    "ModemManager": "it looks for modems: sudo systemctl stop ModemManager",
    "brltty": "it takes USB-serial chips for Braille displays: sudo apt remove brltty",
}
GONE: Final = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO)

Port = tuple[str, str]
"""A port's path and the system's words for the device."""


class _Descriptor(serial.Serial):  # type: ignore[misc]
    def _reset_input_buffer(self) -> None:
        """Do nothing, to keep what a rig sent while nobody read: pyserial would drop it on opening."""


class SerialLine:
    """An open port, cut into lines as bytes come in; OSError (pyserial's too): it can't be opened.

    `returns`: a carriage return alone also ends a line, as with some boards that print numbers. `afresh`:
    discard what was sent while nobody read.
    """

    def __init__(self, port: str, baud: int = BAUD, *, returns: bool = False, afresh: bool = False) -> None:
        self.port = port
        self._returns = returns
        try:
            self._serial = _Descriptor(port, baud, timeout=0, exclusive=True)
        except termios.error as exc:  # the port went away while it was being opened
            raise OSError(*exc.args) from exc
        self._fd: int = self._serial.fileno()
        self._keep_dtr()
        if afresh:
            termios.tcflush(self._fd, termios.TCIFLUSH)
        self.received = 0
        """Bytes that came in; may be reset by whoever counts."""
        self._loop = asyncio.get_running_loop()
        self._splitter = LineSplitter()
        self._lines: deque[tuple[bytes, float]] = deque()
        self._more = asyncio.Event()
        self._ended = False
        self._read_on(True)

    async def next(self) -> tuple[bytes, float] | None:
        """Return the next line and when it was read [s]; None once the other end has gone."""
        while not self._lines:
            if self._ended:
                return None
            self._read_on(True)
            self._more.clear()
            await self._more.wait()
        return self._lines.popleft()

    async def until_frame(self, for_s: float) -> tuple[list[tuple[bytes, float]], Frame | None]:
        """Return what comes within so long, up to the first frame, and that frame."""
        heard: list[tuple[bytes, float]] = []
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(for_s):
                while (came := await self.next()) is not None:
                    heard.append(came)
                    with contextlib.suppress(WireError):
                        return heard, decode(came[0])
        return heard, None

    @property
    def unfinished(self) -> bytes:
        """Everything after the end of the last line."""
        return self._splitter.tail

    def say(self, line: bytes) -> None:
        """Write a line, as far as there is room: a rig that doesn't read it now has no use for it later."""
        with contextlib.suppress(OSError):
            os.write(self._fd, line)

    def close(self) -> None:
        """Close the port."""
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
        if not wanted:
            self._loop.remove_reader(self._fd)
        elif not self._ended:
            self._loop.add_reader(self._fd, self._readable)

    def _keep_dtr(self) -> None:
        """Leave DTR up when the port is closed, so that opening it again doesn't restart the board.

        The first time after plugging in still does, on boards whose reset is tied to that line: the system
        raises it before any program has a say.
        """
        with contextlib.suppress(termios.error, OSError):
            attributes = termios.tcgetattr(self._fd)
            attributes[2] &= ~termios.HUPCL
            termios.tcsetattr(self._fd, termios.TCSANOW, attributes)


def candidates() -> list[Port]:
    """Serial ports on USB and their descriptions; built-in ones are hardly ever connected."""
    return [(p.device, p.description or "") for p in sorted(list_ports.comports()) if p.vid is not None]


def port_and_baud(text: str) -> tuple[str, int]:
    """Split PORT[@BAUD]; SourceError: the part after the @ isn't a speed."""
    port, at, baud = text.rpartition("@")
    if not at:
        return text, BAUD
    if not (baud.isascii() and baud.isdigit() and 50 <= int(baud[:9]) <= 4_000_000):
        raise SourceError(f"{text}: {baud!r} isn't a speed; write PORT@BAUD, such as {port}@9600")
    return port, int(baud)


def why(exc: OSError, port: str | None = None) -> str:
    """Why a port can't be opened, and how to fix it, in words that follow its name.

    If `port` is given, look up which other program holds it open.
    """
    if exc.errno in GONE:
        return NOT_THERE
    if exc.errno in (errno.EACCES, errno.EPERM):
        return "can't be opened: you don't have permission (on Debian: sudo adduser $USER dialout)"
    if exc.errno in (errno.EAGAIN, errno.EBUSY):
        return holder_words(holder(port)) if port else "is in use by another program; close that one"
    return f"can't be opened ({exc}); is it a serial port?"


def holder(port: str) -> tuple[int, str] | None:
    """Find the program (pid, name) that has a port open; another user's programs can't be seen."""
    wanted = os.path.realpath(port)
    for entry in Path("/proc").glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            if str(entry.readlink()) == wanted and entry.parts[2] != str(os.getpid()):
                return int(entry.parts[2]), Path("/proc", entry.parts[2], "comm").read_text().strip()
    return None


def holder_words(found: tuple[int, str] | None) -> str:
    """Who holds a port (from `holder`), and how to get it back, in words that follow the port's name."""
    if found is None:
        return (
            "is in use by another program; close it. ModemManager and brltty take ports by themselves "
            "(sudo systemctl stop ModemManager; sudo apt remove brltty)"
        )
    pid, name = found
    fix = _TAKERS.get(name, "close it")
    return f"is in use by {name} (process {pid}); {fix}"
