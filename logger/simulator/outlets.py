"""Where the simulated rig's lines go out: a file descriptor (pseudo-terminal, serial port) or a broker."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import termios
import tty
from collections import deque
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any, Final

import aiomqtt
import serial as pyserial

from logger.errors import UserError
from logger.sources.broker import login

# What a small rig can keep while nobody reads, and one with a radio while its broker is away; then the oldest
# goes.
KEPT_LINES: Final = 512
KEPT_MESSAGES: Final = 4096


class OutletError(UserError):
    """A place that the rig can't send to."""


class Outlet:
    """Takes lines at once; what can't leave soon enough is dropped, oldest first."""

    def __init__(self, kept: int) -> None:
        self._kept = kept
        self._lines: deque[bytes] = deque()
        self._empty = asyncio.Event()
        self.dropped = 0

    def send(self, line: bytes) -> None:
        """Take a line."""
        if len(self._lines) >= self._kept:
            self._lines.popleft()
            self.dropped += 1
        self._lines.append(line)
        self._empty.clear()
        self._write()

    async def drain(self, seconds: float) -> None:
        """Wait until all has left, so long at most."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._empty.wait()

    def _write(self) -> None:
        """See that what waits leaves."""
        raise NotImplementedError


class DescriptorOutlet(Outlet):
    """Lines to a non-blocking file descriptor, open for writing; stays the caller's to close."""

    def __init__(self, fd: int) -> None:
        super().__init__(KEPT_LINES)
        self._fd = fd
        self._rest = b""
        self._waiting = False
        os.set_blocking(fd, False)

    async def drain(self, seconds: float) -> None:
        """Wait until all has left, so long at most."""
        await super().drain(seconds)
        self._wait(False)

    def _write(self) -> None:
        while self._rest or self._lines:
            if not self._rest:
                self._rest = self._lines.popleft()
            try:
                self._rest = self._rest[os.write(self._fd, self._rest) :]
            except BlockingIOError:
                break
            except OSError:  # the other end is gone for the moment: a line on its way is lost
                self._rest = b""
                self.dropped += 1
                break
        self._wait(bool(self._rest or self._lines))
        if not self._waiting:
            self._empty.set()

    def _wait(self, waiting: bool) -> None:
        if waiting == self._waiting:
            return
        loop = asyncio.get_running_loop()
        if waiting:
            loop.add_writer(self._fd, self._write)
        else:
            loop.remove_writer(self._fd)
        self._waiting = waiting


@contextmanager
def pty_outlet(link: Path) -> Iterator[DescriptorOutlet]:
    """Make a pseudo-terminal and a symbolic link to the end that the logger opens.

    A link left behind by an earlier rig is replaced; anything else is not: OutletError.
    """
    if link.exists() and not link.is_symlink():
        raise OutletError(f"{link}: there is something here that is no link; choose another path for --pty")
    ours, theirs = os.openpty()
    try:
        tty.setraw(theirs, termios.TCSANOW)
        name = os.ttyname(theirs)
        fresh = link.with_name(f".{link.name}.{os.getpid()}")
        try:
            fresh.symlink_to(name)
            fresh.replace(link)
        except OSError as exc:
            raise OutletError(f"{link}: {exc.strerror}; choose another path for --pty") from exc
        try:
            # Our own hold on the far end keeps the terminal alive between readers.
            yield DescriptorOutlet(ours)
        finally:
            with contextlib.suppress(OSError):
                if str(link.readlink()) == name:
                    link.unlink()
    finally:
        os.close(ours)
        os.close(theirs)


@contextmanager
def serial_outlet(device: str) -> Iterator[DescriptorOutlet]:
    """Open a serial port to send on; OutletError where it can't be."""
    try:
        port = pyserial.Serial(device, 921_600, timeout=0, write_timeout=0)
    except (OSError, ValueError) as exc:
        raise OutletError(f"{device}: can't be opened ({exc}); check --serial") from exc
    with port:
        yield DescriptorOutlet(port.fileno())


class MqttOutlet(Outlet):
    """Lines to a broker, QoS 1; kept while it is away, and sent in order when it is back."""

    def __init__(self) -> None:
        super().__init__(KEPT_MESSAGES)
        self._fresh = asyncio.Event()

    def _write(self) -> None:
        self._fresh.set()

    async def publish_loop(self, broker: dict[str, Any], rig: str) -> None:
        """Keep the connection (`login`) and publish what comes."""
        status, topic = f"stokewatch/{rig}/status", f"stokewatch/{rig}/frame"
        pause_s = 0.25
        while True:
            client = aiomqtt.Client(
                **broker,
                identifier=f"stokewatch-rig-{rig}",
                will=aiomqtt.Will(status, b"offline", qos=1, retain=True),
            )
            try:
                async with client:
                    await client.publish(status, b"online", qos=1, retain=True)
                    pause_s = 0.25
                    try:
                        await self._publish(client, topic)
                    except asyncio.CancelledError:
                        # A clean goodbye cancels the will, so it is said here.
                        await client.publish(status, b"offline", qos=1, retain=True)
                        raise
            except aiomqtt.MqttError:
                await asyncio.sleep(random.uniform(0.5, 1.0) * pause_s)
                pause_s = min(pause_s * 2, 10.0)

    async def _publish(self, client: aiomqtt.Client, topic: str) -> None:
        while True:
            while self._lines:
                line = self._lines[0]
                await client.publish(topic, line, qos=1)
                # It may have been dropped as the oldest while its receipt was on the way.
                if self._lines and self._lines[0] is line:
                    self._lines.popleft()
            self._empty.set()
            self._fresh.clear()
            await self._fresh.wait()


@asynccontextmanager
async def mqtt_outlet(url: str, rig: str) -> AsyncIterator[MqttOutlet]:
    """Send to a broker, with the rig's status retained and a last will; OutletError for a wrong address."""
    try:
        broker = login(url)
    except ValueError:
        raise OutletError(
            "--mqtt is not a broker's address; write mqtt[s]://[user[:password]@]host[:port]"
        ) from None
    outlet = MqttOutlet()
    task = asyncio.create_task(outlet.publish_loop(broker, rig), name=f"rig[{rig}].publish")
    try:
        yield outlet
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            async with asyncio.timeout(1.0):
                await task
